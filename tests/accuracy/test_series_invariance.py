"""The same weld gives the same figures at another rate, noise, scale, gain, depth and length."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from poolwatch.stability import (
    PartSeries,
    Series,
    StabilitySettings,
    collapse_share,
    events,
    fluctuation,
    level,
    stability_index,
    variation,
)

SETTINGS = StabilitySettings()
RATE = 8000.0
N = 16_000


def red_noise(generator: np.random.Generator, n: int, phi: float) -> np.ndarray:
    steps = generator.standard_normal(n) * math.sqrt(1 - phi**2)
    steps[0] /= math.sqrt(1 - phi**2)
    return lfilter([1.0], [1.0, -phi], steps)


def weld(seed: int, phi: float = 0.95) -> np.ndarray:
    """Pool length relative to its mean, no measurement noise: two tones and red noise."""
    generator = np.random.default_rng(seed)
    t = np.arange(N) / RATE
    tones = 0.03 * np.sin(2 * np.pi * 183.0 * t) + 0.015 * np.sin(2 * np.pi * 611.0 * t)
    return 1 + tones + 0.03 * red_noise(generator, N, phi)


def cv(values: np.ndarray, rate: float = RATE) -> float:
    return fluctuation(Series("pool_length", values, rate), SETTINGS).cv


@pytest.mark.parametrize("seed", range(4))
def test_variation_is_that_of_the_weld_whatever_the_recording(seed: int) -> None:
    generator = np.random.default_rng(100 + seed)
    true = weld(seed)
    own = float(np.std(true) / np.mean(true))
    white = generator.standard_normal(N)
    base = cv(120 * true + 1.0 * white)
    assert base == pytest.approx(own, rel=0.05)
    assert cv(120 * true + 2.0 * white) == pytest.approx(base, rel=0.05), "twice the noise"
    assert cv(60 * true + 1.0 * white) == pytest.approx(base, rel=0.05), "half the scale"
    assert cv((120 * true + white)[::2], RATE / 2) == pytest.approx(base, rel=0.05), "half the rate"
    assert cv(np.round(120 * true + white)) == pytest.approx(base, rel=0.05), "whole pixels"
    assert cv((120 * true + white)[: N // 2]) == pytest.approx(base, rel=0.1), "half the length"
    drift = 1 + 0.08 * np.cos(2 * np.pi * 0.7 * np.arange(N) / N)
    assert cv((120 * true + white) * drift) == pytest.approx(base, rel=0.05), "slow drift of gain"
    lost = 120 * true + white
    lost[generator.random(N) < 0.05] = np.nan
    lost[5000:5400] = np.nan
    assert cv(lost) == pytest.approx(base, rel=0.05), "gaps"


@pytest.mark.parametrize("tone", [0.01, 0.05])
def test_a_tone_alone_in_camera_noise(tone: float) -> None:
    t = np.arange(6000) / RATE
    true = tone / math.sqrt(2)
    for noise in (0.005, 0.01):
        values = 1 + tone * np.sin(2 * np.pi * 210.3 * t)
        values += noise * np.random.default_rng(3).standard_normal(6000)
        f = fluctuation(Series("pool_width", 100 * values, RATE), SETTINGS)
        assert f.cv == pytest.approx(true, rel=0.05)
        assert f.noise_sd == pytest.approx(100 * noise, rel=0.03)
        assert f.noise_known


@pytest.mark.parametrize("phi", [0.6, 0.8, 0.95])
def test_red_noise_up_to_half_the_rate_is_not_taken_for_measurement_noise(phi: float) -> None:
    values = 1 + 0.05 * red_noise(np.random.default_rng(7), N, phi)
    f = fluctuation(Series("keyhole", values, RATE), SETTINGS)
    assert f.cv == pytest.approx(np.std(values) / np.mean(values), rel=0.02)
    assert f.noise_sd < 0.2 * 0.05


def test_white_alone_counts_as_the_pools_own_and_says_that_nothing_tells() -> None:
    values = 1 + 0.05 * np.random.default_rng(8).standard_normal(4000)
    f = fluctuation(Series("keyhole", values, RATE), SETTINGS)
    assert f.cv == pytest.approx(0.05, rel=0.05)
    assert not f.noise_known
    known = fluctuation(Series("keyhole", values, RATE, noise_sd=0.04), SETTINGS)
    assert known.cv == pytest.approx(0.03, rel=0.08)
    assert known.noise_known


def test_band_counts_what_lies_in_it() -> None:
    t = np.arange(N) / RATE
    values = 1 + 0.03 * np.sin(2 * np.pi * 183 * t) + 0.05 * np.sin(2 * np.pi * 2011 * t)
    values += 0.01 * np.random.default_rng(1).standard_normal(N)
    f = fluctuation(Series("x", values, RATE), SETTINGS, band_hz=(50.0, 1000.0))
    assert f.cv == pytest.approx(0.03 / math.sqrt(2), rel=0.03)
    assert (f.band_low_hz, f.band_high_hz) == (50.0, 1000.0)


def parts(
    seed: int, *, gain: float = 1.0, scale: float = 1.0, step: int = 1, n: int = N, bits: int = 0
) -> dict[str, PartSeries]:
    """Index parts of one simulated clip as another recording of it would give them."""
    generator = np.random.default_rng(1000 + seed)
    length = 120 * weld(seed)
    width = 60 * weld(seed + 40)
    shine = 0.6 * (1 + 0.1 * red_noise(generator, N, 0.9))
    for start in generator.integers(0, N - 100, 6):
        shine[start : start + 40] *= 0.2
    agitation = 0.07 * (1 + 0.15 * red_noise(generator, N, 0.6))
    at = np.sort(generator.uniform(0, N, 80))
    noise = generator.standard_normal((2, N))
    shine *= gain
    if bits:
        shine = np.round(shine * 2**bits) / 2**bits
    cut = slice(0, n, step)
    rate = RATE / step
    frames = len(range(*cut.indices(N)))
    at = at[at < n] / step
    mm = 60.0 * frames / rate
    lines = {
        "pool_length": scale * length + noise[0],
        "pool_width": scale * width + noise[1],
        "pool_area": scale**2 * length * width,
    }
    result = {name: variation(Series(name, values[cut], rate, "px")) for name, values in lines.items()}
    result["agitation"] = level(Series("agitation", agitation[cut], rate))
    result["keyhole"] = variation(Series("keyhole", shine[cut], rate))
    result["collapses"] = collapse_share(Series("keyhole", shine[cut], rate))
    result["spatter_count"] = events(at, frames, mm)
    result["spatter_mass"] = events(at, frames, mm / 1000, amounts=np.full(len(at), 0.01))
    return result


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "recording",
    [
        {"gain": 0.5},
        {"bits": 8},
        {"gain": 0.5, "bits": 8},
        {"scale": 0.5},
        {"scale": 2.0},
        {"step": 2},
        {"n": N // 2},
    ],
    ids=[
        "half the gain",
        "8 bits",
        "half the gain at 8 bits",
        "half the scale",
        "twice the scale",
        "half the rate",
        "half as long",
    ],
)
def test_index_does_not_change_beyond_its_interval(seed: int, recording: dict) -> None:
    base = stability_index(parts(seed), SETTINGS)
    other = stability_index(parts(seed, **recording), SETTINGS)
    assert base.low <= other.value <= base.high
    assert other.low <= base.value <= other.high
    assert base.left_out == ()
    if "n" not in recording:
        assert other.value == pytest.approx(base.value, abs=1.5)
