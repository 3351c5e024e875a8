"""A pool partly out of view, and black frames that come again as they were."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch import measure_clip
from poolwatch.measure.inspection import inspect_clip
from poolwatch.measure.settings import MeasureSettings
from poolwatch.measure.status_remedies import remedy_of
from poolwatch.model.errors import MeasurementError
from poolwatch.model.recording import Recording
from poolwatch.simulate import Scene, Simulation

pytestmark = pytest.mark.slow

FACTS = {"record_rate_hz": 5000.0, "mm_per_px": 0.04, "travel_speed_mm_s": 60.0}
NO_SPATTER = MeasureSettings(spatter_on=False)


def pictures(beam_x: float, frames: int = 200) -> np.ndarray:
    scene = {
        "frames": frames,
        "seed": 43,
        "camera": {
            "width": 160,
            "height": 96,
            "mm_per_px": 0.04,
            "rate_hz": 5000.0,
            "beam_x_px": beam_x,
            "beam_y_px": 48.0,
        },
        "pool": {"length": {"noise_sd": 0.05, "noise_time_s": 5e-4}},
    }
    return Simulation(Scene.checked(scene, where="test")).frames(0, frames)


@pytest.mark.long
def test_the_longest_pools_cut_off_are_flagged(tmp_path):
    # The tail is 42 px behind the beam on average.
    flags = {}
    for name, beam in (("inside", 90.0), ("border", 44.5)):
        np.save(tmp_path / f"{name}.npy", pictures(beam))
        flags[name] = measure_clip(tmp_path / f"{name}.npy", settings=NO_SPATTER, **FACTS).flags
    assert "pool_cut_off" not in flags["inside"]
    assert "pool_cut_off" in flags["border"]


def test_a_pool_out_of_view_throughout_is_told_what_to_do(tmp_path):
    np.save(tmp_path / "c.npy", pictures(25.0, 60))
    with pytest.raises(MeasurementError, match=r"60 cut_off\); statistics need 30: aim the camera"):
        measure_clip(tmp_path / "c.npy", settings=NO_SPATTER, **FACTS)
    pool = next(f for f in inspect_clip(tmp_path / "c.npy").findings if f.name == "pool")
    assert pool.verdict == "poor"
    assert "whole pool is in view" in pool.change


@pytest.mark.long
def test_black_that_comes_again_is_no_doubled_frame(tmp_path):
    frames = pictures(90.0, 120)
    black = np.full((60, *frames.shape[1:]), 2, dtype=frames.dtype)
    np.save(tmp_path / "c.npy", np.concatenate([black, frames]))
    measured = measure_clip(tmp_path / "c.npy", settings=NO_SPATTER, **FACTS)
    assert measured.run["statuses"] == {"dark": 60, "ok": 120}
    assert "repeated_frames" not in measured.flags
    found = {f.name: f for f in inspect_clip(tmp_path / "c.npy").findings}
    assert found["repeated frames"].value == "0 of 180"
    # The pool is judged where the beam is on.
    assert found["pool"].verdict == "good"


def test_a_doubled_picture_of_the_pool_still_is(tmp_path):
    frames = pictures(90.0, 120)
    frames[50] = frames[49]
    np.save(tmp_path / "c.npy", frames)
    assert "repeated_frames" in measure_clip(tmp_path / "c.npy", settings=NO_SPATTER, **FACTS).flags
    found = {f.name: f for f in inspect_clip(tmp_path / "c.npy").findings}
    assert found["repeated frames"].value == "1 of 120"
    assert found["repeated frames"].verdict == "fair"


def test_cures_follow_the_commonest_word():
    assert remedy_of({"ok": 90, "blown": 3, "hidden": 7}).startswith("keep plume")
    assert remedy_of({"ok": 90}) == ""


def test_what_cannot_be_told_is_not_told(tmp_path):
    # One picture with its black cut off: no frequency, and no noise to compare the step with.
    np.save(tmp_path / "c.npy", np.where(pictures(90.0, 1) < 30, 0, pictures(90.0, 1)))
    recording = Recording(record_rate_hz=5000.0)
    found = {f.name: f for f in inspect_clip(tmp_path / "c.npy", recording=recording).findings}
    assert found["frequencies"].value == "none: 1 frames are too few"
    assert found["frequencies"].verdict == "poor"
    assert "no noise to compare it with" in found["edge of the pool"].value
