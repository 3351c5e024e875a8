"""Keyhole collapses: found with their depth and duration; noise, drift and gaps make none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from poolwatch.measure.score import _collapse_rate
from poolwatch.stability import Series, StabilitySettings, collapses

SETTINGS = StabilitySettings()


def keyhole(values: np.ndarray, rate: float = 5000.0) -> Series:
    return Series("keyhole_brightness", values, rate)


@pytest.mark.parametrize("gain", [1.0, 0.1])
def test_planted_collapses_are_found(gain: float) -> None:
    generator = np.random.default_rng(3)
    values = 0.6 * (1 + 0.1 * generator.standard_normal(8000))
    starts = np.array([300, 1500, 4444, 7000])
    for start in starts:
        values[start : start + 12] *= 0.25
    found = collapses(keyhole(gain * values), SETTINGS)
    assert found.frames == pytest.approx(starts, abs=1)
    assert found.duration_s == pytest.approx(12 / 5000, abs=1.1 / 5000)
    assert found.depth == pytest.approx(0.79, abs=0.06)
    assert found.per_s == pytest.approx(4 / 1.6)
    assert found.share == pytest.approx(48 / 8000, rel=0.05)


@pytest.mark.parametrize("noise", [0.02, 0.15, 0.3])
def test_noise_makes_no_event(noise: float) -> None:
    values = 0.6 * (1 + noise * np.random.default_rng(5).standard_normal(50_000))
    assert len(collapses(keyhole(values), SETTINGS).frames) == 0


def test_hysteresis_joins_a_collapse_that_flickers() -> None:
    values = np.ones(2000)
    values[500:520] = np.tile([0.3, 0.6], 10)
    found = collapses(keyhole(values), SETTINGS)
    assert found.frames.tolist() == [500]
    assert found.stops.tolist() == [520]


def test_slow_drift_is_no_collapse_and_does_not_hide_one() -> None:
    values = np.linspace(1.0, 0.35, 20_000)
    values[15_000:15_020] *= 0.4
    found = collapses(keyhole(values), SETTINGS)
    assert found.frames.tolist() == [15_000]
    assert found.depth == pytest.approx([0.6], abs=0.02)


def test_a_long_gap_ends_a_collapse_and_missing_frames_are_no_time() -> None:
    values = np.ones(1000)
    values[100:110] = 0.2
    values[110:200] = np.nan
    found = collapses(keyhole(values), SETTINGS)
    assert found.stops.tolist() == [110]
    assert found.per_s == pytest.approx(1 / (910 / 5000))


def test_share_of_time_does_not_depend_on_the_rate() -> None:
    fine = np.ones(100_000)
    for start in np.random.default_rng(8).integers(0, 99_000, 60):
        fine[start : start + 30] = 0.2
    shares = [collapses(keyhole(fine[::step], 50_000 / step), SETTINGS).share for step in (1, 2, 5)]
    assert shares == pytest.approx([shares[0]] * 3, rel=0.05)


def test_nothing_measured() -> None:
    found = collapses(keyhole(np.full(50, np.nan)), SETTINGS)
    assert len(found.frames) == 0
    assert np.isnan(found.per_s)


def test_rate_of_few_collapses_has_the_exact_interval_of_a_poisson_count() -> None:
    """Garwood 1936 by quantiles of chi-square; for 3 events the published limits are 0.619 and 8.767 (from memory)."""
    values = np.full(5000, 0.6)
    for start in (300, 1500, 4444):
        values[start : start + 12] *= 0.25
    row = _collapse_rate(collapses(keyhole(values), SETTINGS))
    assert row["keyhole_collapses_per_s"] == pytest.approx(3.0)
    ends = [row[f"keyhole_collapses_per_s_{end}"] for end in ("low", "high")]
    np.testing.assert_allclose(ends, [0.619, 8.767], atol=5e-4)
    np.testing.assert_allclose(ends, [stats.chi2.ppf(0.025, 6) / 2, stats.chi2.ppf(0.975, 8) / 2])
    nothing = _collapse_rate(collapses(keyhole(np.full(100, np.nan)), SETTINGS))
    assert list(nothing) == ["keyhole_collapses_per_s"]
