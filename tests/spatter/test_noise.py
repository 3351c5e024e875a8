"""The noise of a pixel is told apart from what the scene does, and from what is cut off."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from poolwatch.spatter import learn

GREYS = np.array([15.0, 40.0, 90.0])


def recording(
    seed: int, *, read: float, shot: float, offset: float = 10.0, restless: float = 0.0, shared: float = 0.0
) -> np.ndarray:
    """Frames of a glow that falls off to one side, with noise of known variance; `restless` waves the glow."""
    rng = np.random.default_rng(seed)
    n, h, w = 64, 96, 160
    glow = 140 * np.exp(-np.arange(w) / 45.0)[None, :] * np.ones((h, 1))
    frames = np.empty((n, h, w))
    for i in range(n):
        wave = gaussian_filter(rng.normal(size=(h, w)), 9.0)
        scene = glow * (1 + restless * wave / wave.std()) + offset
        noise = rng.normal(size=(h, w))
        if shared:
            noise = gaussian_filter(noise, shared)
            noise /= noise.std()
        frames[i] = scene + noise * np.sqrt(np.maximum(read + shot * scene, 0))
    return np.clip(np.rint(frames), 0, 255).astype(np.uint8)


@pytest.mark.slow
@pytest.mark.parametrize(("read", "shot"), [(2.0, 0.05), (0.5, 0.2), (6.0, 0.0)])
@pytest.mark.parametrize("restless", [0.0, 0.08])
def test_noise_of_a_pixel_as_a_function_of_brightness(read: float, shot: float, restless: float) -> None:
    look = learn(recording(3, read=read, shot=shot, restless=restless), full_scale=255.0)
    truth = np.sqrt(read + shot * GREYS + 1 / 12)
    assert look.noise(GREYS) == pytest.approx(truth, rel=0.12)


def test_black_that_is_cut_off_hides_no_noise() -> None:
    look = learn(recording(5, read=3.0, shot=0.1, offset=-20.0), full_scale=255.0)
    bright = np.array([30.0, 60.0, 110.0])
    assert look.noise(bright) == pytest.approx(np.sqrt(3.0 + 0.1 * bright + 1 / 12), rel=0.12)


def test_noise_shared_by_neighbours_counts_in_full() -> None:
    look = learn(recording(7, read=4.0, shot=0.1, shared=0.8), full_scale=255.0)
    assert look.noise(GREYS) == pytest.approx(np.sqrt(4.0 + 0.1 * GREYS), rel=0.15)


@pytest.mark.parametrize("shape", [(1, 80), (80, 1), (2, 80), (1, 1), (0, 30)])
def test_frames_too_small_to_look_for_particles_are_refused(shape):
    sample = np.random.default_rng(1).integers(0, 30, (12, *shape)).astype(np.uint8)
    with pytest.raises(ValueError, match=f"frames of {shape[1]} x {shape[0]} px are too small"):
        learn(sample, full_scale=255.0)
    thin = np.random.default_rng(1).integers(0, 30, (12, 3, 40)).astype(np.uint8)
    assert learn(thin, full_scale=255.0).read > 1
