"""What a high-speed camera saw, measured: small cuts of real recordings that come with the tests."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from poolwatch.clips import open_clip
from poolwatch.model.errors import MeasurementError
from poolwatch.pool import PoolSettings, find_pool, learn_pool
from poolwatch.spatter import SpatterSettings, detect, learn, link, particles

REAL = Path(__file__).resolve().parents[1] / "real"
UP = (0.0, -1.0)


def ball_by_moments(frame: np.ndarray) -> tuple[float, float, float]:
    """Equal-area diameter and centre, px, of what is darker than half of the ground, its highlight filled."""
    dark = (frame < 2048).astype(np.uint8)
    contours, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros_like(dark)
    cv2.drawContours(filled, [max(contours, key=cv2.contourArea)], -1, 1, cv2.FILLED)
    m = cv2.moments(filled, binaryImage=True)
    return 2 * np.sqrt(m["m00"] / np.pi), m["m10"] / m["m00"], m["m01"] / m["m00"]


def test_a_falling_ball_keeps_size_and_speed() -> None:
    with open_clip(REAL / "falling-ball" / "falling-ball.tif") as clip:
        frames = clip.frames(range(clip.facts.frame_count))
        assert (clip.facts.depth_bits, clip.facts.full_scale) == (12, 4095)
    settings = SpatterSettings(polarity="dark", background="even", max_diameter_px=200)
    look = learn(frames, full_scale=4095, settings=settings)
    seen = detect(frames, None, look, settings)
    tracks = link(seen, np.ones(len(frames), dtype=bool), frames.shape[1:], settings)
    found = particles(tracks, look, None, exposure_frames=30_000 / 50_000, settings=settings).particles
    ball = found.loc[found["diameter_px"].idxmax()]
    assert ball["frames_seen"] == len(frames) == 8
    by_moments = np.array([ball_by_moments(frame) for frame in frames])
    # Another way to the same figures, here and (with a finer threshold) over all 15 frames of the recording:
    # 126.68 px across, 2.646 px/frame down, 0.011 px/frame sideways.
    down, sideways = (np.polyfit(np.arange(8), by_moments[:, k], 1)[0] for k in (2, 1))
    assert by_moments[:, 0].mean() == pytest.approx(126.68, rel=0.005)
    assert ball["diameter_px"] == pytest.approx(126.68, rel=0.01)
    assert down == pytest.approx(2.646, rel=0.01)
    assert ball["speed_px"] == pytest.approx(2.646, rel=0.01)
    assert ball["vx_px"] == pytest.approx(sideways, abs=0.02)


def powder_bed(name: str) -> tuple[np.ndarray, float]:
    picture = cv2.imread(str(REAL / "powder-bed" / f"{name}.png"), cv2.IMREAD_UNCHANGED)
    return np.ascontiguousarray(picture), 4095 * 16.0


def test_a_real_saturated_pool_is_outlined() -> None:
    picture, full = powder_bed("normal")
    look = learn_pool(picture[None], full, forward=UP, settings=PoolSettings())
    pool = find_pool(picture, look, forward=UP, settings=PoolSettings())
    assert pool.status == "ok"
    # Read off the picture by eye: the clipped teardrop without its plume.
    assert 55 < pool.front - pool.rear < 80
    assert 33 < pool.left - pool.right < 46
    assert look.clipped > 0.3


def test_no_pool_is_found_in_a_real_frame_without() -> None:
    picture, full = powder_bed("none")
    with pytest.raises(MeasurementError, match="no pool found"):
        learn_pool(picture[None], full, forward=UP, settings=PoolSettings())
