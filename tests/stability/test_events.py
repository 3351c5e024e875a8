"""Rates, bursts and event-triggered means."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from poolwatch.model.errors import UsageError
from poolwatch.stability import (
    Series,
    StabilitySettings,
    counts_per_window,
    event_triggered,
    fano,
    rate_interval,
)

SETTINGS = StabilitySettings()


def test_fano_of_poisson_counts() -> None:
    # F = 1 with standard deviation about sqrt(2/(n - 1)): analytic.
    found = fano(np.random.default_rng(0).poisson(4.0, 100_000))
    assert found.value == pytest.approx(1.0, abs=4 * np.sqrt(2 / 99_999))
    assert found.poisson_low < found.value < found.poisson_high
    assert found.poisson_high - 1 == pytest.approx(1.96 * np.sqrt(2 / 99_999), rel=0.02)


@pytest.mark.parametrize("mean", [0.2, 3.0])
def test_fano_interval_holds_for_poisson_and_not_for_bursts(mean: float) -> None:
    generator = np.random.default_rng(int(10 * mean))
    inside = bursts = 0
    for _ in range(400):
        one = fano(generator.poisson(mean, 40))
        inside += one.poisson_low <= one.value <= one.poisson_high
        many = fano(5 * generator.poisson(mean, 40))
        bursts += many.value > many.poisson_high
    assert 0.92 <= inside / 400 <= 0.98
    assert bursts > 390


def test_fano_without_counts_is_missing() -> None:
    assert np.isnan(fano(np.zeros(10, dtype=np.int64)).value)
    assert np.isnan(fano([3]).value)


@pytest.mark.parametrize(
    ("count", "low", "high"), [(0, 0.0, 3.6889), (1, 0.02532, 5.5716), (10, 4.7954, 18.3904)]
)
def test_exact_poisson_limits(count: int, low: float, high: float) -> None:
    # Garwood 1936: limits by chi-square; figures of the common table (from memory), recomputed here.
    found = rate_interval(count, 1.0)
    assert (found.low, found.high) == pytest.approx((low, high), abs=2e-4)
    assert found.high == pytest.approx(chi2.ppf(0.975, 2 * count + 2) / 2)
    per_mm = rate_interval(count, 20.0)
    assert per_mm.value == count / 20.0
    assert per_mm.high == pytest.approx(found.high / 20.0)


def test_rate_interval_covers_bursts_when_told_of_them() -> None:
    generator = np.random.default_rng(7)
    plain = aware = 0
    for _ in range(400):
        counts = 4 * generator.poisson(1.0, 50)
        for_bursts = rate_interval(int(counts.sum()), 50.0, fano=fano(counts).value)
        aware += for_bursts.low <= 4.0 <= for_bursts.high
        poisson = rate_interval(int(counts.sum()), 50.0)
        plain += poisson.low <= 4.0 <= poisson.high
    assert aware / 400 >= 0.92
    assert plain / 400 < 0.8


@pytest.mark.parametrize(("count", "duration"), [(-1, 1.0), (1, 0.0), (1, float("nan"))])
def test_rates_refuse_nonsense(count: int, duration: float) -> None:
    with pytest.raises(UsageError, match="duration above 0"):
        rate_interval(count, duration)


def test_counts_per_window() -> None:
    assert counts_per_window([0, 9.9, 10, 25, 31], 33, 10).tolist() == [2, 1, 1]
    with pytest.raises(UsageError, match="at least one frame"):
        counts_per_window([1], 10, 0)


def test_a_drop_before_ejections_is_found() -> None:
    generator = np.random.default_rng(1)
    values = 0.5 * (1 + 0.1 * generator.standard_normal(5000))
    events = np.sort(generator.choice(np.arange(50, 4950), 60, replace=False))
    for event in events:
        values[event - 10 : event] *= 0.8
    found = event_triggered(Series("keyhole", values, 5000.0), events, SETTINGS, before_s=0.002)
    assert found.before == pytest.approx(0.81, abs=0.03)
    assert found.p < 0.01
    assert found.events == 60
    assert len(found.lag_s) == len(found.mean) == 10 + 1 + 5
    assert found.lag_s[0] == pytest.approx(-0.002)


@pytest.mark.long
@pytest.mark.slow
def test_chance_is_not_called_a_link() -> None:
    # Slow red signal and bunched events, unrelated: p must be spread evenly.
    generator = np.random.default_rng(2)
    p = []
    for _ in range(150):
        slow = np.convolve(generator.standard_normal(3000), np.ones(40) / 40, mode="same")
        bunch = (generator.integers(0, 3000, 12)[:, None] + np.arange(5)).ravel()
        p.append(event_triggered(Series("keyhole", 1 + slow, 5000.0), bunch, SETTINGS).p)
    assert np.mean(np.array(p) < 0.05) < 0.1
    assert 0.4 < np.mean(p) < 0.6


def test_too_few_events_say_nothing() -> None:
    found = event_triggered(Series("keyhole", np.ones(1000), 1000.0), [5.0, 500.0], SETTINGS)
    assert np.isnan(found.p)
    assert np.isnan(found.before)
