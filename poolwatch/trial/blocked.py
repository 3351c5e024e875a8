"""Shapes compared with what days, sheets or batches differ by taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..experiment.comparing import Errors, PairTests, draw_variances, satterthwaite, tested
from ..experiment.logit import expit
from .blocks import Layout
from .settings import RankSettings
from .shape_means import Groups, best_probability, compare_pairs, group_welds

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class BlockedComparison:
    """What shapes can be told apart, blocks taken out.

    Attributes
    ----------
    pairs
        All pairs; `p` is NaN where no chain of shared blocks links the two.
    best
        Probability that each shape's mean is the highest, shape (k,); NaN where it cannot be said.
    low, high
        Ends of the interval of each pair's difference in index points, less that difference, shape (pairs,); NaN
        where `p` is.
    units
        Means with the interval that the shapes' own means get.
    """

    pairs: PairTests
    best: Floats
    low: Floats
    high: Floats
    units: Groups


def compare_in_blocks(
    layout: Layout, value: Floats, error: Floats, groups: Groups, settings: RankSettings
) -> BlockedComparison:
    """Compare shapes that stand in blocks, crossed with them or within them.

    Crossed: least squares of shape + block on the logit scale. Each shape's residuals give its scatter, drawn towards
    the common one as without blocks, with a prior that is lessened as the blocks lessen the shape's degrees of freedom;
    a difference is a sum over welds, and its degrees of freedom follow Satterthwaite, never more than blocks and shapes
    leave. Nested: the mean of a block is one piece of evidence, however many welds it holds.

    Parameters
    ----------
    layout
        Of kind ``crossed`` or ``nested``.
    value, error
        Logit of the index of each weld and its standard error within the weld, shape (n,).
    groups
        Means over welds, shapes in the order of `layout`.
    settings
        `scatter_prior_df`, `confidence`, `draws`, `seed` are used.

    References
    ----------
    Searle S. R., Linear Models, Wiley 1971, chapter 7, for shapes and blocks in unequal numbers.
    Satterthwaite F. E., Biometrics Bull. 2 (1946) 110-114, doi:10.2307/3002019.
    """
    if layout.kind == "nested":
        units = replace(_block_means(layout, value, error, settings), names=groups.names)
        pairs = compare_pairs(units)
        best = best_probability(units, settings.draws, settings.seed)
        mean = units.mean
        # One block a shape: nothing is known of what blocks differ by, so the welds' own interval stands.
        units = units if units.replicated else groups
    else:
        pairs, spread = _crossed(layout, value, error, settings.scatter_prior_df)
        mean = layout.weights @ value
        best = _best(layout, mean, pairs, spread, settings)
        units = groups
        if layout.moved:
            wider = np.maximum(groups.count * (layout.weights**2).sum(axis=1), 1.0)
            units = replace(groups, mean=mean, errors=groups.errors.times(wider))
    half = np.where(np.isnan(pairs.p), np.nan, pairs.half_width(settings.confidence))
    middle = (mean[pairs.first] + mean[pairs.second]) / 2
    low, at, high = (_points(pairs.difference + step, middle) for step in (-half, 0.0, half))
    return BlockedComparison(pairs, best, low - at, high - at, units)


def _points(difference: Floats, middle: Floats) -> Floats:
    """Index points between two means `difference` apart on the logit scale, `middle` half-way between them."""
    return np.asarray(expit(middle + difference / 2) - expit(middle - difference / 2))


def _block_means(layout: Layout, value: Floats, error: Floats, settings: RankSettings) -> Groups:
    """Each block of a shape as if it were one weld."""
    _, number = np.unique(layout.block, return_inverse=True)
    size = np.bincount(number)
    place = np.bincount(number, layout.place) / size
    order = np.argsort(place, kind="stable")
    mean = np.bincount(number, value) / size
    within = np.sqrt(np.bincount(number, error**2)) / size
    return group_welds(place[order].round(), mean[order], within[order], prior_df=settings.scatter_prior_df)


def _crossed(layout: Layout, value: Floats, error: Floats, prior_df: float) -> tuple[PairTests, Floats]:
    """All pairs, and the variance of a weld of each shape."""
    place, total = layout.place, layout.total_df
    shapes = len(layout.own_df)
    squares = np.bincount(place, layout.residuals(value) ** 2, minlength=shapes).astype(np.float64)
    known = ~np.isnan(error)
    with np.errstate(invalid="ignore"):
        within = np.bincount(place[known], error[known] ** 2, minlength=shapes) / np.bincount(
            place[known], minlength=shapes
        )
    # As much drawn, beside its own scatter, as a shape of so many welds is without blocks.
    share = np.where(
        (layout.live > 1) & (layout.own_df > 0), layout.own_df / np.maximum(layout.live - 1, 1), 1.0
    )
    errors = draw_variances(squares, layout.own_df, within, total, prior_df=prior_df * share)
    first, second = np.triu_indices(shapes, 1)
    contrast = layout.weights[first] - layout.weights[second]
    difference = contrast @ value
    difference = np.where(np.abs(difference) > 1e-12 * max(1.0, float(np.abs(value).max())), difference, 0.0)
    # What each shape's welds add to the variance of each difference; third shapes too where numbers are unequal.
    weight = np.stack([(contrast[:, place == k] ** 2).sum(axis=1) for k in range(shapes)], axis=1)
    own, between = (
        satterthwaite(np.where(weight > 0, weight * variance, 0.0), df, total)
        for variance, df in ((errors.variance, errors.df), (errors.between, errors.between_df))
    )
    pairs = tested(first, second, difference, Errors(*own, *between))
    # Welds that shape and block describe to the last digit are copies, or rounded: no scatter is known.
    p = np.where(squares.sum() == 0, np.nan, pairs.p)
    welds = np.bincount(place, minlength=shapes)
    known = layout.linked[first, second] & (welds[first] > 1) & (welds[second] > 1)
    p = np.where(known, p, np.nan)
    return pairs._replace(p=p), errors.variance


def _best(layout: Layout, mean: Floats, pairs: PairTests, variance: Floats, settings: RankSettings) -> Floats:
    """Probability that each mean is the highest: draws around the means, which share what blocks leave in common.

    One t distribution for all, with the fewest degrees of freedom of any pair.
    """
    shapes = len(mean)
    if shapes == 1:
        return np.ones(1)
    if np.isnan(pairs.p).any():
        return np.full(shapes, np.nan)
    # Only differences between shapes count: each less the mean of all, so that blocks drop out.
    weights = layout.weights - layout.weights.mean(axis=0)
    spread = (weights * variance[layout.place]) @ weights.T
    # What is common to all changes no difference, and makes the matrix one that has a root.
    spread += np.trace(spread) / shapes
    spread[np.diag_indices(shapes)] *= 1 + 1e-12
    rng = np.random.default_rng(settings.seed)
    normal = rng.standard_normal((settings.draws, shapes))
    freedom = float(pairs.df.min())
    if np.isfinite(freedom):
        normal *= np.sqrt(freedom / rng.chisquare(freedom, (settings.draws, 1)))
    root = np.linalg.cholesky(spread) if np.trace(spread) > 0 else np.zeros_like(spread)
    best = (mean + normal @ root.T).argmax(axis=1)
    return np.bincount(best, minlength=shapes) / settings.draws
