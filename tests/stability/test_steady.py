"""The steady part: ramps, steps and restlessness cut off; plain series, drift, gaps and spikes left alone."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from poolwatch.model.errors import UsageError
from poolwatch.stability import Series, StabilitySettings, steady_part

SETTINGS = StabilitySettings()
RATE = 4000.0
N = 6000
T = np.arange(N) / N


def red_noise(seed: int, n: int, phi: float) -> np.ndarray:
    steps = np.random.default_rng(seed).standard_normal(n) * math.sqrt(1 - phi**2)
    steps[0] /= math.sqrt(1 - phi**2)
    return lfilter([1.0], [1.0, -phi], steps)


def series(values: np.ndarray, name: str = "pool_length") -> Series:
    return Series(name, values, RATE, "mm")


def plain(seed: int, phi: float = 0.9, cv: float = 0.05) -> np.ndarray:
    return 3.0 * (1 + cv * red_noise(seed, N, phi))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("phi", [0.0, 0.9, 0.98])
@pytest.mark.parametrize("cv", [0.0, 0.02, 0.2])
def test_a_plain_series_is_steady_nearly_whole(seed: int, phi: float, cv: float) -> None:
    found = steady_part([series(plain(seed, phi, cv)), series(plain(seed + 50, phi, cv), "width")], SETTINGS)
    assert found.found
    assert found.stop - found.start >= 0.93 * N


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("shape", "start", "stop"),
    [
        (np.clip(T / 0.2, 0, 1), 0.2, 1.0),
        (np.clip((1 - T) / 0.15, 0, 1), 0.0, 0.85),
        (np.clip(T / 0.1, 0, 1) * np.clip((1 - T) / 0.1, 0, 1), 0.1, 0.9),
        (1 - 0.6 * np.exp(-T / 0.06), 0.17, 1.0),
        (np.where(T < 0.35, 0.7, 1.0), 0.35, 1.0),
        (np.where((T > 0.7) & (T < 0.9), 1.4, 1.0), 0.0, 0.7),
    ],
    ids=["start ramp", "end ramp", "both ramps", "growing pool", "step", "late step"],
)
def test_ramps_and_steps_are_cut_off(seed: int, shape: np.ndarray, start: float, stop: float) -> None:
    found = steady_part([series(plain(seed) * shape), series(plain(seed + 9), "width")], SETTINGS)
    assert found.found
    # Within the tolerance of the level the end of a ramp is no step: a growing pool counts from 95 % on.
    assert (start - 0.08) * N <= found.start <= (start + 0.06) * N
    assert (stop - 0.06) * N <= found.stop <= (stop + 0.04) * N


def test_a_restless_stretch_is_cut_off() -> None:
    scatter = np.where(T < 0.3, 6.0, 1.0)
    found = steady_part([series(3 * (1 + 0.02 * scatter * red_noise(4, N, 0.8)))], SETTINGS)
    assert found.found
    assert 0.27 * N <= found.start <= 0.36 * N
    assert found.stop == N


def test_slow_drift_gaps_and_spikes_do_not_cut() -> None:
    generator = np.random.default_rng(2)
    keyhole = 0.5 * (1 - 0.2 * T) * (1 + 0.1 * red_noise(5, N, 0.6))
    length = plain(6)
    length[generator.random(N) < 0.1] = np.nan
    length[2500:2600] = np.nan
    length[generator.integers(0, N, 40)] *= 5
    found = steady_part([series(keyhole, "keyhole"), series(length)], SETTINGS)
    assert found.found
    assert found.stop - found.start >= 0.97 * N


def test_frames_without_a_pool_at_the_ends_are_no_part() -> None:
    length = plain(7)
    length[:900] = np.nan
    length[5200:] = np.nan
    found = steady_part([series(length)], SETTINGS)
    assert found.found
    assert 900 <= found.start <= 1100
    assert 5000 <= found.stop <= 5200


def test_the_part_starts_and_ends_at_a_measured_frame() -> None:
    length = plain(8)
    length[:10] = np.nan
    length[-7:] = np.nan
    found = steady_part([series(length)], SETTINGS)
    assert (found.start, found.stop) == (10, N - 7)


def test_nothing_steady_gives_the_whole_and_says_so() -> None:
    found = steady_part([series(1 + 20 * T**2)], SETTINGS)
    assert not found.found
    assert (found.start, found.stop) == (0, N)
    assert "no stretch" in found.reason


@pytest.mark.parametrize("values", [np.full(500, np.nan), np.ones(10), np.zeros(500)])
def test_degenerate_series_give_the_whole(values: np.ndarray) -> None:
    found = steady_part([series(values)], SETTINGS)
    assert (found.start, found.stop) == (0, len(values))


def test_scale_gain_and_unit_do_not_matter() -> None:
    values = plain(3) * np.clip(T / 0.2, 0, 1)
    parts = [steady_part([series(k * values)], SETTINGS) for k in (1.0, 1000.0, 1e-4)]
    assert parts[0] == parts[1] == parts[2]


def test_lengths_must_agree() -> None:
    with pytest.raises(UsageError, match="same length"):
        steady_part([series(np.ones(100)), series(np.ones(101))], SETTINGS)
    with pytest.raises(UsageError, match="at least one"):
        steady_part([], SETTINGS)


@pytest.mark.parametrize("n", [32, 40, 47])
def test_a_short_clip_has_few_pieces(n: int) -> None:
    values = 2.0 + 0.01 * np.random.default_rng(n).standard_normal(n)
    found = steady_part([Series("pool_length", values, 5000.0)], StabilitySettings())
    assert (found.found, found.start, found.stop) == (True, 0, n)
