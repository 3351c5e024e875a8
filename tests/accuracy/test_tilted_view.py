"""A clip filmed at an angle, measured with the scale file of a tilted target, beside the same weld filmed squarely."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from poolwatch import measure_clip
from poolwatch.measure.result import read_measurement
from poolwatch.simulate import Scene, Simulation

FRAMES = 48
FACTS = {"record_rate_hz": 10_000.0, "travel_speed_mm_s": 100.0, "exposure_s": 2e-5}


def stretch_of(tilt_deg: float, turn_deg: float) -> tuple[np.ndarray, float]:
    """Matrix from the picture to the upright picture, and the scale that goes with it (0.02 mm across the tilt)."""
    turn, longer = math.radians(turn_deg), 1 / math.cos(math.radians(tilt_deg))
    axes = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    return axes.T @ np.diag([1.0, longer]) @ axes / math.sqrt(longer), 0.02 * math.sqrt(longer)


@pytest.mark.long
@pytest.mark.parametrize(("tilt", "turn", "direction"), [(35, 0, 0.0), (40, 90, 0.0), (30, 35, 90.0)])
def test_a_tilted_view_gives_the_lengths_of_a_square_one(tmp_path, tilt, turn, direction):
    scene = {
        "frames": FRAMES,
        "seed": 40 + tilt,
        # Fine pixels, and without noise: both are put in once the view is tilted.
        "camera": {
            "width": 640, "height": 640, "mm_per_px": 0.01, "direction_deg": direction, "read_noise": 0.0,
            "electrons_full_scale": 0.0, "depth_bits": 16, "psf_sigma_px": 0.3,
        },
        "pool": {"length_mm": 2.4, "width_mm": 1.2, "length": {"noise_sd": 0.02}, "width": {"noise_sd": 0.015}},
    }  # fmt: skip
    sim = Simulation(Scene.checked(scene, where="test"))
    stretch, scale = stretch_of(tilt, turn)
    # Plane (0.01 mm px) to picture: down the tilt, and 0.02 mm a pixel across it.
    to_picture = np.linalg.inv(stretch * scale) * 0.01
    size = 340
    middle = np.array([(size - 1) / 2, (size - 1) / 2])
    move = np.column_stack([to_picture, middle - to_picture @ (319.5, 319.5)])
    rng = np.random.default_rng(tilt)
    pictures = np.empty((FRAMES, size, size), dtype=np.uint8)
    for i in range(FRAMES):
        # The lens blurs the picture, not the plane; a little before, against aliases.
        fine = cv2.GaussianBlur(sim.frames(i, i + 1)[0].astype(np.float32), (0, 0), 0.7)
        seen = cv2.GaussianBlur(cv2.warpAffine(fine, move, (size, size), flags=cv2.INTER_CUBIC), (0, 0), 0.9)
        pictures[i] = np.clip(np.rint(seen / 257.0 + rng.normal(0, 1, seen.shape)), 0, 255)
    np.save(tmp_path / "tilted.npy", pictures)
    # The direction in the picture is that of travel as it is seen there.
    ahead = to_picture @ (math.cos(math.radians(direction)), -math.sin(math.radians(direction)))
    result = measure_clip(
        tmp_path / "tilted.npy",
        mm_per_px=scale,
        stretch=tuple(stretch.ravel().tolist()),
        travel_direction_deg=math.degrees(math.atan2(-ahead[1], ahead[0])),
        **FACTS,
    )
    truth = sim.truth_frames
    ok = (result.frames["status"] == "ok").to_numpy()
    assert ok.mean() > 0.97
    for column in ("pool_length_mm", "pool_width_mm"):
        error = (result.frames[column] - truth[column.removeprefix("pool_")].to_numpy())[ok]
        assert abs(error.mean()) < 0.1 * 0.02, column  # a tenth of a pixel
        assert error.std() < 0.15 * 0.02, column
    area = (result.frames["pool_area_mm2"] / truth["area_mm2"].to_numpy())[ok]
    assert abs(area.mean() - 1) < 0.004
    assert "view_tilted" in result.flags
    row = result.score.iloc[0]
    assert row["view_stretch"] == pytest.approx(1 / math.cos(math.radians(tilt)))
    # A pixel is worth most square to the axis of the tilt; `turn` runs clockwise as seen.
    assert abs((row["view_stretch_deg"] - (90 - turn) + 90) % 180 - 90) < 1e-6
    result.write(tmp_path / "out")
    assert read_measurement(tmp_path / "out").axes == result.axes
