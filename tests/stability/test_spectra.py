"""Spectra against analytic facts, and peaks in real series."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter, welch

from poolwatch.model.errors import MeasurementError, UsageError
from poolwatch.stability import Series, StabilitySettings, peaks, spectrum
from poolwatch.stability.conditioning import band_pass, condition
from poolwatch.stability.spectra import welch_dof

SETTINGS = StabilitySettings()
RATE = 10_000.0


def red_noise(generator: np.random.Generator, n: int, phi: float) -> np.ndarray:
    steps = generator.standard_normal(n) * math.sqrt(1 - phi**2)
    steps[0] /= math.sqrt(1 - phi**2)
    return lfilter([1.0], [1.0, -phi], steps)


@pytest.mark.parametrize("phi", [0.0, 0.9])
@pytest.mark.parametrize("n", [500, 1001, 8000])
@pytest.mark.parametrize("gaps", [False, True])
def test_integral_is_the_variance_of_the_conditioned_signal(phi: float, n: int, gaps: bool) -> None:
    # Parseval; the density is scaled so that it holds to rounding.
    generator = np.random.default_rng(n)
    values = 3 + 0.1 * red_noise(generator, n, phi)
    if gaps:
        values[generator.random(n) < 0.03] = np.nan
        values[200:230] = np.nan
    series = Series("pool_length", values, RATE, "mm")
    s = spectrum(series, SETTINGS)
    c = condition(series, SETTINGS.conditioning)
    assert np.sum(s.psd) * s.frequency_hz[1] == pytest.approx(np.mean(c.values[c.seen] ** 2), rel=1e-12)
    assert s.unit == "(mm)²/Hz"
    assert s.resolution_hz == pytest.approx(RATE / n)


def test_one_sided_level_of_white_noise() -> None:
    # sigma²/(rate/2): sigma 2 at 10 kHz gives 8.000e-4 (analytic).
    values = 2 * np.random.default_rng(1).standard_normal(200_000)
    s = spectrum(Series("x", values, RATE), SETTINGS)
    assert np.mean(s.psd[2:-1]) == pytest.approx(8e-4, rel=0.01)
    assert np.mean(s.red_noise[2:-1]) == pytest.approx(8e-4, rel=0.015)


def test_area_of_a_sinusoid() -> None:
    # A²/2; A = 3 gives 4.5 (analytic). Hann spreads a tone of whole periods over three bins: 1/6, 2/3, 1/6.
    size = 1024
    t = np.arange(8192)
    values = 3 * np.sin(2 * np.pi * 128 * t / size) + 1e-6 * np.random.default_rng(1).standard_normal(len(t))
    s = spectrum(Series("x", values, RATE), SETTINGS)
    assert s.segment_frames == size
    step = s.frequency_hz[1]
    top = int(np.argmax(s.psd))
    assert s.frequency_hz[top] == pytest.approx(1250.0)
    assert np.sum(s.psd[top - 2 : top + 3]) * step == pytest.approx(4.5, rel=1e-3)
    # Noise bandwidth of Hann: 1.5 bins (Harris 1978, doi:10.1109/PROC.1978.10837, table I, from memory).
    assert np.sum(s.psd[top - 2 : top + 3]) / s.psd[top] == pytest.approx(1.5, rel=1e-3)


def test_ar1_spectrum() -> None:
    # S(f) = 2/|1 - phi e^(-i 2 pi f)|² for unit steps at rate 1: S(0.1) = 5.787492 at phi 0.8 (analytic).
    values = red_noise(np.random.default_rng(4), 400_000, 0.8) / math.sqrt(1 - 0.64)
    s = spectrum(
        Series("x", values, 1.0), StabilitySettings.checked({"spectrum": {"segments": 199}}, where="test")
    )
    theory = 2 / np.abs(1 - 0.8 * np.exp(-2j * np.pi * s.frequency_hz)) ** 2
    near = np.abs(s.frequency_hz - 0.1) < 0.005
    assert np.mean(s.psd[near]) == pytest.approx(5.787492, rel=0.03)
    assert s.red_noise[3:-1] == pytest.approx(theory[3:-1], rel=0.03)


def test_scatter_of_welch_bins() -> None:
    # Welch 1967: (1/K)(1 + 2/36 (K - 1)/K) for half-overlapping Hann segments; K = 15 gives 0.07012.
    assert 2 / welch_dof(15) == pytest.approx(0.07012, abs=2e-5)
    generator = np.random.default_rng(9)
    power = []
    for _ in range(150):
        s = spectrum(Series("x", generator.standard_normal(2048), RATE), SETTINGS)
        assert s.segments == 15
        power.append(s.psd[8:-4])
    power = np.array(power)
    assert np.mean(power.var(axis=0)) / np.mean(power) ** 2 == pytest.approx(0.07012, rel=0.06)


def test_same_shape_as_scipy() -> None:
    values = red_noise(np.random.default_rng(3), 8192, 0.7)
    s = spectrum(Series("x", values, RATE), SETTINGS)
    c = condition(Series("x", values, RATE), SETTINGS.conditioning)
    f, p = welch(c.values, RATE, "hann", s.segment_frames, detrend=False)
    assert s.frequency_hz == pytest.approx(f)
    scale = np.mean(c.values**2) / (np.sum(p) * f[1])
    assert s.psd == pytest.approx(p * scale, rel=1e-9)
    assert scale == pytest.approx(1.0, abs=0.02)


def test_alias() -> None:
    # Nyquist: 7 kHz at 10 000 frames a second shows at 3 kHz.
    t = np.arange(4000) / RATE
    values = 1 + 0.1 * np.sin(2 * np.pi * 7000 * t) + 0.02 * np.random.default_rng(1).standard_normal(4000)
    series = Series("x", values, RATE)
    (peak,) = peaks(spectrum(series, SETTINGS), series, SETTINGS)
    assert peak.frequency_hz == pytest.approx(3000, abs=0.5)


def test_sunspot_period() -> None:
    # Statsmodels dataset `sunspots`: "about 11 years"; resolution 1/309 per year.
    datasets = pytest.importorskip("statsmodels.datasets")
    values = datasets.sunspots.load_pandas().data["SUNACTIVITY"].to_numpy(dtype=np.float64)
    series = Series("sunspots", values, 1.0)
    s = spectrum(series, SETTINGS)
    assert s.resolution_hz == pytest.approx(1 / 309)
    found = peaks(s, series, SETTINGS)
    assert 1 / found[0].frequency_hz == pytest.approx(11.0, abs=0.5)


def test_two_near_tones_are_separated() -> None:
    t = np.arange(8000) / RATE
    values = 1 + 0.1 * np.sin(2 * np.pi * 500 * t) + 0.05 * np.sin(2 * np.pi * 506 * t + 1)
    values += 0.02 * np.random.default_rng(2).standard_normal(8000)
    series = Series("x", values, RATE)
    found = sorted(peaks(spectrum(series, SETTINGS), series, SETTINGS), key=lambda p: p.frequency_hz)
    assert [p.frequency_hz for p in found] == pytest.approx([500, 506], abs=0.2 * 1.25)
    assert [p.amplitude for p in found] == pytest.approx([0.1, 0.05], rel=0.05)


def test_a_broad_resonance_is_one_peak_with_a_width() -> None:
    # Damped oscillator driven by noise: pole at 400 Hz, half-power width about 60 Hz.
    radius, angle = math.exp(-math.pi * 60 / RATE), 2 * math.pi * 400 / RATE
    drive = np.random.default_rng(5).standard_normal(20_000)
    values = lfilter([1.0], [1.0, -2 * radius * math.cos(angle), radius**2], drive)
    values = 3 + 0.1 * values / values.std() + 0.02 * np.random.default_rng(6).standard_normal(20_000)
    series = Series("x", values, RATE)
    found = peaks(spectrum(series, SETTINGS), series, SETTINGS)
    assert found[0].frequency_hz == pytest.approx(400, abs=25)
    assert found[0].width_hz > 15
    assert found[0].amplitude == pytest.approx(0.1 * math.sqrt(2), rel=0.15)


def test_band() -> None:
    t = np.arange(8000) / RATE
    values = 1 + 0.1 * np.sin(2 * np.pi * 300 * t) + 0.1 * np.sin(2 * np.pi * 3000 * t)
    series = Series("x", values, RATE)
    s = spectrum(series, SETTINGS, band_hz=(100.0, 1000.0))
    assert np.sum(s.psd) * s.frequency_hz[1] == pytest.approx(0.005, rel=0.02)
    low = band_pass(values - values.mean(), RATE, 100, 1000)
    assert np.var(low) == pytest.approx(0.005, rel=0.02)


@pytest.mark.parametrize(
    "band", [(-1.0, 100.0), (200.0, 100.0), (9000.0, 12000.0), (100.0, 100.1), (math.nan, 1.0)]
)
def test_bands_that_cannot_be(band: tuple[float, float]) -> None:
    with pytest.raises(UsageError, match="band"):
        spectrum(Series("x", np.ones(1000), RATE), SETTINGS, band_hz=band)


def test_too_few_frames() -> None:
    values = np.full(100, np.nan)
    values[:15] = 1.0
    with pytest.raises(MeasurementError, match="15 measured frames"):
        spectrum(Series("x", values, RATE), SETTINGS)


def test_a_constant_series_has_no_peak() -> None:
    series = Series("x", np.full(1000, 2.0), RATE)
    s = spectrum(series, SETTINGS)
    assert s.psd == pytest.approx(0.0, abs=1e-25)
    assert peaks(s, series, SETTINGS) == ()


@pytest.mark.parametrize(
    ("values", "rate", "match"),
    [
        (np.ones((2, 2)), 1.0, "shape"),
        (np.array([1.0, np.inf]), 1.0, "infinity"),
        (np.ones(3), 0.0, "rate"),
        (np.ones(3), math.nan, "rate"),
    ],
)
def test_series_refuses_nonsense(values: np.ndarray, rate: float, match: str) -> None:
    with pytest.raises(UsageError, match=match):
        Series("x", values, rate)
