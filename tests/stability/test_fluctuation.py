"""Fluctuation of awkward series, and its parts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from poolwatch.model.errors import MeasurementError, UsageError
from poolwatch.stability import Series, StabilitySettings, fluctuation
from poolwatch.stability.fluctuation import energy

SETTINGS = StabilitySettings()


def test_a_constant_series_does_not_fluctuate() -> None:
    f = fluctuation(Series("x", np.full(300, 2.0), 1000.0), SETTINGS)
    assert (f.mean, f.mean_low, f.mean_high) == (2.0, 2.0, 2.0)
    assert (f.sd, f.cv, f.cv_low, f.cv_high) == (0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("mean", [0.0, -3.0])
def test_no_variation_about_a_mean_that_is_not_positive(mean: float) -> None:
    x = np.random.default_rng(1).standard_normal(400)
    f = fluctuation(Series("x", x - x.mean() + mean - 1e-9, 1000.0), SETTINGS)
    assert math.isnan(f.cv)
    assert math.isnan(f.cv_low)
    assert f.sd == pytest.approx(np.std(x), rel=0.05)


@pytest.mark.parametrize("n", [16, 17, 40, 101])
def test_short_series_give_finite_figures_in_order(n: int) -> None:
    x = 1 + 0.1 * np.random.default_rng(n).standard_normal(n)
    f = fluctuation(Series("x", x, 1000.0), SETTINGS)
    assert f.mean_low < f.mean < f.mean_high
    assert 0 <= f.cv_low <= f.cv <= f.cv_high < math.inf
    assert f.frames == n
    assert f.band_high_hz == 500.0


def test_too_few_frames() -> None:
    with pytest.raises(MeasurementError, match="pool_length: 10 measured frames"):
        fluctuation(Series("pool_length", np.ones(10), 1000.0), SETTINGS)
    with pytest.raises(UsageError, match="noise"):
        Series("x", np.ones(10), 1000.0, noise_sd=-1.0)


def test_a_random_walk_is_called_too_short() -> None:
    x = 10 + 0.01 * np.cumsum(np.random.default_rng(2).standard_normal(3000))
    assert fluctuation(Series("x", x, 1000.0), SETTINGS).too_short


def test_known_noise_larger_than_the_scatter_leaves_nothing() -> None:
    x = 1 + 0.01 * np.random.default_rng(3).standard_normal(800)
    f = fluctuation(Series("x", x, 1000.0, noise_sd=0.02), SETTINGS)
    assert f.sd == 0.0
    assert f.cv_low == 0.0


def test_scale_of_the_values_does_not_matter() -> None:
    x = 1 + 0.05 * np.convolve(np.random.default_rng(4).standard_normal(2009), np.ones(10) / 3, mode="valid")
    one, million = (fluctuation(Series("x", k * x, 1000.0), SETTINGS) for k in (1.0, 1e6))
    assert million.cv == pytest.approx(one.cv, rel=1e-9)
    assert million.cv_high == pytest.approx(one.cv_high, rel=1e-9)
    assert million.effective_n == pytest.approx(one.effective_n, rel=1e-9)


def test_drift_is_taken_out_only_where_it_stands_out() -> None:
    t = np.linspace(0, 1, 4000)
    x = 1 + 0.02 * np.random.default_rng(5).standard_normal(4000)
    assert energy(Series("x", x, 1000.0), SETTINGS).conditioned.cosines == 1
    drifting = energy(Series("x", x + 0.05 * t**2, 1000.0), SETTINGS)
    assert drifting.conditioned.cosines > 1
    assert drifting.total + drifting.restored == pytest.approx(4e-4, rel=0.06)


def test_series_are_left_as_they_were() -> None:
    x = 1 + 0.1 * np.random.default_rng(6).standard_normal(500)
    x[7] = np.nan
    before = x.copy()
    fluctuation(Series("x", x, 1000.0), SETTINGS)
    assert np.array_equal(x, before, equal_nan=True)


def test_a_mean_of_exactly_nothing_has_no_relative_fluctuation() -> None:
    values = np.random.default_rng(2).normal(size=1000)
    values = np.concatenate([values, -values])
    found = fluctuation(Series("pool_length", values, 1000.0), SETTINGS)
    assert found.mean == 0
    assert found.sd > 0
    assert np.isnan([found.cv, found.cv_low, found.cv_high]).all()


def test_a_steady_rise_among_slow_fluctuation_is_drift() -> None:
    """Red noise of 3,000 frames under a rise: what of it is not taken out is counted as fluctuation."""
    n, phi = 3000, 0.97
    above = 0
    for seed in range(120):
        g = np.random.default_rng([seed, 9])
        red = lfilter([1.0], [1.0, -phi], 0.25 * math.sqrt(1 - phi**2) * g.standard_normal(n))
        x = 2.5 + red + np.linspace(-0.2, 0.2, n) + 0.1 * g.standard_normal(n)
        above += fluctuation(Series("x", x, 5000.0), SETTINGS).cv_low > 0.1
    # With one test over all slow functions one in nine was; of 95 % intervals it is one in 40.
    assert above <= 0.1 * 120
