"""Gaps and drift."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.stability import Series, StabilitySettings
from poolwatch.stability.conditioning import condition
from poolwatch.stability.series import bridge, gaps, runs

SETTINGS = StabilitySettings()


def test_gaps_and_runs() -> None:
    seen = np.array([0, 1, 1, 0, 0, 1, 0], dtype=bool)
    assert gaps(seen).tolist() == [[0, 1], [3, 5], [6, 7]]
    assert runs(seen).tolist() == [[1, 3], [5, 6]]


def test_short_gaps_are_bridged_long_ones_and_ends_are_not() -> None:
    values = np.arange(20.0)
    values[[0, 4, 5, 19]] = np.nan
    values[8:14] = np.nan
    filled = bridge(values, 5)
    assert np.flatnonzero(np.isnan(filled)).tolist() == [0, 8, 9, 10, 11, 12, 13, 19]
    assert filled[4:6].tolist() == [4.0, 5.0]


@pytest.mark.parametrize("gap", [False, True])
@pytest.mark.parametrize("low", [2.0, 20.0, 60.0])
def test_drift_fit_is_that_of_plain_least_squares(gap: bool, low: float) -> None:
    # The normal equations by cosine transforms against a design matrix.
    n, rate = 600, 600.0
    generator = np.random.default_rng(1)
    values = 2 + np.linspace(0, 1, n) + 0.1 * generator.standard_normal(n)
    if gap:
        values[generator.random(n) < 0.1] = np.nan
        values[300:310] = np.nan
    c = condition(Series("x", values, rate), SETTINGS.conditioning, low_hz=low)
    t = (np.arange(n) + 0.5) / n
    design = np.stack(
        [np.cos(np.pi * k * t) for k in range(int(2 * low) + 1)] + [np.linspace(-1, 1, n)], axis=1
    )
    seen = np.isfinite(values)
    fitted = design @ np.linalg.lstsq(design[seen], values[seen], rcond=None)[0]
    assert c.drift[seen] == pytest.approx(fitted[seen], abs=2e-5)


@pytest.mark.parametrize(
    "shape", [lambda t: t, lambda t: t**2, lambda t: np.sin(2 * np.pi * t), lambda t: np.exp(-3 * t)]
)
def test_slow_drift_goes_and_a_tone_stays(shape) -> None:
    n, rate = 5000, 5000.0
    t = np.arange(n) / n
    tone = 0.02 * np.sin(2 * np.pi * 200 * t)
    c = condition(Series("x", 1 + 0.3 * shape(t) + tone, rate), SETTINGS.conditioning)
    assert np.std(c.values) == pytest.approx(0.02 / np.sqrt(2), rel=0.05)
    assert c.low_hz == pytest.approx(2.0)
