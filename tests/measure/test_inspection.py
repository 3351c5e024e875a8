"""What an inspection says of tilted views and of illuminated footage."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poolwatch.measure import MeasureSettings
from poolwatch.measure.inspection import inspect_clip
from poolwatch.model.recording import Recording
from poolwatch.pool.settings import PoolSettings
from poolwatch.simulate import Scene, write_simulation

pytestmark = pytest.mark.slow


def made(folder, kind="illuminated", **changes):
    scene = {
        "kind": kind,
        "frames": 60,
        "seed": 91,
        "travel_speed_mm_s": 90.0,
        "camera": {
            "width": 200,
            "height": 130,
            "mm_per_px": 0.025,
            "exposure_s": 5e-5,
            "direction_deg": 20.0,
        },
    }
    for name, value in changes.items():
        scene[name] = {**scene.get(name, {}), **value}
    return write_simulation(Scene.checked(scene, where="test"), folder, format="npy")


def told(clip, recording=None, settings=None):
    found = inspect_clip(clip, recording=recording, settings=settings)
    return {f.name: f for f in found.findings}


FACTS = {"record_rate_hz": 10_000.0, "mm_per_px": 0.025, "exposure_s": 5e-5, "travel_speed_mm_s": 90.0}


def numbers(text: str) -> list[float]:
    return [float(word) for word in text.replace("%", " ").split() if word.replace(".", "", 1).isdigit()]


@pytest.mark.often("90.0-30.0")
@pytest.mark.parametrize(("across", "direction"), [(0.0, 0.0), (0.0, 90.0), (90.0, 30.0)])
def test_motion_in_a_tilted_view_is_told_as_the_camera_sees_it(tmp_path, across, direction):
    # Tilted by 40° about an axis at `across` degrees in the picture, 0.02 mm a px along it.
    longer = 1 / math.cos(math.radians(40))
    turn = math.radians(across)
    axes = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    mm = axes.T @ np.diag([0.02, 0.02 * longer]) @ axes
    scale = math.sqrt(np.linalg.det(mm))
    recording = Recording(
        record_rate_hz=10_000.0,
        mm_per_px=scale,
        stretch=tuple((mm / scale).ravel().tolist()),
        exposure_s=5e-5,
        travel_speed_mm_s=200.0,
        travel_direction_deg=direction,
    )
    found = told(made(tmp_path, "glowing"), recording)
    ahead = np.array([math.cos(math.radians(direction)), -math.sin(math.radians(direction))])
    metal = 200.0 * 5e-5 / np.linalg.norm(mm @ ahead)
    assert f"metal at the travel speed {metal:.2f} px" in found["motion blur"].value
    # A particle flies anywhere: across the tilt a pixel is worth 0.02 mm, and there it is drawn longest.
    assert f"drawn {5e-5 * 10_000 / 0.02:.1f} px long" in found["motion blur"].value
    assert found["step of a fast particle"].value.startswith(f"{10_000 / 0.02 / 10_000:.0f} px")


def test_illuminated_footage_is_judged_by_its_metal(tmp_path):
    clip = made(tmp_path)
    found = told(clip, Recording(**FACTS))
    assert found["footage"].value.startswith("illuminated")
    assert found["pool"].verdict == "good"
    metal = found["metal"]
    assert metal.verdict == "good"
    # 90 mm/s at 10 kHz and 0.025 mm: 0.36 px a frame, half of that in the exposure.
    assert "moves 0.3" in metal.value
    assert "blurred by 0.18 px" in metal.value
    length, width = numbers(found["pixels across the pool"].value)[:2]
    assert abs(length - 96) < 3
    assert abs(width - 48) < 3
    assert found["contrast of the pool"].verdict == "good"
    assert numbers(found["contrast of the pool"].value)[0] == pytest.approx(0.7, abs=0.15)
    assert numbers(found["focus"].value)[0] == pytest.approx(math.hypot(0.9, 0.29), abs=0.2)
    degrees = found["travel direction"].value.split("°")[0]
    assert float(degrees) == pytest.approx(20, abs=0.3)
    assert found["travel direction"].verdict == "fact"
    assert "not looked for" in found["smallest particle"].value
    assert "spatter_in_illuminated" in found["smallest particle"].change
    sought = told(clip, Recording(**FACTS), MeasureSettings(spatter_in_illuminated=True))
    assert 0.5 < numbers(sought["smallest particle"].value)[0] < 6.0


@pytest.mark.long
def test_what_was_given_is_held_against_the_metal(tmp_path):
    clip = made(tmp_path)
    right = told(clip, Recording(**FACTS, travel_direction_deg=20.0))
    assert right["travel direction"].verdict == "good"
    wrong = told(clip, Recording(**FACTS | {"mm_per_px": 0.03}, travel_direction_deg=-20.0))
    assert wrong["travel direction"].verdict == "poor"
    assert "--travel-direction 20" in wrong["travel direction"].change
    assert wrong["metal"].verdict == "poor"
    assert "one of the three is wrong" in wrong["metal"].change


@pytest.mark.long
def test_faint_texture_and_too_short_clips_are_said(tmp_path):
    faint = made(
        tmp_path / "faint", lighting={"texture": 0.02, "ripple_marks": 0.02}, camera={"read_noise": 0.01}
    )
    lit = MeasureSettings(pool=PoolSettings(footage="illuminated"))
    found = told(faint, Recording(**FACTS), lit)
    said = found.get("contrast of the pool", found["pool"])
    assert said.verdict in ("fair", "poor")
    assert said.change
    short = told(
        made(tmp_path / "short"), Recording(**FACTS | {"record_rate_hz": 1e5, "exposure_s": 5e-6}), lit
    )
    assert short["pool"].verdict == "poor"
    assert "record longer" in short["pool"].change


@pytest.mark.long
def test_footage_forced_against_the_pictures_is_poor(tmp_path):
    glowing = MeasureSettings(pool=PoolSettings(footage="glowing"))
    assert told(made(tmp_path), None, glowing)["footage"].verdict == "poor"


@pytest.mark.long
def test_a_metal_that_moves_half_as_far_as_was_said_is_not_fit(tmp_path):
    clip = made(tmp_path)
    right = inspect_clip(clip, recording=Recording(**FACTS, travel_direction_deg=20.0))
    assert "metal" not in {f.name for f in right.findings if f.verdict == "poor"}
    wrong = inspect_clip(
        clip, recording=Recording(**FACTS | {"travel_speed_mm_s": 180.0}, travel_direction_deg=20.0)
    )
    assert not wrong.fit
    assert "metal" in {f.name for f in wrong.findings if f.verdict == "poor"}
    # A scale that is known to within 20 % only is not refuted by 15 %.
    unsure = Recording(**FACTS | {"mm_per_px": 0.025 * 1.15, "mm_per_px_u": 0.005}, travel_direction_deg=20.0)
    assert told(clip, unsure)["metal"].verdict == "good"


@pytest.mark.often("1-fair", "30-poor")
@pytest.mark.parametrize(("doubled", "verdict"), [(0, "good"), (1, "fair"), (6, "fair"), (30, "poor")])
def test_repeated_frames_are_judged_by_their_share(tmp_path, doubled, verdict):
    """Of 600 frames: one that the camera repeated is left out and no harm; one in twenty is another frame rate."""
    camera = {"width": 96, "height": 64, "mm_per_px": 0.05}
    scene = Scene.checked({"frames": 600, "seed": 5, "camera": camera}, where="test")
    clip = write_simulation(scene, tmp_path, format="npy")
    frames = np.load(clip)
    for k in range(doubled):
        frames[20 * k + 1] = frames[20 * k]
    np.save(clip, frames)
    found = told(clip)
    assert found["repeated frames"].value == f"{doubled} of 600"
    assert found["repeated frames"].verdict == verdict


@pytest.mark.long
def test_facts_that_are_missing_are_poor(tmp_path):
    clip = made(tmp_path, "glowing")
    bare = told(clip)
    assert (bare["record rate"].verdict, bare["scale"].verdict) == ("poor", "poor")
    assert bare["other facts"].verdict == "fair"
    given = told(clip, Recording(**FACTS, material="austenitic-stainless"))
    assert given["record rate"].verdict == "fact"
    assert "scale" not in given
    assert "other facts" not in given
