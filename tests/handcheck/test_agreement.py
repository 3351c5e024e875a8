"""Bland and Altman's arithmetic against their own worked example, against SciPy, and against truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from poolwatch.handcheck.agreement import (
    agreement,
    between_ways,
    left_over,
    share_of,
    spread_of,
    within_subjects,
)

# Peak expiratory flow of 17 people, l/min: two readings by a large meter, two by a mini meter. Table 1 of Bland & Altman,
# Lancet 327 (1986) 307; typed from memory, as are the results below. That they agree to the digits given supports both.
FLOW = np.array(
    [
        (494, 490, 512, 525),
        (395, 397, 430, 415),
        (516, 512, 520, 508),
        (434, 401, 428, 444),
        (476, 470, 500, 500),
        (557, 611, 600, 625),
        (413, 415, 364, 460),
        (442, 431, 380, 390),
        (650, 638, 658, 642),
        (433, 429, 445, 432),
        (417, 420, 432, 420),
        (656, 633, 626, 605),
        (267, 275, 260, 227),
        (478, 492, 477, 467),
        (178, 165, 259, 268),
        (423, 372, 350, 370),
        (427, 421, 451, 443),
    ],
    dtype=float,
)


def test_worked_example_of_the_paper():
    found = agreement(FLOW[:, 0] - FLOW[:, 2])
    assert found.bias.value == pytest.approx(-2.1, abs=0.05)
    assert (found.bias.low, found.bias.high) == pytest.approx((-22.0, 17.8), abs=0.1)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    # The paper takes 2 standard deviations; 1.96 is what 95 % needs.
    assert found.bias.value - 2 * found.sd == pytest.approx(-79.7, abs=0.1)
    assert found.bias.value + 2 * found.sd == pytest.approx(75.5, abs=0.1)
    assert found.lower.value == pytest.approx(found.bias.value - 1.96 * found.sd, abs=0.01)
    # Its interval of a limit is symmetric, limit ± t sqrt(3 s²/n): −114.3 to −45.1; the exact one is not.
    half = stats.t.ppf(0.975, 16) * np.sqrt(3 * found.sd**2 / 17)
    assert half == pytest.approx(34.6, abs=0.1)
    assert found.lower.high - found.lower.low == pytest.approx(2 * half, rel=0.05)
    assert found.lower.low < found.lower.value - half


def test_worked_example_of_repeated_measurements():
    large, mini = within_subjects(FLOW[:, :2]), within_subjects(FLOW[:, 2:])
    # The paper gives standard deviations of the difference of two readings: 21.6 and 28.2 l/min.
    assert np.sqrt(2) * large.value == pytest.approx(21.6, abs=0.06)
    assert np.sqrt(2) * mini.value == pytest.approx(28.2, abs=0.06)
    means = FLOW[:, :2].mean(axis=1) - FLOW[:, 2:].mean(axis=1)
    assert means.std(ddof=1) == pytest.approx(33.2, abs=0.05)
    # Both ways repeated: their variances of one reading add up, and the paper's corrected figure is 37.7.
    both = spread_of(17 * (large.value**2 + mini.value**2), 17)
    assert agreement(means, repeat=both, markings=2).sd == pytest.approx(37.7, abs=0.05)


@pytest.mark.long
@pytest.mark.slow
def test_limit_interval_is_that_of_a_normal_quantile():
    # Owen's tolerance factor: 95 % confidence (one-sided) that 95 % lie below mean + 2.566 s with n = 15; from memory,
    # and as SciPy's noncentral t gives it. Here both ends of 1.96 at 95 % are checked by simulation.
    k = stats.nct.ppf(0.95, 14, stats.norm.ppf(0.95) * np.sqrt(15)) / np.sqrt(15)
    assert k == pytest.approx(2.566, abs=0.001)
    rng = np.random.default_rng(1)
    inside = np.zeros(3)
    for values in rng.normal(0.3, 2.0, size=(4000, 15)):
        found = agreement(values)
        true = (0.3, 0.3 - 1.96 * 2.0, 0.3 + 1.96 * 2.0)
        inside += [
            e.low <= t <= e.high for e, t in zip((found.bias, found.lower, found.upper), true, strict=True)
        ]
    assert inside / 4000 == pytest.approx(0.95, abs=0.01)


def test_intervals_agree_with_scipy():
    values = np.random.default_rng(2).normal(size=12)
    found = agreement(values)
    own = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    assert (found.bias.low, found.bias.high) == pytest.approx((own.low, own.high))
    share = share_of(7, 9)
    own = stats.binomtest(7, 9).proportion_ci(0.95, method="exact")
    assert (share.low, share.high) == pytest.approx((own.low, own.high))
    assert np.isnan(share_of(0, 0).value)


def test_persons_may_differ_in_the_mean():
    rng = np.random.default_rng(3)
    true = rng.normal(size=(400, 1))
    marked = true + rng.normal(scale=0.5, size=(400, 2)) + (0.0, 3.0)
    assert between_ways(marked).value == pytest.approx(0.5, rel=0.1)
    assert within_subjects(marked).value > 2
    assert between_ways(marked[:, :1]) is None
    assert within_subjects(marked[:, :1]) is None


def test_what_is_left_covers_the_truth():
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(1500):
        total = spread_of(float(rng.chisquare(14)) * (0.6**2 + 0.8**2), 14)
        hand = spread_of(float(rng.chisquare(15)) * 0.8**2, 15)
        found = left_over(total, hand)
        inside += found.low <= 0.6 <= found.high
    assert 0.93 < inside / 1500 < 0.985


def test_too_few():
    with pytest.raises(ValueError, match="at least 3 differences, got 2"):
        agreement([1.0, 2.0])
