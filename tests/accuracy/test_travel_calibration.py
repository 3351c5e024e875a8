"""Travel speed as calibration and the camera's place, on rendered footage of exactly known scale and motion.

The footage comes from `poolwatch.simulate`, which shares no code with the finding of motion.
"""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.model.errors import MeasurementError
from poolwatch.scale.clip_motion import motion_in_clip
from poolwatch.scale.travel import Travel, scale_from_travel
from poolwatch.simulate import Scene, SceneCamera, Simulation

FRAMES = 600


def reader(kind: str, seed: int, speed: float, camera: SceneCamera):
    scene = Scene(kind=kind, frames=FRAMES, seed=seed, travel_speed_mm_s=speed, camera=camera)
    simulation = Simulation(scene)
    return lambda numbers: np.concatenate([simulation.frames(i, i + 1) for i in numbers])


@pytest.mark.long
@pytest.mark.parametrize(
    ("seed", "speed", "rate", "scale", "direction"),
    [(11, 20.0, 10_000.0, 0.02, 0.0), (12, 120.0, 10_000.0, 0.025, -125.0), (13, 60.0, 2_000.0, 0.02, 40.0)],
)
def test_riding_camera(seed, speed, rate, scale, direction):
    camera = SceneCamera(width=256, height=192, rate_hz=rate, mm_per_px=scale, direction_deg=direction)
    motion = motion_in_clip(reader("illuminated", seed, speed, camera), 0, FRAMES)
    made = scale_from_travel(motion, Travel(rate, speed, 0.0), view=(256, 192))
    assert made.scale.mm_per_px == pytest.approx(scale, rel=0.01)
    assert abs(made.scale.mm_per_px - scale) < 3 * made.scale.u_mm_per_px
    assert abs((motion.travel_direction_deg - direction + 180) % 360 - 180) < 0.5


@pytest.mark.long
def test_standing_camera_stands():
    camera = SceneCamera(width=256, height=192, rate_hz=5_000.0, direction_deg=15.0, standing=True)
    motion = motion_in_clip(reader("illuminated", 14, 60.0, camera), 0, FRAMES)
    assert not motion.moving


@pytest.mark.long
def test_a_glowing_pool_that_crosses_the_view_is_not_taken_for_metal():
    camera = SceneCamera(width=256, height=192, rate_hz=5_000.0, direction_deg=15.0, standing=True)
    with pytest.raises(MeasurementError, match="no common motion of solid metal"):
        motion_in_clip(reader("glowing", 15, 60.0, camera), 0, FRAMES)
