"""Tests between means: variances drawn together, Welch and Satterthwaite, Holm; for one trial or many at once.

The last axis is that of the shapes (or of the tests); any axes before it are trials.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
# A shape whose scatter stands above the others' with a chance below this is drawn less towards theirs.
_ALIKE_P = 0.3


class Errors(NamedTuple):
    """How well means or differences are known, each array of one shape.

    Attributes
    ----------
    variance, df
        Squared standard error and its degrees of freedom; infinite where it rests on the error within the welds.
    between, between_df
        The same from the scatter between welds alone; NaN where nothing is known of it.
    """

    variance: Floats
    df: Floats
    between: Floats
    between_df: Floats

    def times(self, factor: float | Floats) -> Errors:
        """Errors of what has so many times the variance."""
        return self._replace(variance=self.variance * factor, between=self.between * factor)


class PairTests(NamedTuple):
    """Tests between all pairs of means, shape (…, pairs).

    Each pair is tested twice: with the errors that give the wider intervals, and with the scatter between welds
    alone. Both must show a difference, so the larger p counts. An error within the welds, which is taken for normal,
    then lends no p smaller than the few welds allow.

    Attributes
    ----------
    first, second
        Places of the two means.
    difference
        Mean of the first minus that of the second.
    errors
        Of the differences.
    p
        Two-sided p of each pair alone; NaN where no test can be made.
    p_df
        Degrees of freedom of the test that gives `p`; infinite for a normal one.

    References
    ----------
    Berger R. L., Multiparameter hypothesis testing and acceptance sampling, Technometrics 24 (1982) 295-300,
    doi:10.1080/00401706.1982.10487790: of tests that must all reject, the largest p counts.
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    difference: Floats
    errors: Errors
    p: Floats
    p_df: Floats

    @property
    def error(self) -> Floats:
        """Standard error of each difference."""
        return np.sqrt(self.errors.variance)

    @property
    def df(self) -> Floats:
        """Degrees of freedom behind `error`."""
        return self.errors.df

    def half_width(self, confidence: float) -> Floats:
        """Half of the wider one of the two intervals of each difference; it holds 0 where `p` is too large."""
        errors = self.errors
        own, between = (
            t_quantile(df, 0.5 + confidence / 2) * np.sqrt(variance)
            for variance, df in ((errors.variance, errors.df), (errors.between, errors.between_df))
        )
        return np.fmax(own, between)

    @property
    def p_holm(self) -> Floats:
        """`p` with Holm's correction over all pairs."""
        return holm(self.p)

    def apart(self, means: int, alpha: float) -> NDArray[np.bool_]:
        """Square table of so many means: True where two differ."""
        table = np.zeros((means, means), dtype=bool)
        differ = self.p_holm <= alpha
        table[self.first[differ], self.second[differ]] = True
        return table | table.T


def draw_variances(
    squares: Floats, own_df: ArrayLike, within: ArrayLike, total: int, *, prior_df: ArrayLike
) -> Errors:
    """Variance of a weld of each shape, drawn towards the common one, and its degrees of freedom.

    Drawn less where a shape scatters more than the others (one-sided F test), for a scatter drawn down that is really
    larger makes false differences.

    Parameters
    ----------
    squares
        Sum of squared residuals of each shape, shape (…, k).
    own_df
        Degrees of freedom behind them, shape (k,), `total` in all.
    within
        Mean variance within the welds, shape (k,) or one; NaN where unknown. It counts where it gives the wider
        interval.
    total
        Degrees of freedom of all shapes.
    prior_df
        Degrees of freedom with which each is drawn, shape (k,) or one.

    References
    ----------
    Smyth G. K., Stat. Appl. Genet. Mol. Biol. 3 (2004) 3, doi:10.2202/1544-6115.1027, for variances drawn towards a
    common one; here with a fixed weight, because few shapes cannot show how alike their scatters are.
    """
    own_df, within = np.asarray(own_df, dtype=np.float64), np.asarray(within, dtype=np.float64)
    common = squares.sum(axis=-1, keepdims=True) / total
    prior = np.asarray(prior_df) * np.minimum(_chance_of_more(squares, own_df) / _ALIKE_P, 1.0)
    drawn = (prior * common + squares) / np.maximum(prior + own_df, 1e-300)
    drawn = np.where(prior + own_df == 0, np.nan, drawn)
    df = np.maximum(np.minimum(prior + own_df, total), 1e-9)
    # The error within the welds alone is known without welds to count: normal, not Student's.
    alone = np.nan_to_num(within) * t_quantile(np.inf) ** 2 > np.nan_to_num(drawn * t_quantile(df) ** 2)
    return Errors(np.where(alone, within, drawn), np.where(alone, np.inf, df), drawn, df)


def _chance_of_more(squares: Floats, df: Floats) -> Floats:
    """Chance that a shape that scatters like the others shows at least as much scatter; 1 where it is unknown."""
    from scipy.special import fdtrc

    others, others_df = squares.sum(axis=-1, keepdims=True) - squares, df.sum() - df
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (squares / df) / (others / others_df)
        chance = fdtrc(df, others_df, ratio)
    # Welds of the others that agree to the last digit: any scatter is more than theirs.
    chance = np.where(np.isposinf(ratio), 0.0, chance)
    # Degrees of freedom left by blocks are no whole numbers, so nothing of them may come out as rounding.
    return np.asarray(np.where(np.isnan(chance) | (df < 1e-9) | (others_df < 1e-9), 1.0, chance))


def pair_tests(mean: Floats, errors: Errors, total: int) -> PairTests:
    """t tests between all pairs of means, degrees of freedom after Welch and Satterthwaite.

    Where neither of two means has any scatter no test can be made: p is NaN.

    Parameters
    ----------
    mean, errors
        Means and their errors, shape (…, k).
    total
        Degrees of freedom of all shapes: no pair has more.

    References
    ----------
    Welch B. L., Biometrika 34 (1947) 28-35, doi:10.1093/biomet/34.1-2.28.
    """
    first, second = np.triu_indices(mean.shape[-1], 1)
    pair = np.stack([first, second], axis=-1)
    own, between = (
        satterthwaite(variance[..., pair], df[..., pair], total)
        for variance, df in ((errors.variance, errors.df), (errors.between, errors.between_df))
    )
    difference = mean[..., first] - mean[..., second]
    return tested(first, second, difference, Errors(*own, *between))


def satterthwaite(parts: Floats, df: Floats, total: int) -> tuple[Floats, Floats]:
    """Sum of variances along the last axis, and its degrees of freedom: no more than `total`, unless a part has more.

    References
    ----------
    Satterthwaite F. E., Biometrics Bull. 2 (1946) 110-114, doi:10.2307/3002019.
    """
    both = parts.sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = both**2 / (parts**2 / df).sum(axis=-1)
    finite = (np.isfinite(df) | (parts == 0)).all(axis=-1)
    freedom = np.where(finite, np.minimum(freedom, total), freedom)
    return both, np.where(np.isnan(freedom), np.inf, freedom)


def tested(
    first: NDArray[np.int64], second: NDArray[np.int64], difference: Floats, errors: Errors
) -> PairTests:
    """Pairs with their p; fields as in `PairTests`."""
    with np.errstate(divide="ignore", invalid="ignore"):
        own = two_sided_p(difference / np.sqrt(errors.variance), errors.df)
        between = two_sided_p(difference / np.sqrt(errors.between), errors.between_df)
    p = np.where(errors.variance == 0, np.nan, np.fmax(own, between))
    return PairTests(
        first, second, difference, errors, p, np.where(between > own, errors.between_df, errors.df)
    )


# Student's distribution from scipy.special: the import of scipy.stats alone would take longer than a ranking.
def t_quantile(df: float | Floats, p: float = 0.975) -> Floats:
    """Quantile of Student's distribution; of the normal where the degrees of freedom are infinite."""
    from scipy.special import ndtri, stdtrit

    finite = np.where(np.isfinite(df), df, 1.0)
    return np.asarray(np.where(np.isfinite(df), stdtrit(finite, p), ndtri(p)))


def two_sided_p(score: Floats, df: float | Floats) -> Floats:
    """Two-sided p of a t score; of a normal one where the degrees of freedom are infinite."""
    from scipy.special import ndtr, stdtr

    finite = np.where(np.isfinite(df), df, 1.0)
    return np.asarray(2 * np.where(np.isfinite(df), stdtr(finite, -np.abs(score)), ndtr(-np.abs(score))))


def holm(p: ArrayLike, weights: ArrayLike | None = None) -> Floats:
    """p values with Holm's correction along the last axis; NaN stays NaN and is not counted.

    Parameters
    ----------
    p
        Shape (…, n).
    weights
        Share of the error that each test may use, shape (n,); None for all alike.

    References
    ----------
    Holm S., A simple sequentially rejective multiple test procedure, Scand. J. Stat. 6 (1979) 65-70; section 3 for
    weights.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03, 0.005]).round(3).tolist()
    [0.03, 0.06, 0.06, 0.02]
    """
    p = np.asarray(p, dtype=np.float64)
    share = np.ones(p.shape[-1]) if weights is None else np.asarray(weights, dtype=np.float64)
    share = np.where(np.isnan(p), 0.0, share)
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.where(np.isnan(p), np.inf, p / share)
    order = np.argsort(scaled, axis=-1, kind="stable")
    ordered_share = np.take_along_axis(share, order, axis=-1)
    left = np.flip(np.cumsum(np.flip(ordered_share, axis=-1), axis=-1), axis=-1)
    with np.errstate(invalid="ignore"):
        steps = np.where(left > 0, np.take_along_axis(scaled, order, axis=-1) * left, np.inf)
    corrected = np.empty_like(p)
    np.put_along_axis(corrected, order, np.minimum(np.maximum.accumulate(steps, axis=-1), 1.0), axis=-1)
    return np.where(np.isnan(p), np.nan, corrected)
