"""What may be expected of a trial's model: effects drawn towards none by as much as effects of their kind are small.

A fit overrates what looks best in it (the optimizer's curse); means of a posterior do not, as far as its prior is
right. So effects of one kind (main effects; products and squares) are taken as drawn from a normal distribution of a
common width, and all widths count by how likely they make the welds.

References
----------
Smith J. E., Winkler R. L., The optimizer's curse, Management Science 52 (2006) 311-322, doi:10.1287/mnsc.1050.0451.
Lindley D. V., Smith A. F. M., Bayes estimates for the linear model, J. R. Stat. Soc. B 34 (1972) 1-41.
Jones D. R., Schonlau M., Welch W. J., J. Global Optim. 13 (1998) 455-492, doi:10.1023/A:1008306431147, for expected
improvement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ..experiment.factors import BLOCK
from ..experiment.terms import Term

Floats = NDArray[np.float64]
# Widths of effects, as shares of the scatter of a weld: from none to far more than any trial's.
_WIDTHS = np.geomspace(0.03, 30, 16)
# Pairs of widths that count for less than this beside the likeliest are left out.
_LEAST_WEIGHT = 1e-3


@dataclass(frozen=True)
class Posterior:
    """Effects as they may be after the welds: a mixture over the widths of effects.

    Attributes
    ----------
    weights
        Of each pair of widths, shape (k,); they add up to 1.
    means
        Coefficients under each, shape (k, p).
    inverses
        Inverse of X'X and the prior's share, shape (k, p, p).
    variances
        Of a weld about the model under each, shape (k,).
    df
        Degrees of freedom behind them.
    """

    weights: Floats
    means: Floats
    inverses: Floats
    variances: Floats
    df: float

    @property
    def mean(self) -> Floats:
        """Expected coefficients, shape (p,)."""
        return np.asarray(self.weights @ self.means)

    def improvement(self, apart: Floats) -> Floats:
        """Expected improvement: mean of the positive part of a difference between settings.

        Parameters
        ----------
        apart
            Rows of the model's matrix of settings, less that of the setting they are compared with, shape (n, p).
        """
        gain: Floats = np.zeros(len(apart))
        for weight, mean, inverse, variance in zip(
            self.weights, self.means, self.inverses, self.variances, strict=True
        ):
            spread = np.maximum(np.einsum("ni,ni->n", apart @ inverse, apart), 0) * variance
            gain += weight * mean_of_positive(apart @ mean, np.sqrt(spread), self.df)
        return gain

    def with_weld(self, row: Floats) -> Posterior:
        """The posterior as if one more weld had come out as expected: surer, but of the same means."""
        along = self.inverses @ row
        taken = np.einsum("ki,kj->kij", along, along) / (1 + along @ row)[:, None, None]
        return replace(self, inverses=self.inverses - taken)


def posterior_of(terms: Sequence[Term], matrix: Floats, index: Floats) -> Posterior:
    """The posterior of a linear model; constant and blocks without a prior, the scatter's uniform in its logarithm.

    Parameters
    ----------
    terms
        Of the model.
    matrix
        Its matrix, shape (n, p), a column of ones first.
    index
        Of each weld, shape (n,).
    """
    kinds = np.array([0, *(_kind(term) for term in terms for _ in range(term.width))])
    free = int((kinds == 0).sum())
    df = len(index) - free
    squares, against, total = matrix.T @ matrix, matrix.T @ index, float(index @ index)
    logs, means, inverses, variances = [], [], [], []
    for widths in product(_WIDTHS, _WIDTHS if (kinds == 2).any() else [1.0]):
        share = np.where(kinds > 0, np.take([np.inf, *widths], kinds), np.inf) ** -2.0
        precision = squares + np.diag(share)
        root = np.linalg.cholesky(precision)
        inverse = np.linalg.inv(precision)
        mean = inverse @ against
        left = max(total - float(against @ mean), 1e-12 * max(total, 1e-12))
        logs.append(
            0.5 * float(np.log(share[kinds > 0]).sum())
            - float(np.log(root.diagonal()).sum())
            - 0.5 * df * np.log(left)
        )
        means.append(mean)
        inverses.append(inverse)
        variances.append(left / df)
    weights = np.exp(np.array(logs) - max(logs))
    kept = weights > _LEAST_WEIGHT
    return Posterior(
        weights[kept] / weights[kept].sum(),
        np.array(means)[kept],
        np.array(inverses)[kept],
        np.array(variances)[kept],
        float(df),
    )


def _kind(term: Term) -> int:
    """0 for blocks, which have no prior, 1 for main effects, 2 for products and squares."""
    return 0 if term.first.name == BLOCK else term.order


def mean_of_positive(mean: Floats, error: Floats, df: float) -> Floats:
    """Mean of the positive part of variables that follow Student's distribution, moved and scaled; df above 1."""
    from scipy.special import betaln, stdtr

    with np.errstate(divide="ignore", invalid="ignore"):
        z = mean / error
        density = np.exp(-(df + 1) / 2 * np.log1p(z**2 / df) - 0.5 * np.log(df) - betaln(df / 2, 0.5))
        gain = mean * stdtr(df, z) + error * (df + z**2) / (df - 1) * density
    return np.asarray(np.where(error > 0, gain, np.maximum(mean, 0)))
