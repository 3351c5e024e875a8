"""The small steps behind spectra, collapses and blocks, each against what can be worked out by hand."""

from __future__ import annotations

import itertools
from dataclasses import fields, replace

import numpy as np
import pytest

from poolwatch.stability import Series, StabilitySettings, block_length, collapses, peaks, spectrum
from poolwatch.stability.background import TAPERS, Background, _grouped
from poolwatch.stability.peaks import _excess, _hot

SETTINGS = StabilitySettings()


@pytest.mark.parametrize("robust", [False, True])
def test_groups_of_bins_by_hand(robust: bool) -> None:
    rng = np.random.default_rng(1)
    frequency, power = np.arange(30.0), rng.exponential(size=30)
    keep = np.ones(30, dtype=bool)
    keep[[4, 17]] = False
    groups, start = np.array([0, 1, 4, 8, 13, 14, 20]), 3
    f, p, count = _grouped(frequency, power, keep, groups, start, robust)
    cut = [np.arange(a, b) + start for a, b in itertools.pairwise(groups)]
    kept = [part[keep[part]] for part in cut]
    assert count.tolist() == [len(k) for k in kept if len(k)]
    np.testing.assert_allclose(f, [frequency[k].mean() for k in kept if len(k)])
    if robust:
        # The median of chi-square with k degrees of freedom is about k (1 - 2/(9k))³ (Wilson & Hilferty 1931).
        factor = (1 - 2 / (18 * TAPERS)) ** 3
        expected = [np.median(power[c]) / factor for c, k in zip(cut, kept, strict=True) if len(k)]
    else:
        expected = [power[k].mean() for k in kept if len(k)]
    np.testing.assert_allclose(p, expected)


def test_short_series_have_block_lengths_too() -> None:
    slow = np.sin(np.arange(12) / 3.0)
    assert min(block_length(slow)) > 1
    assert block_length(slow[:7]) == (1.0, 1.0)


def test_collapse_where_noise_cannot_be_known() -> None:
    # Two frames have no second difference: no noise is known, and none is made up.
    found = collapses(Series("keyhole_brightness", np.array([1.0, 0.05]), 1000.0), SETTINGS)
    assert found.frames.tolist() == [1]


def test_what_is_left_of_a_tone_is_not_called_a_second_one() -> None:
    """Once the tone is taken out, the highest of what noise leaves around it is no line."""
    rng = np.random.default_rng(6)
    n, rate = 6000, 5000.0
    for _ in range(20):
        tone = 0.014 * np.sin(2 * np.pi * 432.1 * np.arange(n) / rate + rng.uniform(0, 6.28))
        series = Series("pool_length", 2.0 + tone + 0.06 * rng.standard_normal(n), rate)
        found = peaks(spectrum(series, SETTINGS), series, SETTINGS)
        assert [round(p.frequency_hz) for p in found if abs(p.frequency_hz - 432.1) < 30] == [432]


def test_neighbouring_bins_are_one_peak_and_the_ends_are_none() -> None:
    plain = spectrum(Series("pool_length", 2 + np.random.default_rng(1).normal(size=4000), 1000.0), SETTINGS)
    level = np.ones(30)
    psd = np.full(30, 0.5)
    psd[[0, 1, 2, 7, 9, 12, 28, 29]] = 2.0  # at most one bin between: 7 and 9 are one, 12 is another
    hot = replace(plain, frequency_hz=np.arange(30.0), psd=psd, peak_level=level, red_noise=level)
    assert _hot(hot) == [(1, 2), (7, 9), (12, 12), (28, 28)]
    # Above the continuum with a bin on either side: two bins of 1, bin width 1 Hz.
    assert _excess(hot, 7, 9) == pytest.approx(2.0)
    assert _excess(hot, 28, 28) == pytest.approx(2.0)


def test_a_background_between_red_and_white_adds_up() -> None:
    """AR(1) of the parameters phi and white share: integral over 0 … rate/2 is the variance."""
    b = Background(**{**_any_background(), "phi": 0.8, "white": 0.3, "variance": 2.5, "rate_hz": 1000.0})
    frequency = np.linspace(0, 500, 20_001)
    density = b.psd(frequency)
    assert np.trapezoid(density, frequency) == pytest.approx(2.5, rel=1e-3)
    # At half the rate the red part is (1 - phi)/(1 + phi) of its mean (Priestley 1981; from memory).
    assert density[-1] / (2.5 / 500) == pytest.approx(0.3 + 0.7 * 0.2 / 1.8, rel=1e-6)


def _any_background() -> dict[str, float]:
    return {field.name: 0.5 for field in fields(Background)}
