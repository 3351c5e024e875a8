"""Illuminated footage: what is solid moves rigidly, what is liquid does not."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from poolwatch.simulate import Scene, Simulation

# 100 mm/s at 10 kHz and 0.02 mm a pixel: half a pixel a frame.
PER_FRAME = 0.5


def lit(**parts: Any) -> Simulation:
    camera = {"width": 256, "height": 128, **parts.pop("camera", {})}
    lighting = {"gradient": 0.0, **parts.pop("lighting", {})}
    return Simulation(
        Scene.checked(
            {"kind": "illuminated", "frames": 40, "camera": camera, "lighting": lighting, **parts},
            where="test",
        )
    )


def inside(sim: Simulation, frame: int, grow: int) -> np.ndarray:
    """Pixels within the outline, grown (or shrunk, below 0) by whole pixels."""
    mask = np.zeros((sim.scene.camera.height, sim.scene.camera.width), np.uint8)
    cv2.fillPoly(mask, [np.round(sim.outline(frame)).astype(np.int32)], 1)
    size = np.ones((2 * abs(grow) + 1,) * 2, np.uint8)
    return (cv2.dilate if grow > 0 else cv2.erode)(mask, size).astype(bool)


def test_a_riding_camera_sees_plate_and_bead_move_back_rigidly() -> None:
    sim = lit(pool={"length": {"noise_sd": 0.03}, "width": {"noise_sd": 0.03}})
    one, later = sim.light(10), sim.light(18)
    shift = round(8 * PER_FRAME)
    solid = ~(inside(sim, 10, 8) | inside(sim, 18, 8))
    # What will be the bead beside the pool is decided as the widest place passes; look elsewhere.
    row = sim.truth_frames.iloc[10]
    solid[:, int(row.origin_x_px + row.rear_px) - 4 : int(row.origin_x_px + row.front_px) + 12] = False
    both = solid[:, shift:] & solid[:, :-shift]
    both[:, :8] = both[:, -8:] = False
    moved = later[:, :-shift] - one[:, shift:]
    assert both[60:68, :50].any()
    assert np.abs(moved[both]).max() < 1e-4
    assert one[both.shape[0] // 2, :50].std() > 0.02
    assert one[5:20, 20:-20].std() > 0.03


def test_a_standing_camera_sees_the_plate_stand() -> None:
    sim = lit(camera={"standing": True, "mm_per_px": 0.03})
    one, later = sim.light(5), sim.light(35)
    solid = ~(inside(sim, 5, 12) | inside(sim, 35, 12))
    far = solid & (np.abs(np.arange(128) - 63.5) > 34)[:, None]
    assert np.abs(one - later)[far].max() < 1e-5


@pytest.mark.parametrize("direction", [90, 180])
def test_a_turned_scene_is_the_turned_picture(direction: int) -> None:
    camera = {"width": 160, "height": 160}
    straight = lit(camera=camera).light(7)
    turned = lit(camera={**camera, "direction_deg": direction}).light(7)
    np.testing.assert_allclose(turned, np.rot90(straight, direction // 90), atol=2e-4)


def test_the_liquid_does_not_move_with_the_metal_and_forgets() -> None:
    sim = lit(keyhole={"spots_mm": []}, pool={"ripple_hz": 900.0})
    shift = 2
    within = inside(sim, 10, -6)
    one = sim.light(10)

    def likeness(frame: int, moved: int) -> float:
        other = np.roll(sim.light(frame), moved, axis=1)
        return float(np.corrcoef(one[within], other[within])[0, 1])

    # The plate would show 1 after four frames.
    assert likeness(14, shift) < 0.9
    assert likeness(11, 0) > likeness(16, 0) + 0.1


@pytest.mark.slow
def test_texture_does_not_shine_through_the_liquid() -> None:
    plain, rough = lit(lighting={"texture": 0.0, "ripple_marks": 0.0}), lit(lighting={"texture": 0.3})
    difference = rough.light(10) - plain.light(10)
    within, outside = inside(plain, 10, -5), ~inside(plain, 10, 5)
    assert difference[within].std() < 0.03 * difference[outside].std()


def test_the_liquid_is_as_dark_as_asked_and_lies_within_the_outline() -> None:
    sim = lit(
        lighting={"texture": 0.0, "ripple_marks": 0.0, "highlight": 0.0, "waves": 0.0, "rim_shade": 0.0},
        keyhole={"spots_mm": []},
    )
    light = sim.light(3)
    assert light[inside(sim, 3, -5)] == pytest.approx(0.25, abs=1e-4)
    assert light[~inside(sim, 3, 6)] == pytest.approx(0.4, abs=1e-4)
    area = float((0.4 - light).sum(dtype=float)) / 0.15
    assert area == pytest.approx(sim.truth_frames.area_px2[3], rel=1e-3)


@pytest.mark.slow
def test_frames_do_not_depend_on_the_range() -> None:
    sim = lit()
    np.testing.assert_array_equal(sim.frames(0, 12)[9:11], lit().frames(9, 11))


def test_lighting_falls_across_the_picture() -> None:
    sim = lit(lighting={"gradient": 0.4, "texture": 0.0})
    light = sim.light(0)
    assert light[:20, -20:].mean() / light[:20, :20].mean() > 1.2
