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


class PairTests(NamedTuple):
    """Tests between all pairs of means, shape (…, pairs).

    Attributes
    ----------
    first, second
        Places of the two means.
    difference
        Mean of the first minus that of the second.
    error, df
        Its standard error and degrees of freedom.
    p
        Two-sided p of each test alone; NaN where none can be made.
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    difference: Floats
    error: Floats
    df: Floats
    p: Floats

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
) -> tuple[Floats, Floats]:
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
    return np.where(alone, within, drawn), np.where(alone, np.inf, df)


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


def pair_tests(mean: Floats, variance: Floats, df: Floats, total: int) -> PairTests:
    """t tests between all pairs of means, degrees of freedom after Welch and Satterthwaite.

    Where neither of two means has any scatter no test can be made: p is NaN.

    Parameters
    ----------
    mean, variance, df
        Means, their squared standard errors and degrees of freedom, shape (…, k).
    total
        Degrees of freedom of all shapes: no pair has more.

    References
    ----------
    Welch B. L., Biometrika 34 (1947) 28-35, doi:10.1093/biomet/34.1-2.28.
    """
    first, second = np.triu_indices(mean.shape[-1], 1)
    a, b = variance[..., first], variance[..., second]
    df_a, df_b = df[..., first], df[..., second]
    difference = mean[..., first] - mean[..., second]
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = (a + b) ** 2 / (a**2 / df_a + b**2 / df_b)
        freedom = np.where(np.isfinite(df_a) & np.isfinite(df_b), np.minimum(freedom, total), freedom)
        freedom = np.where(np.isnan(freedom), np.inf, freedom)
        p = two_sided_p(difference / np.sqrt(a + b), freedom)
    p = np.where(a + b == 0, np.nan, p)
    return PairTests(first, second, difference, np.sqrt(a + b), freedom, p)


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
