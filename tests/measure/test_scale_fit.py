"""A scale file and a clip of another picture size: a part cut out keeps its scale, all else does not."""

from __future__ import annotations

import json

import numpy as np
import pytest

from poolwatch.cli.main import main
from poolwatch.measure import MeasureSettings, recording_of
from poolwatch.measure.scale_fit import check_scale, other_size, scale_finding
from poolwatch.measure.settings import settings_id
from poolwatch.model.errors import MeasurementError, UsageError
from poolwatch.model.recording import Recording
from poolwatch.scale.file import read_scale
from poolwatch.scale.points import Pair, scale_from_points
from poolwatch.simulate import Scene, write_simulation

pytestmark = pytest.mark.slow

TILTED = (1.1, 0.0, 0.0, 1 / 1.1)


def facts(**more):
    return Recording(record_rate_hz=1000.0, mm_per_px=0.02, **more)


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    scene = {"frames": 60, "seed": 37, "camera": {"width": 160, "height": 96, "mm_per_px": 0.03}}
    return write_simulation(Scene.checked(scene, where="test"), tmp_path_factory.mktemp("c"), format="npy")


@pytest.fixture
def scale(tmp_path):
    out = tmp_path / "scale.toml"
    arguments = ["calibrate", "points", "--px", "10,20", "410,20", "--mm", "12", "--picture", "640,480"]
    assert main([*arguments, "--out", str(out)]) == 0
    return out


def test_the_file_holds_the_size_and_files_without_it_are_read(scale, tmp_path):
    assert read_scale(scale).picture_px == (640, 480)
    bare = tmp_path / "bare.toml"
    bare.write_text("[scale]\nmm_per_px = 0.03\n")
    assert read_scale(bare).picture_px is None
    bare.write_text("[scale]\nmm_per_px = 0.03\npicture_px = [640, 0]\n")
    with pytest.raises(UsageError, match="picture_px"):
        read_scale(bare)


@pytest.mark.long
def test_a_clip_of_another_size_is_flagged_unless_it_is_said_to_be_cut_out(clip, scale, tmp_path, capsys):
    common = ["--record-rate", "10000", "--scale", str(scale), "--no-overlay", "--no-report"]
    assert main(["measure", str(clip), "--out", str(tmp_path / "a"), *common]) == 0
    assert "scale_other_size" in capsys.readouterr().out
    arguments = ["measure", str(clip), "--out", str(tmp_path / "b"), *common, "--scale-crop", "200,100"]
    assert main(arguments) == 0
    run = json.loads((tmp_path / "b" / clip.stem / "run.json").read_text(encoding="utf-8"))
    assert "scale_other_size" not in run["flags"]
    assert run["recording"]["scale_crop_px"] == [200, 100]
    arguments[-1] = "600,100"
    assert main(arguments) == 1
    assert "no part of it" in capsys.readouterr().err
    arguments[-1] = "six"
    assert main(arguments) == 2


@pytest.mark.long
def test_inspection_says_it_and_ends_with_1_where_a_script_asks(clip, scale, capsys):
    arguments = ["inspect", str(clip), "--record-rate", "10000", "--scale", str(scale)]
    assert main([*arguments, "--json"]) == 0
    found = {f["name"]: f for f in json.loads(capsys.readouterr().out)["findings"]}
    assert found["scale"]["verdict"] == "fair"
    assert "640 x 480 px" in found["scale"]["value"]
    # 60 frames are too short for frequencies: poor.
    assert main([*arguments, "--strict"]) == 1
    assert "not fit for measuring as it is; poor: frequencies" in capsys.readouterr().err
    assert main(arguments) == 0


def test_a_tilted_view_of_another_size_is_refused():
    tilted = {"stretch": TILTED, "scale_picture_px": (640, 480), "scale_place_px": (320.0, 240.0)}
    check_scale(facts(**tilted), 640, 480)
    with pytest.raises(MeasurementError, match=r"the view is tilted.*--scale-crop"):
        check_scale(facts(**tilted), 320, 200)
    check_scale(facts(**tilted, scale_crop_px=(200, 150)), 320, 200)
    with pytest.raises(MeasurementError, match="outside the part of 320 x 200 px at 0,0"):
        check_scale(facts(**tilted, scale_crop_px=(0, 0)), 320, 200)
    (finding,) = scale_finding(facts(**tilted), 320, 200)
    assert finding.verdict == "poor"


def test_both_sides_by_one_factor_hints_at_binning():
    (finding,) = scale_finding(facts(scale_picture_px=(640, 480)), 320, 240)
    assert "by 2, as binning or resizing" in finding.value
    (finding,) = scale_finding(facts(scale_picture_px=(640, 480)), 320, 200)
    assert "binning" not in finding.value
    # The scale's picture may be the part: calibrated in a small one, filmed in a larger one around it.
    check_scale(facts(scale_picture_px=(320, 200), scale_crop_px=(-100, -50)), 640, 480)
    assert not other_size(facts(scale_picture_px=(320, 200), scale_crop_px=(-100, -50)), 640, 480)
    assert not other_size(facts(), 640, 480)


def test_a_scale_given_for_the_clip_replaces_all_of_that_in_the_settings():
    settings = MeasureSettings(
        recording={"mm_per_px": 0.01, "stretch": TILTED, "scale_picture_px": (640, 480)}
    )
    given = {"record_rate_hz": 1000.0, "mm_per_px": 0.02}
    recording = recording_of(settings, given, where="test")
    assert recording.mm_per_px == 0.02
    assert recording.stretch is None
    assert recording.scale_picture_px is None
    assert recording_of(settings, {"record_rate_hz": 1000.0}, where="test").stretch == TILTED


def test_the_fingerprint_of_settings_counts_the_size_where_it_is_known():
    settings = MeasureSettings()
    bare = settings_id(settings, facts())
    assert settings_id(settings, facts(scale_picture_px=(640, 480))) != bare


def test_points_outside_the_picture_are_refused():
    with pytest.raises(UsageError, match=r"700,20 is outside the picture of 640 x 480 px"):
        scale_from_points([Pair((10, 20), (700, 20), 8.0)], picture_px=(640, 480))


def test_size_of_a_photo_is_read_from_it(tmp_path, capsys):
    import cv2

    photo = tmp_path / "ruler.png"
    cv2.imwrite(str(photo), np.zeros((120, 200), np.uint8))
    out = tmp_path / "s.toml"
    arguments = ["calibrate", "points", "--px", "10,20", "150,20", "--mm", "3", "--out", str(out)]
    assert main([*arguments, "--photo", str(photo)]) == 0
    assert read_scale(out).picture_px == (200, 120)
    assert main([*arguments, "--photo", str(photo), "--picture", "640,480"]) == 2
    assert "is 200 x 120 px, but --picture says 640,480" in capsys.readouterr().err
    # A name alone is noted, as ever.
    assert main([*arguments, "--photo", "elsewhere.png"]) == 0
    assert read_scale(out).picture_px is None
