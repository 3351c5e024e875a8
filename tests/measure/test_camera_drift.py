"""A camera that drifts against the head while the travel speed gives the scale: the pool's own place shows it."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from poolwatch.clips import open_clip
from poolwatch.measure.camera_drift import camera_drift
from poolwatch.model.errors import MeasurementError, UsageError
from poolwatch.scale.clip_motion import motion_in_clip
from poolwatch.scale.travel import Drift, Travel, scale_from_travel
from poolwatch.simulate import Scene, write_simulation

pytestmark = pytest.mark.slow

VIEW = (200, 140)
SCALE = 0.025
FRAMES = 180
MOTION = {
    "length": {"tones": [{"frequency_hz": 300, "amplitude": 0.04}], "noise_sd": 0.02},
    "width": {"noise_sd": 0.01},
}


def seen(tmp_path, seed, direction, drift, **parts):
    """Motion of the metal, and drift of the camera as the pool shows it."""
    speed, rate, frames = parts.pop("travel_speed_mm_s", 60.0), 5000.0, FRAMES
    camera = {
        "width": VIEW[0],
        "height": VIEW[1],
        "mm_per_px": SCALE,
        "rate_hz": rate,
        "direction_deg": direction,
    }
    scene = {
        "kind": "illuminated",
        "seed": seed,
        "frames": frames,
        "travel_speed_mm_s": speed,
        "camera": camera,
        "pool": MOTION,
        "disturbances": {"drift_x_px": drift[0], "drift_y_px": drift[1]},
        **parts,
    }
    clip = write_simulation(Scene.checked(scene, where="test"), tmp_path, format="npy")
    with open_clip(clip) as reader:
        motion = motion_in_clip(reader.frames, 0, frames)
        return motion, camera_drift(reader, motion, rate)


def scaled(motion, drift, speed=60.0):
    return scale_from_travel(
        motion,
        Travel(5000.0, speed, 0.0),
        view=VIEW,
        drift=drift,
    )


@pytest.mark.long
@pytest.mark.parametrize(
    ("seed", "direction", "drift"),
    [pytest.param(61, 0.0, (3.0, 0.0), marks=pytest.mark.long), (62, 215.0, (2.0, -2.0))],
)
def test_drift_of_the_camera_is_taken_out_of_the_scale(tmp_path, seed, direction, drift):
    motion, found = seen(tmp_path, seed, direction, drift)
    assert found is not None
    true = np.array(drift) / (FRAMES - 1)
    assert abs(found.dx - true[0]) < 3 * found.u_dx
    assert abs(found.dy - true[1]) < 3 * found.u_dy
    made, plain = scaled(motion, found), scaled(motion, None)
    # By itself the motion is off by many times what it says.
    assert abs(plain.scale.mm_per_px / SCALE - 1) > 0.015
    assert abs(plain.scale.mm_per_px - SCALE) > 8 * plain.scale.u_mm_per_px
    assert abs(made.scale.mm_per_px / SCALE - 1) < 0.006
    assert abs(made.scale.mm_per_px - SCALE) < 3 * made.scale.u_mm_per_px
    assert any("drifts in the picture" in note for note in made.notes)
    assert not any("drifts in the picture" in note for note in plain.notes)


@pytest.mark.long
def test_a_camera_at_rest_keeps_its_scale_and_says_how_well_that_is_known(tmp_path):
    motion, found = seen(tmp_path, 64, 30.0, (0.0, 0.0))
    assert found is not None
    made, plain = scaled(motion, found), scaled(motion, None)
    assert abs(made.scale.mm_per_px - SCALE) < 3 * made.scale.u_mm_per_px
    assert plain.scale.u_mm_per_px < made.scale.u_mm_per_px < 0.005 * SCALE
    assert not any("drifts in the picture" in note for note in made.notes)


@pytest.mark.long
def test_a_growing_pool_widens_the_uncertainty(tmp_path):
    grows = {**MOTION, "length": {**MOTION["length"], "drift": 0.2}}
    motion, found = seen(tmp_path, 65, 0.0, (0.0, 0.0), pool=grows)
    # A fifth of 96 px over the clip, of which a third may be the front's.
    assert found.u_dx == pytest.approx(0.2 * 96 / FRAMES / 3 / math.sqrt(3), rel=0.3)
    assert found.u_dy < 0.3 * found.u_dx
    made = scaled(motion, found)
    assert abs(made.scale.mm_per_px - SCALE) < 3 * made.scale.u_mm_per_px


@pytest.mark.long
def test_without_a_pool_nothing_is_said(tmp_path):
    motion, found = seen(tmp_path, 66, 0.0, (0.0, 0.0), welds=[{"start_s": 0.0, "stop_s": 1e-4}], ramp_s=1e-4)
    assert motion.moving
    assert found is None


def test_speed_against_the_beam():
    motion = motion_stub(dx=-0.48, dy=0.0)
    left, u = Drift(dx=0.02, dy=0.0, u_dx=0.001, u_dy=0.5, frames=40).of(motion)
    assert (left.dx, left.dy) == (-0.5, 0.0)
    assert u == pytest.approx(0.001)


def motion_stub(dx, dy):
    from poolwatch.scale.motion import Motion

    return Motion(
        dx=dx, dy=dy, u_dx=1e-4, u_dy=1e-4, moving=True, lag=10, pairs=10, tiles_used=20, tiles_considered=20,
        explained=1.0, gradient=np.full((2, 2), np.nan), centre_x=0.0, centre_y=0.0,
    )  # fmt: skip


def test_a_standing_camera_has_no_scale_from_travel_with_or_without_it(tmp_path):
    motion = motion_stub(0.0, 0.0)
    still = type(motion)(**{**motion.__dict__, "moving": False})
    with pytest.raises(MeasurementError, match="stands still"):
        scaled(still, None)


@pytest.mark.parametrize("share", [1.0, 0.999, 0.6])
def test_a_pool_that_goes_along_with_the_metal_gives_no_scale(share):
    """At a share of 1 nothing of the motion is left to divide by."""
    motion = motion_stub(dx=-0.48, dy=0.2)
    drift = Drift(dx=-0.48 * share, dy=0.2 * share, u_dx=0.001, u_dy=0.001, frames=40)
    with pytest.raises(
        MeasurementError, match=f"goes along with the metal for {100 * share:.0f} % of its way"
    ):
        scaled(motion, drift)


def test_a_drift_known_badly_gives_no_scale():
    motion = motion_stub(dx=-0.48, dy=0.0)
    with pytest.raises(MeasurementError, match="is known to 12 % only"):
        scaled(motion, Drift(dx=0.0, dy=0.0, u_dx=0.058, u_dy=0.0, frames=12))
    # Across the way it does not matter; and just good enough it is stated in full.
    made = scaled(motion, Drift(dx=0.0, dy=0.0, u_dx=0.04, u_dy=0.1, frames=12))
    assert made.scale.u_mm_per_px / made.scale.mm_per_px == pytest.approx(0.04 / 0.48, rel=0.05)


@pytest.mark.parametrize("rate", [0.0, -1.0, float("nan"), float("inf"), 1e12])
def test_a_record_rate_that_makes_no_sense_is_the_users_fault(rate):
    with pytest.raises(UsageError, match=f"'record_rate_hz': .* got {re.escape(str(rate))}"):
        camera_drift(None, motion_stub(dx=-0.48, dy=0.0), rate)
