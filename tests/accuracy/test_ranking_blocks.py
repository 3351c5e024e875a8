"""Error rates, coverage and power of the ranking where blocks are taken out, on invented logits with known truth."""

from __future__ import annotations

import os
from collections.abc import Sequence

import numpy as np
import pytest
from scipy.stats import t

from poolwatch.trial import RankSettings
from poolwatch.trial.blocked import BlockedComparison, compare_in_blocks
from poolwatch.trial.blocks import lay_out
from poolwatch.trial.shape_means import compare_pairs, group_welds, t_intervals

QUICK = RankSettings(draws=1000)
TRIALS = int(os.environ.get("POOLWATCH_BLOCK_TRIALS", "500"))
# Two standard errors of a rate of 5 %.
CHANCE = 2 * (0.05 * 0.95 / TRIALS) ** 0.5


def stood(welds: Sequence[int], each: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Shape and block of each weld: shapes fill the blocks from the first on, `each` welds a block."""
    return np.repeat(np.arange(len(welds)), welds), np.concatenate([np.arange(n) // each for n in welds])


def compared(shape: np.ndarray, block: np.ndarray, value: np.ndarray) -> BlockedComparison:
    unknown = np.full(len(value), np.nan)
    groups = group_welds(shape, value, unknown, prior_df=QUICK.scatter_prior_df)
    return compare_in_blocks(
        lay_out(shape, [f"b{b}" for b in block], list(groups.names)), value, unknown, groups, QUICK
    )


def draws(
    rng: np.random.Generator, shape: np.ndarray, block: np.ndarray, sds: Sequence[float], between: float
) -> np.ndarray:
    scatter = rng.normal(0, np.asarray(sds)[shape])
    return np.asarray(scatter + between * rng.standard_normal(block.max() + 1)[block])


@pytest.mark.often("sds4", "sds12")
@pytest.mark.parametrize(
    ("sds", "welds", "each", "most"),
    [
        pytest.param([1.0] * 2, [3] * 2, 1, 0.05, marks=pytest.mark.long),
        ([1.0] * 4, [3] * 4, 1, 0.05),
        pytest.param([1.0] * 4, [4] * 4, 2, 0.05, marks=pytest.mark.long),
        pytest.param([1.0] * 5, [2, 3, 4, 5, 6], 1, 0.05, marks=pytest.mark.long),
        # Two shapes once a block: the paired test, whatever their scatter.
        ([1.0, 4.0], [3] * 2, 1, 0.05),
        pytest.param([1.0, 4.0], [6, 2], 1, 0.05, marks=pytest.mark.long),
        pytest.param([1.0, 1.0, 3.0], [4] * 3, 1, 0.055, marks=pytest.mark.long),
        pytest.param([1.0, 1.0, 1.0, 4.0], [4] * 4, 1, 0.05, marks=pytest.mark.long),
        pytest.param([1.0, 4.0, 4.0, 4.0], [4] * 4, 1, 0.05, marks=pytest.mark.long),
        pytest.param([1.0, 1.0, 4.0], [3] * 3, 1, 0.06, marks=pytest.mark.long),
        # What few welds cannot keep: the shares that the ranking's note names.
        pytest.param([1.0, 1.0, 4.0], [6, 6, 3], 1, 0.11, marks=pytest.mark.long),
        pytest.param([1.0, 4.0], [6, 3], 2, 0.11, marks=pytest.mark.long),
        ([1.0, 1.0, 4.0], [6, 6, 2], 1, 0.18),
    ],
)
def test_rate_of_false_differences(sds: list[float], welds: list[int], each: int, most: float) -> None:
    """It does not hang on what blocks differ by: here as much as welds scatter, or three times that."""
    rng = np.random.default_rng(33)
    shape, block = stood(welds, each)
    false = 0
    for n in range(TRIALS):
        value = draws(rng, shape, block, sds, 1.0 + 2.0 * (n % 2))
        false += compared(shape, block, value).pairs.apart(len(sds), 0.05).any()
    assert false / TRIALS <= most + CHANCE


def test_a_shape_that_stood_only_in_the_better_blocks_does_not_differ_for_it() -> None:
    """Without blocks one in five such trials shows a difference that is none."""
    rng = np.random.default_rng(34)
    shape, block = np.repeat([0, 1], 6), np.array([0, 0, 0, 0, 1, 1, 0, 1, 1, 1, 1, 1])
    false = plain = 0
    for _ in range(TRIALS):
        value = rng.normal(0, 1, 12) + 4.0 * block
        false += compared(shape, block, value).pairs.p[0] <= 0.05
        plain += compare_pairs(group_welds(shape, value, np.full(12, np.nan), prior_df=3.0)).p[0] <= 0.05
    assert false / TRIALS <= 0.05 + CHANCE
    assert plain / TRIALS > 0.1


@pytest.mark.long
@pytest.mark.parametrize(
    ("shapes", "welds", "shift"), [pytest.param(2, 6, 1.85, marks=pytest.mark.long), (4, 4, 3.1)]
)
def test_power_does_not_fall_with_what_blocks_differ_by(shapes: int, welds: int, shift: float) -> None:
    rng = np.random.default_rng(35)
    shape, block = stood([welds] * shapes)
    for between, gain in [(0.0, -0.15), (1.0, 0.1), (2.0, 0.4)]:
        told = plain = 0
        for _ in range(TRIALS):
            value = draws(rng, shape, block, [1.0] * shapes, between)
            value = value + shift / 2 * (shape == 0) - shift / 2 * (shape == 1)
            told += compared(shape, block, value).pairs.apart(shapes, 0.05)[0, 1]
            groups = group_welds(shape, value, np.full(len(value), np.nan), prior_df=3.0)
            plain += compare_pairs(groups).apart(shapes, 0.05)[0, 1]
        assert told / TRIALS > 0.65
        assert (told - plain) / TRIALS > gain


@pytest.mark.parametrize(
    ("between", "dropped"),
    [
        (2.0, 3),
        *(
            pytest.param(b, d, marks=pytest.mark.long)
            for b, d in [(0.0, 0), (1.0, 0), (2.0, 0), (0.0, 3), (1.0, 3)]
        ),
    ],
)
def test_intervals_cover_in_92_to_98_percent(between: float, dropped: int) -> None:
    """Of the means, also where they are moved, and of the differences."""
    rng = np.random.default_rng(36)
    means, differences = [], []
    truth = np.array([0.0, 0.4, -0.3])
    for _ in range(TRIALS):
        shape, block = stood([5] * 3)
        keep = np.sort(rng.permutation(15)[dropped:])
        shape, block = shape[keep], block[keep]
        value = truth[shape] + draws(rng, shape, block, [0.3] * 3, 0.3 * between)
        found = compared(shape, block, value)
        low, high = t_intervals(found.units, 0.95)
        means.append((low <= truth) & (truth <= high))
        true = truth[found.pairs.first] - truth[found.pairs.second]
        score = np.abs(found.pairs.difference - true) / found.pairs.error
        differences.append(score <= t.ppf(0.975, found.pairs.df))
    assert 0.92 <= np.mean(means) <= 0.98
    assert 0.92 <= np.mean(differences) <= 0.98
