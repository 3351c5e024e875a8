"""`measure` of several clips, what it never replaces, and names that do not fit what is written."""

from __future__ import annotations

import shutil

import pandas as pd
import pytest

from poolwatch.cli.main import main
from poolwatch.measure import read_measurement
from poolwatch.measure.result_folder import refuse_other_recording
from poolwatch.model.errors import UsageError
from poolwatch.simulate import Scene, write_simulation

GIVEN = ["--record-rate", "10000", "--mm-per-px", "0.03", "--no-report", "--no-overlay"]


def simulated(folder, seed, name):
    camera = {"width": 160, "height": 96, "mm_per_px": 0.03}
    scene = Scene.checked({"frames": 240, "seed": seed, "camera": camera}, where="test")
    return write_simulation(scene, folder, name=name, format="avi-ffv1")


@pytest.fixture(scope="module")
def clips(tmp_path_factory):
    root = tmp_path_factory.mktemp("several")
    return [
        simulated(root / "monday", 31, "w1"),
        simulated(root / "monday", 32, "w2"),
        simulated(root / "tuesday", 33, "w1"),
    ]


def run(capsys, *arguments):
    code = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


def test_several_clips_share_the_facts_and_one_that_fails_stops_no_other(clips, tmp_path, capsys):
    broken = tmp_path / "broken.avi"
    broken.write_bytes(b"RIFF of nothing")
    code, out, err = run(capsys, "measure", clips[0], broken, clips[1], "--out", tmp_path / "o", *GIVEN)
    assert code == 1
    assert {path.name for path in (tmp_path / "o").iterdir()} == {"w1", "w2"}
    assert out.count("stability index") == 2
    lines = err.splitlines()
    assert any(line.startswith("broken.avi: failed: ") for line in lines)
    assert lines[-1].endswith("1 of 3 clips could not be measured: broken.avi; the reasons are above")
    rates = {
        read_measurement(tmp_path / "o" / name).run["recording"]["record_rate_hz"] for name in ("w1", "w2")
    }
    assert rates == {10_000.0}


def test_two_clips_of_one_name_are_refused_before_anything_is_measured(clips, tmp_path, capsys):
    code, _, err = run(capsys, "measure", clips[0], clips[2], "--out", tmp_path / "o", *GIVEN)
    assert code == 2
    assert "would both go into" in err
    assert not (tmp_path / "o").exists()


@pytest.mark.long
def test_another_recordings_results_are_never_replaced(clips, tmp_path, capsys):
    monday, _, tuesday = clips
    out = tmp_path / "o"
    assert run(capsys, "measure", monday, "--out", out, *GIVEN)[0] == 0
    before = (out / "w1" / "score.csv").read_bytes()
    code, _, err = run(capsys, "measure", tuesday, "--out", out, *GIVEN)
    assert code == 2
    assert f"holds the results of another recording, {monday}" in err
    assert "--replace" in err
    assert (out / "w1" / "score.csv").read_bytes() == before
    # Broken off before run.json was written: the score row still says whose it is.
    (out / "w1" / "run.json").unlink()
    assert run(capsys, "measure", tuesday, "--out", out, *GIVEN)[0] == 2
    # The same recording is measured again, wherever it lies now.
    moved = shutil.copy(monday, tmp_path / "w1.avi")
    assert run(capsys, "measure", moved, "--out", out, *GIVEN)[0] == 0
    assert (out / "w1" / "score.csv").read_bytes() == before
    assert run(capsys, "measure", tuesday, "--out", out, "--replace", *GIVEN)[0] == 0
    assert (out / "w1" / "score.csv").read_bytes() != before


def test_a_folder_without_results_is_nobodys(clips, tmp_path):
    refuse_other_recording(tmp_path / "none", clips[0])
    (tmp_path / "run.json").write_text("no json")
    (tmp_path / "score.csv").write_text("clip_id\n0123456789abcdef\n")
    with pytest.raises(UsageError, match="another recording; give another --out"):
        refuse_other_recording(tmp_path, clips[0])


@pytest.mark.long
def test_names_that_do_not_fit_and_amounts_with_units(clips, tmp_path, capsys):
    assert run(capsys, "measure", clips[0], "--out", tmp_path, *GIVEN)[0] == 0
    folder = tmp_path / "w1"
    for name in ("x.gif", "x.webm", "x"):
        code, _, err = run(capsys, "overlay", folder, "--out", tmp_path / name)
        assert (code, "ends in .mp4" in err) == (2, True), err
        assert not (tmp_path / name).exists()
    code, _, err = run(capsys, "overlay", folder, "--still", "5", "--out", tmp_path / "x.jpg")
    assert (code, "ends in .png" in err) == (2, True), err
    part = ["--start", "10ms", "--end", "15 ms", "--max-seconds", "2"]
    assert run(capsys, "overlay", folder, "--out", tmp_path / "x.mp4", *part)[0] == 0
    assert run(capsys, "overlay", folder, "--out", tmp_path / "y.mp4", "--start", "0.010", *part[2:])[0] == 0
    assert (tmp_path / "x.mp4").read_bytes() == (tmp_path / "y.mp4").read_bytes()
    assert run(capsys, "overlay", folder, "--out", tmp_path / "z.mp4", "--start", "soon")[0] == 2


@pytest.mark.long
def test_inspect_is_not_strict_about_little_and_is_about_much(clips, tmp_path, capsys):
    whole = ["--record-rate", "10000", "--mm-per-px", "0.03"]
    code, out, err = run(capsys, "inspect", clips[0], "--strict")
    assert code == 1
    assert "record rate" in err
    assert "scale" in err
    assert "not fit for measuring as it is" in out
    code, out, err = run(capsys, "inspect", clips[0], "--strict", *whole)
    assert "record rate" not in err
    assert "not given: --travel-speed, --exposure, --material" in " ".join(out.split())


@pytest.mark.long
def test_score_rows_of_several_clips_can_be_put_together(clips, tmp_path, capsys):
    assert run(capsys, "measure", *clips[:2], "--out", tmp_path, *GIVEN, "--beam-shape", "ring")[0] == 0
    rows = pd.concat(pd.read_csv(tmp_path / name / "score.csv") for name in ("w1", "w2"))
    assert rows["beam_shape"].tolist() == ["ring", "ring"]
