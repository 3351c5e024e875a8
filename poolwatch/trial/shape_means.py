"""Means over welds with their uncertainty, and tests between shapes, on the logit of the index."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..experiment.comparing import Errors, PairTests, draw_variances, pair_tests, t_quantile, two_sided_p
from ..experiment.logit import expit, logit

Floats = NDArray[np.float64]
# Sum of squares about the means, as a share of all, that is rounding.
_COPIES = 1e-20


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
    errors
        Of `mean`; NaN where nothing is known of the scatter.
    total_df
        Degrees of freedom of the weld-to-weld scatter of all shapes together; 0 with one weld a shape, and where
        the welds of each shape agree to the last digit.
    """

    names: tuple[str, ...]
    count: NDArray[np.int64]
    mean: Floats
    errors: Errors
    total_df: int

    @property
    def variance(self) -> Floats:
        """Squared standard error of `mean`; NaN where nothing is known of the scatter."""
        return self.errors.variance

    @property
    def df(self) -> Floats:
        """Degrees of freedom behind `variance`; infinite where it rests on within-weld error alone."""
        return self.errors.df

    @property
    def replicated(self) -> bool:
        """Whether weld-to-weld scatter is known at all."""
        return self.total_df > 0


def group_welds(shape: ArrayLike, value: ArrayLike, error: ArrayLike, *, prior_df: float) -> Groups:
    """Means over welds, with a standard error that holds scatter over welds and within them.

    The sample variance over welds already contains the error within each; it is drawn towards the variance
    common to all shapes (`draw_variances`). Where the errors within the welds alone give the wider interval, they
    count instead.

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
    # Welds that agree to the last digit are copies, or rounded: they say nothing of the scatter.
    if total == 0 or squares.sum() <= _COPIES * max(1.0, float((value**2).sum())):
        nothing = np.full(len(names), np.nan)
        alone = Errors(within / count, np.full(len(names), np.inf), nothing, nothing)
        return Groups(names, count, mean, alone, 0)
    errors = draw_variances(squares, own_df, within, total, prior_df=prior_df)
    return Groups(names, count, mean, errors.times(1 / count), total)


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
    begin = expit(np.asarray(value) + widen * np.minimum(logit(low) - logit(index), 0.0))
    end = expit(np.asarray(value) + widen * np.maximum(logit(high) - logit(index), 0.0))
    known = np.isfinite(np.asarray(low, float)) & np.isfinite(np.asarray(high, float))
    return np.where(known, begin, np.nan), np.where(known, end, np.nan)


def compare_pairs(groups: Groups) -> PairTests:
    """t tests between all pairs, corrected after Holm; none with a lone weld, or where the scatter is unknown."""
    tests = pair_tests(groups.mean, groups.errors, groups.total_df)
    # A lone weld says nothing of its own scatter: with that of the others, false differences would reach a half.
    known = (groups.count[tests.first] > 1) & (groups.count[tests.second] > 1) & groups.replicated
    return tests._replace(p=np.where(known, tests.p, np.nan))


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
