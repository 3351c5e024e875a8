"""Real recordings that lie beside some checkouts; skipped elsewhere."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from poolwatch.spatter import SpatterSettings, detect, learn, link, particles

REAL = Path(__file__).resolve().parents[3] / "shared" / "real"


def pictures(name: str) -> np.ndarray:
    if not (REAL / name).is_dir():
        pytest.skip(f"the real recording {name!r} is not beside this checkout")
    return np.array([cv2.imread(str(p), cv2.IMREAD_UNCHANGED) for p in sorted((REAL / name).glob("*.png"))])


def test_falling_ball_keeps_size_and_speed() -> None:
    # By threshold and moments: 126.68 px across, 2.646 px/frame down, 0.011 px/frame sideways (the recording's notes).
    frames = pictures("falling-ball")
    settings = SpatterSettings(polarity="dark", background="even", max_diameter_px=200)
    look = learn(frames, full_scale=4095, settings=settings)
    seen = detect(frames, None, look, settings)
    tracks = link(seen, np.ones(len(frames), dtype=bool), frames.shape[1:], settings)
    found = particles(tracks, look, None, exposure_frames=30_000 / 50_000, settings=settings).particles
    ball = found.loc[found["diameter_px"].idxmax()]
    assert ball["frames_seen"] == len(frames) == 15
    assert ball["diameter_px"] == pytest.approx(126.68, rel=0.01)
    assert ball["speed_px"] == pytest.approx(2.646, rel=0.01)
    assert ball["vx_px"] == pytest.approx(0.011, abs=0.02)


def test_bright_saturated_and_defocused_spatter_is_seen() -> None:
    # Places read off the picture by eye: four bright ones around the pool, one of them beside its rim.
    folder = REAL / "powder-bed-frames"
    if not folder.is_dir():
        pytest.skip("the real recording 'powder-bed-frames' is not beside this checkout")
    frame = cv2.imread(str(next(folder.glob("spatters_1*.png"))), cv2.IMREAD_UNCHANGED)
    # The grey bars at the sides are no part of the picture.
    frame = np.ascontiguousarray(frame[4:508, 34:478])
    bright = (cv2.GaussianBlur(frame, (5, 5), 0) > 30_000).astype(np.uint8)
    contours, _ = cv2.findContours(bright, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    pool = max(contours, key=cv2.contourArea)[:, 0, :].astype(float)
    settings = SpatterSettings(background="even")
    look = learn(frame[None], full_scale=65_520, outlines=[pool], settings=settings)
    seen = detect(frame[None], [pool], look, settings)
    clear = seen[seen["signal"] > 300]
    for x, y in ((250, 166), (336, 187), (264, 231), (343, 399)):
        one = clear[np.hypot(clear["x"] - x, clear["y"] - y) < 6]
        assert len(one) == 1
        size = 4 * np.sqrt(one["spread"] - np.hypot(one["streak_m"], one["streak_n"]) / 24)
        assert 8 < size[0] < 30
    assert len(clear) == 4
