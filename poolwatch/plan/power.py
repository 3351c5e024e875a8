"""How many welds of each shape tell a difference: power of the test that the ranking makes.

The ranking compares logits of the index by t tests on variances drawn towards the common one, corrected after
Holm. No closed form gives its power; it is counted over simulated trials, the same ones each time. Where blocks
(days, sheets, batches) hold every shape once, the ranking takes out what they differ by and pays with degrees of
freedom.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from ..experiment.comparing import draw_variances, pair_tests
from ..model.errors import UsageError
from ..model.settings import Settings
from .pilot import points_to_logit

Floats = NDArray[np.float64]
MOST_WELDS = 200


class ComparisonDesign(Settings):
    """What is to be told apart, and by which test.

    Attributes
    ----------
    shapes
        Beam shapes in the trial. All pairs are tested; the more there are, the stricter each test.
    scatter
        Standard deviation of the logit of the index from weld to weld of one shape; within a block where `blocked`.
    within
        Standard error within a weld, logit scale; part of `scatter`.
    around
        Index half-way between the two shapes.
    alpha
        Share of trials of like shapes in which any two may be found to differ; as in the ranking.
    prior_df
        Degrees of freedom with which each shape's variance is drawn towards the common one; as in the ranking.
    blocked
        Whether each block holds every shape once, so that there are as many blocks as welds of a shape.
    trials
        Simulated trials: 20,000 know a power to ± 0.7 points (95 %).
    seed
        Of the random numbers.
    """

    shapes: int = Field(default=2, ge=2, le=30)
    scatter: float = Field(gt=0, le=10)
    within: float = Field(default=0.0, ge=0, le=10)
    around: float = Field(default=50.0, gt=0, lt=100)
    alpha: float = Field(default=0.05, gt=0, lt=0.5)
    prior_df: float = Field(default=3.0, ge=0)
    blocked: bool = False
    trials: int = Field(default=20_000, ge=500, le=1_000_000)
    seed: int = Field(default=8_191, ge=0)


@dataclass(frozen=True)
class WeldPlan:
    """How many welds of each shape.

    Attributes
    ----------
    welds
        Of each shape.
    power
        Chance that the two shapes are told apart with so many.
    difference
        Points between the two.
    by_welds
        Power by number of welds, around `welds`.
    """

    welds: int
    power: float
    difference: float
    by_welds: dict[int, float]


def power(comparison: ComparisonDesign, difference: float, welds: int) -> float:
    """Chance that two shapes `difference` points apart are told apart, all other shapes half-way between them.

    Parameters
    ----------
    comparison
        The test and the scatter.
    difference
        Points of the index between the two, half above and half below `ComparisonDesign.around`.
    welds
        Of each shape, 2 or more.

    Raises
    ------
    UsageError
        The difference reaches beyond 0 to 100, or fewer than 2 welds.
    """
    if welds < 2:
        raise UsageError("one weld a shape says nothing of the scatter from weld to weld; plan 2 or more")
    half = points_to_logit(difference / 2, comparison.around)
    return _counted(comparison, half, welds)


def _counted(comparison: ComparisonDesign, half: float, welds: int) -> float:
    k = comparison.shapes
    rng = np.random.default_rng(comparison.seed)
    told, left = 0, comparison.trials
    # In pieces, so that thirty shapes of two hundred welds need no memory to speak of.
    piece = max(100, int(2e6 / (k * (max(k, welds) if comparison.blocked else k))))
    while left:
        count = min(piece, left)
        mean = rng.normal(0, comparison.scatter / math.sqrt(welds), (count, k))
        mean[:, 0] += half
        mean[:, 1] -= half
        if comparison.blocked:
            # Of n blocks n - 1 contrasts are left, each of them less its mean over the shapes.
            within = rng.normal(0, comparison.scatter, (count, welds - 1, k))
            squares = ((within - within.mean(axis=2, keepdims=True)) ** 2).sum(axis=1)
        else:
            squares = comparison.scatter**2 * rng.chisquare(welds - 1, (count, k))
        told += int(first_pair_apart(comparison, mean, squares, welds).sum())
        left -= count
    return told / comparison.trials


def first_pair_apart(
    comparison: ComparisonDesign, mean: Floats, squares: Floats, welds: int
) -> NDArray[np.bool_]:
    """Whether the ranking's test tells the first two shapes apart, trial by trial.

    Parameters
    ----------
    comparison
        `within`, `alpha`, `prior_df` and `blocked` are used.
    mean
        Mean logit of each shape, shape (trials, shapes).
    squares
        Sum of squared departures from it over the welds, shape (trials, shapes); of residuals where `blocked`.
    welds
        Of each shape.

    Returns
    -------
    NDArray
        Shape (trials,).
    """
    _, k = mean.shape
    # Blocks take as much of the prior as of a shape's degrees of freedom, as in the ranking.
    share = (k - 1) / k if comparison.blocked else 1
    own = share * (welds - 1)
    total = round(k * own)
    errors = draw_variances(
        squares, np.full(k, own), comparison.within**2, total, prior_df=comparison.prior_df * share
    )
    tests = pair_tests(mean, errors.times(1 / welds), total)
    return np.asarray(tests.p_holm[:, 0] <= comparison.alpha)


def welds_needed(comparison: ComparisonDesign, difference: float, wanted: float = 0.8) -> WeldPlan:
    """Fewest welds of each shape that tell a difference with a wanted power.

    Parameters
    ----------
    comparison
        The test and the scatter.
    difference
        Points of the index.
    wanted
        Power, 0.5 to 0.999.

    Raises
    ------
    UsageError
        More than 200 welds a shape would be needed; the message says what 200 can tell.
    """
    if not 0.5 <= wanted <= 0.999:
        raise UsageError(f"the power wanted must be between 0.5 and 0.999, got {wanted:g}")
    found: dict[int, float] = {}

    def of(welds: int) -> float:
        if welds not in found:
            found[welds] = power(comparison, difference, welds)
        return found[welds]

    high = 2
    while of(high) < wanted:
        if high >= MOST_WELDS:
            least = detectable(comparison, MOST_WELDS, wanted)
            raise UsageError(
                f"a difference of {difference:g} points needs more than {MOST_WELDS} welds of each shape at this "
                f"scatter. {MOST_WELDS} welds show {least:.2g} points: ask for a larger difference, or find what "
                "makes the welds scatter"
            )
        high = min(high * 2, MOST_WELDS)
    low = max(high // 2, 1)
    while high - low > 1:
        middle = (low + high) // 2
        if of(middle) < wanted:
            low = middle
        else:
            high = middle
    around = sorted({max(2, high + step) for step in (-2, -1, 0, 1, 2)})
    return WeldPlan(high, of(high), difference, {welds: of(welds) for welds in around})


def detectable(comparison: ComparisonDesign, welds: int, wanted: float = 0.8) -> float:
    """Smallest difference in index points that so many welds of each shape tell with a wanted power.

    Raises
    ------
    UsageError
        Fewer than 2 welds, or not even the largest difference that fits between 0 and 100 is told.
    """
    if welds < 2:
        raise UsageError("one weld a shape says nothing of the scatter from weld to weld; plan 2 or more")
    most = 2 * min(comparison.around, 100 - comparison.around) * 0.999
    high = points_to_logit(most / 2, comparison.around)
    if _counted(comparison, high, welds) < wanted:
        raise UsageError(
            f"{welds} welds of each shape show no difference around an index of {comparison.around:g} with "
            f"a power of {wanted:g} at this scatter; plan more welds"
        )
    low = 0.0
    while high - low > 0.002 * high:
        middle = (low + high) / 2
        if _counted(comparison, middle, welds) >= wanted:
            high = middle
        else:
            low = middle
    return _points(high, comparison.around)


def _points(half: float, around: float) -> float:
    """Points D with `points_to_logit(D / 2, around) == half`: the inverse, by bisection (it rises with D)."""
    low, high = 0.0, min(around, 100 - around)
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if points_to_logit(middle, around) < half else (low, middle)
    return 2 * low
