"""Uncertainty arithmetic after the GUM: budgets, correlated inputs, a calibration line.

Method: JCGM 100:2008, *Guide to the expression of uncertainty in measurement*: 5.1.2 and 5.2.2 (combination),
G.4.1 (effective degrees of freedom), H.3 (least-squares line).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..model.errors import UsageError


@dataclass(frozen=True)
class Contribution:
    """One line of a budget: what contributes, and its standard uncertainty in the unit of the result.

    Attributes
    ----------
    name
        What it is, in words.
    u
        Standard uncertainty that it gives to the result (sensitivity already applied).
    dof
        Degrees of freedom of `u`; infinite where it is known by other means.
    """

    name: str
    u: float
    dof: float = math.inf

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u) and self.u >= 0):
            raise UsageError(
                f"uncertainty of {self.name}: must be a finite number of at least 0, got {self.u!r}"
            )
        if not self.dof > 0:
            raise UsageError(f"degrees of freedom of {self.name}: must be above 0, got {self.dof!r}")


@dataclass(frozen=True)
class Budget:
    """Independent contributions to the uncertainty of one result."""

    contributions: tuple[Contribution, ...] = ()

    @property
    def u(self) -> float:
        """Combined standard uncertainty: the root of the sum of squares (GUM 5.1.2)."""
        return math.hypot(*(part.u for part in self.contributions))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite, GUM G.4.1); infinite where nothing limits them."""
        lost = sum(part.u**4 / part.dof for part in self.contributions)
        return self.u**4 / lost if lost > 0 else math.inf

    def coverage_factor(self, probability: float = 0.95) -> float:
        """Factor from standard to expanded uncertainty: Student's t at the truncated degrees of freedom (GUM G.4.2)."""
        return coverage_factor(self.dof, probability)

    def expanded(self, probability: float = 0.95) -> float:
        """Half width of the interval that holds the true value with `probability`."""
        return self.coverage_factor(probability) * self.u


def coverage_factor(dof: float, probability: float = 0.95) -> float:
    """Student's t for a two-sided interval, `dof` truncated to a whole number of at least 1 (GUM G.4.2)."""
    from scipy.stats import norm, t

    if not 0 < probability < 1:
        raise UsageError(f"a coverage probability is between 0 and 1, got {probability!r}")
    tail = 0.5 + probability / 2
    return float(norm.ppf(tail) if math.isinf(dof) else t.ppf(tail, float(max(1, math.floor(dof)))))


def propagate(
    function: Callable[[NDArray[np.float64]], ArrayLike],
    values: ArrayLike,
    covariance: ArrayLike,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Carry a covariance through a function of several inputs, correlated or not (GUM 5.2.2, H.2).

    Parameters
    ----------
    function
        Takes the inputs, shape (n,), and gives the results, shape (m,) or a number.
    values
        Inputs, shape (n,).
    covariance
        Their covariance, shape (n, n).

    Returns
    -------
    results, covariance of the results
        Shapes (m,) and (m, m).

    Notes
    -----
    Sensitivities are central differences over a thousandth of a standard uncertainty of each input
    (a millionth of its value where the input is exact).
    """
    at = np.asarray(values, dtype=np.float64)
    cov = np.asarray(covariance, dtype=np.float64)
    if at.ndim != 1 or cov.shape != (at.size, at.size):
        raise ValueError(f"values (n,) and covariance (n, n) do not fit: {at.shape} and {cov.shape}")
    result = np.atleast_1d(np.asarray(function(at), dtype=np.float64))
    jacobian = np.empty((result.size, at.size))
    for i, sigma in enumerate(np.sqrt(np.diag(cov))):
        step = max(1e-3 * sigma, 1e-6 * abs(at[i]), 1e-12)
        high, low = at.copy(), at.copy()
        high[i] += step
        low[i] -= step
        jacobian[:, i] = (np.atleast_1d(function(high)) - np.atleast_1d(function(low))) / (high[i] - low[i])
    return result, jacobian @ cov @ jacobian.T
