"""Means over welds with their uncertainty, and tests between shapes, on the logit of the index.

An index part x gives d = 1/(1 + (x/x½)^p), so ln(d/(1-d)) is linear in ln x: on the logit scale the scatter
of welds does not shrink towards the ends of the index as it does between 0 and 100.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
# Beyond these an index says nothing finer; keeps the logit finite.
_LEAST, _MOST = 1e-6, 1 - 1e-6
# A shape whose scatter stands above the others' with a chance below this is drawn less towards theirs.
_ALIKE_P = 0.3


def logit(index: ArrayLike) -> Floats:
    """Logit of an index from 0 to 100."""
    share = np.clip(np.asarray(index, dtype=np.float64) / 100, _LEAST, _MOST)
    return np.asarray(np.log(share / (1 - share)))


def expit(value: ArrayLike) -> Floats:
    """Index from 0 to 100 of a logit."""
    return np.asarray(100 / (1 + np.exp(-np.asarray(value, dtype=np.float64))))


def within_weld_error(low: ArrayLike, high: ArrayLike, confidence: float = 0.95) -> Floats:
    """Standard error of a clip's own index on the logit scale, from the ends of its interval; NaN where unknown."""
    from scipy.special import ndtri

    return np.asarray((logit(high) - logit(low)) / (2 * ndtri(0.5 + confidence / 2)))


@dataclass(frozen=True)
class Groups:
    """Shapes' means on the logit scale, each array of shape (k,), in the order of `names`.

    Attributes
    ----------
    names
        The shapes.
    count
        Welds.
    mean
        Mean logit over welds.
    variance
        Squared standard error of `mean`; NaN where nothing is known of the scatter.
    df
        Degrees of freedom behind `variance`; infinite where it rests on within-weld error alone.
    total_df
        Degrees of freedom of the weld-to-weld scatter of all shapes together, 0 with one weld a shape.
    """

    names: tuple[str, ...]
    count: NDArray[np.int64]
    mean: Floats
    variance: Floats
    df: Floats
    total_df: int

    @property
    def replicated(self) -> bool:
        """Whether weld-to-weld scatter is known at all."""
        return self.total_df > 0


def group_welds(shape: ArrayLike, value: ArrayLike, error: ArrayLike, *, prior_df: float) -> Groups:
    """Means over welds, with a standard error that holds scatter over welds and within them.

    The sample variance over welds already contains the error within each; it is drawn towards the variance
    common to all shapes with `prior_df` degrees of freedom: with fewer where the shape scatters more than the
    others (one-sided F test), for a scatter drawn down that is really larger makes false differences. Where the
    errors within the welds alone give the wider interval, they stand instead.

    Parameters
    ----------
    shape
        Name of the shape of each weld, shape (n,).
    value
        Logit of the index of each weld, shape (n,).
    error
        Standard error of each within its weld, shape (n,); NaN where unknown.
    prior_df
        See `RankSettings.scatter_prior_df`.

    References
    ----------
    Smyth G. K., Linear models and empirical Bayes methods …, Stat. Appl. Genet. Mol. Biol. 3 (2004) 3,
    doi:10.2202/1544-6115.1027, for variances drawn towards a common one; here with a fixed weight, because
    few shapes cannot tell how alike their scatters are.
    """
    shape, value, error = np.asarray(shape), np.asarray(value, float), np.asarray(error, float)
    names = tuple(dict.fromkeys(shape.tolist()))
    members = [shape == name for name in names]
    count = np.array([m.sum() for m in members])
    mean = np.array([value[m].mean() for m in members])
    squares = np.array([((value[m] - value[m].mean()) ** 2).sum() for m in members])
    known = ~np.isnan(error)
    within = np.array([(error[m & known] ** 2).mean() if (m & known).any() else np.nan for m in members])
    own_df = count - 1
    total = int(own_df.sum())
    if total == 0:
        return Groups(names, count, mean, within, np.full(len(names), np.inf), 0)
    variance, df = draw_scatter(squares, own_df, within, total, prior_df=np.full(len(names), prior_df))
    return Groups(names, count, mean, variance / count, df, total)


def draw_scatter(
    squares: Floats, own_df: ArrayLike, within: Floats, total: int, *, prior_df: Floats
) -> tuple[Floats, Floats]:
    """Variance of a weld of each shape, drawn towards the common one, and its degrees of freedom.

    Parameters
    ----------
    squares
        Sum of squared residuals of each shape, shape (k,).
    own_df
        Degrees of freedom behind them, shape (k,), `total` in all.
    within
        Mean variance within the welds, shape (k,); NaN where unknown. It stands where it gives the wider interval.
    prior_df
        Degrees of freedom with which each is drawn, shape (k,).
    """
    own_df = np.asarray(own_df)
    common = squares.sum() / total
    prior = prior_df * np.minimum(_chance_of_more(squares, own_df) / _ALIKE_P, 1.0)
    drawn = (prior * common + squares) / np.maximum(prior + own_df, 1e-300)
    drawn[prior + own_df == 0] = np.nan
    df = np.maximum(np.minimum(prior + own_df, total), 1e-9).astype(float)
    # The error within the welds alone is known without welds to count: normal, not Student's.
    alone = np.nan_to_num(within) * t_quantile(np.inf) ** 2 > np.nan_to_num(drawn * t_quantile(df) ** 2)
    return np.where(alone, within, drawn), np.where(alone, np.inf, df)


def _chance_of_more(squares: Floats, df: NDArray[Any]) -> Floats:
    """Chance that a shape that scatters like the others shows at least as much scatter; 1 where nothing can tell."""
    from scipy.special import fdtrc

    others, others_df = squares.sum() - squares, df.sum() - df
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (squares / df) / (others / others_df)
        chance = fdtrc(df, others_df, ratio)
    # Welds of the others that agree to the last digit: any scatter is more than theirs.
    chance = np.where(np.isposinf(ratio), 0.0, chance)
    # Degrees of freedom left by blocks are no whole numbers, so nothing of them may come out as rounding.
    return np.asarray(np.where(np.isnan(chance) | (df < 1e-9) | (others_df < 1e-9), 1.0, chance))


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


def t_intervals(groups: Groups, confidence: float) -> tuple[Floats, Floats]:
    """Lower and upper ends of the interval of each mean, logit scale."""
    half = t_quantile(groups.df, 0.5 + confidence / 2) * np.sqrt(groups.variance)
    return groups.mean - half, groups.mean + half


def index_intervals(groups: Groups, mean_index: Floats, confidence: float) -> tuple[Floats, Floats]:
    """Lower and upper ends of the interval of each mean index, 0 to 100.

    The interval on the logit scale, moved by the difference between the mean of the indices and the index of
    the mean logit.
    """
    low, high = t_intervals(groups, confidence)
    moved = mean_index - expit(groups.mean)
    return np.clip(expit(low) + moved, 0, 100), np.clip(expit(high) + moved, 0, 100)


def own_intervals(
    value: ArrayLike, index: ArrayLike, low: ArrayLike, high: ArrayLike, confidence: float
) -> tuple[Floats, Floats]:
    """Ends of the interval of single welds, 0 to 100: each weld's own, as uneven as it is, moved to `value`.

    Parameters
    ----------
    value
        Logit of the index of each weld as it is ranked, shape (n,).
    index, low, high
        Index and 95 % interval as the clip gave them, shape (n,).
    confidence
        Of the interval wanted; the clip's is widened or narrowed to it as if normal on the logit scale.
    """
    from scipy.special import ndtri

    widen = ndtri(0.5 + confidence / 2) / ndtri(0.975)
    ends = (
        expit(np.asarray(value) + widen * np.minimum(logit(low) - logit(index), 0.0)),
        expit(np.asarray(value) + widen * np.maximum(logit(high) - logit(index), 0.0)),
    )
    known = np.isfinite(np.asarray(low, float)) & np.isfinite(np.asarray(high, float))
    return np.where(known, ends[0], np.nan), np.where(known, ends[1], np.nan)


@dataclass(frozen=True)
class Pairs:
    """All pairs of shapes: arrays of shape (k(k-1)/2,).

    Attributes
    ----------
    first, second
        Places of the two in `Groups.names`.
    difference
        Mean of the first minus that of the second, logit scale.
    error, df
        Its standard error and degrees of freedom.
    p, p_holm
        Two-sided p, alone and with Holm's correction; NaN where no test can be made.
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    difference: Floats
    error: Floats
    df: Floats
    p: Floats
    p_holm: Floats

    def apart(self, shapes: int, alpha: float) -> NDArray[np.bool_]:
        """Square table: True where the two are told apart."""
        table = np.zeros((shapes, shapes), dtype=bool)
        told = self.p_holm <= alpha
        table[self.first[told], self.second[told]] = True
        return table | table.T


def compare_pairs(groups: Groups) -> Pairs:
    """t tests between all pairs, degrees of freedom after Welch and Satterthwaite, corrected after Holm.

    With one weld a shape no test is made: weld-to-weld scatter is unknown.

    References
    ----------
    Welch B. L., Biometrika 34 (1947) 28-35, doi:10.1093/biomet/34.1-2.28.
    Holm S., A simple sequentially rejective multiple test procedure, Scand. J. Stat. 6 (1979) 65-70.
    """
    first, second = np.triu_indices(len(groups.names), 1)
    a, b = groups.variance[first], groups.variance[second]
    difference = groups.mean[first] - groups.mean[second]
    with np.errstate(divide="ignore", invalid="ignore"):
        df = (a + b) ** 2 / (a**2 / groups.df[first] + b**2 / groups.df[second])
        bounded = np.isfinite(groups.df[first]) & np.isfinite(groups.df[second])
        df = np.where(bounded, np.minimum(df, groups.total_df), df)
        df = np.where(np.isnan(df), np.inf, df)
        p = two_sided_p(difference / np.sqrt(a + b), df)
    # Welds that agree to the last digit: no scatter, so any difference counts and none does not.
    p = np.where(a + b == 0, np.where(difference == 0, 1.0, 0.0), p)
    if not groups.replicated:
        p = np.full(len(p), np.nan)
    return Pairs(first, second, difference, np.sqrt(a + b), df, p, holm(p))


def holm(p: ArrayLike) -> Floats:
    """p values with Holm's correction, in the order given; NaN stays NaN and is not counted.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03, 0.005]).round(3).tolist()
    [0.03, 0.06, 0.06, 0.02]
    """
    p = np.asarray(p, dtype=np.float64)
    corrected = np.full(p.shape, np.nan)
    valid = np.flatnonzero(~np.isnan(p))
    order = valid[np.argsort(p[valid], kind="stable")]
    steps = p[order] * np.arange(len(order), 0, -1)
    corrected[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return corrected


def best_probability(groups: Groups, draws: int, seed: int) -> Floats:
    """Probability that each shape's mean is the highest, from t-distributed draws around the means.

    NaN for all where weld-to-weld scatter is unknown for any.
    """
    if not groups.replicated or np.isnan(groups.variance).any():
        return np.full(len(groups.names), np.nan)
    rng = np.random.default_rng(seed)
    normal = rng.standard_normal((draws, len(groups.names)))
    finite = np.where(np.isfinite(groups.df), groups.df, 1.0)
    spread = np.where(np.isfinite(groups.df), np.sqrt(finite / rng.chisquare(finite, normal.shape)), 1.0)
    sample = groups.mean + np.sqrt(groups.variance) * normal * spread
    return np.bincount(sample.argmax(axis=1), minlength=len(groups.names)) / draws


def outlying(shape: ArrayLike, value: ArrayLike) -> Floats:
    """Bonferroni p of each weld for standing outside its shape: externally studentised residuals.

    NaN where a shape has fewer than three welds or too few welds are left to know the scatter.

    References
    ----------
    Cook R. D., Weisberg S., Residuals and Influence in Regression, Chapman and Hall 1982, section 2.2.
    """
    shape, value = np.asarray(shape), np.asarray(value, float)
    names, place, count = np.unique(shape, return_inverse=True, return_counts=True)
    means = np.bincount(place, value) / count
    residual = value - means[place]
    leverage = 1 / count[place]
    df = len(value) - len(names) - 1
    tested = count[place] >= 3
    p = np.full(len(value), np.nan)
    if df < 2 or not tested.any():
        return p
    left = (residual**2).sum() - residual**2 / np.maximum(1 - leverage, 1e-12)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = residual / np.sqrt(np.maximum(left, 0) / df * (1 - leverage))
    p[tested] = np.minimum(two_sided_p(np.nan_to_num(score[tested]), df) * tested.sum(), 1.0)
    return p
