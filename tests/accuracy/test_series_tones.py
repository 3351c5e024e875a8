"""Planted tones: frequency within 0.2/T, amplitude within 5 %; no peaks where there are none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from poolwatch.stability import Series, StabilitySettings, peaks, spectrum

SETTINGS = StabilitySettings()


def red_noise(generator: np.random.Generator, n: int, phi: float) -> np.ndarray:
    steps = generator.standard_normal(n) * math.sqrt(1 - phi**2)
    steps[0] /= math.sqrt(1 - phi**2)
    return lfilter([1.0], [1.0, -phi], steps)


@pytest.mark.parametrize("rate", [2000.0, 11_111.0])
@pytest.mark.parametrize(
    ("n", "phi", "red", "place", "gaps"),
    [
        (1000, 0.8, 0.01, 0.0667, 0.0),
        (3001, 0.9, 0.009, 0.0213, 0.0),
        (3001, 0.0, 0.02, 0.2411, 0.05),
        (8000, 0.95, 0.011, 0.0127, 0.05),
        (8000, 0.5, 0.06, 0.4431, 0.0),
    ],
)
def test_frequency_and_amplitude(
    rate: float, n: int, phi: float, red: float, place: float, gaps: float
) -> None:
    # The noise is such that the best possible fit scatters by at most 2 % of the amplitude; what a noisier series
    # can show, the standardised errors below test.
    generator = np.random.default_rng(round(n * place))
    frequency, amplitude = place * rate, 0.05
    standard_f, standard_a = [], []
    for _ in range(40):
        t = np.arange(n) / rate
        x = 1 + red * red_noise(generator, n, phi)
        x += amplitude * np.sin(2 * np.pi * (frequency * t + generator.random()))
        if gaps:
            x[generator.random(n) < gaps] = np.nan
            start = int(generator.integers(n // 10, n - n // 10))
            x[start : start + n // 30] = np.nan
        series = Series("pool_length", 80 * x, rate, "px")
        found = peaks(spectrum(series, SETTINGS), series, SETTINGS)
        peak = found[0]
        assert abs(peak.frequency_hz - frequency) < 0.2 * rate / n
        assert peak.amplitude == pytest.approx(80 * amplitude, rel=0.05)
        assert peak.width_hz == 0
        standard_f.append((peak.frequency_hz - frequency) / peak.frequency_u_hz)
        standard_a.append((peak.amplitude - 80 * amplitude) / peak.amplitude_u)
    # The uncertainties are honest: standardised errors spread by about 1.
    assert 0.7 < np.std(standard_f) < 1.4
    assert 0.7 < np.std(standard_a) < 1.4
    assert abs(np.mean(standard_f)) < 0.7
    assert abs(np.mean(standard_a)) < 0.7


def test_several_tones_on_red_noise_with_measurement_noise() -> None:
    rate, n = 5000.0, 6000
    t = np.arange(n) / rate
    planted = {87.9: 0.05, 312.3: 0.04, 1203.7: 0.03}
    for seed in range(10):
        generator = np.random.default_rng(seed)
        x = 1 + 0.02 * red_noise(generator, n, 0.9) + 0.02 * generator.standard_normal(n)
        for f, a in planted.items():
            x += a * np.sin(2 * np.pi * (f * t + generator.random()))
        series = Series("x", x, rate)
        found = peaks(spectrum(series, SETTINGS), series, SETTINGS)
        for f, a in planted.items():
            near = min(found, key=lambda p: abs(p.frequency_hz - f))
            assert abs(near.frequency_hz - f) < 0.2 * rate / n
            assert near.amplitude == pytest.approx(a, rel=0.05)


@pytest.mark.often("600-0.9")
@pytest.mark.parametrize(("n", "phi"), [(600, 0.0), (600, 0.9), (2500, 0.6), (2500, 0.97)])
def test_false_alarms_stay_below_the_stated_level(n: int, phi: float) -> None:
    settings = StabilitySettings.checked({"spectrum": {"false_alarm": 0.03}}, where="test")
    generator = np.random.default_rng(n + round(100 * phi))
    alarms = 0
    for _ in range(500):
        series = Series("x", 1 + 0.05 * red_noise(generator, n, phi), 5000.0)
        s = spectrum(series, settings)
        alarms += bool(peaks(s, series, settings))
    # 15 are expected; 23 are passed by chance in one of forty.
    assert alarms <= 23
