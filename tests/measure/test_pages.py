"""Page and stills of a measured clip, and what its video shows."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace

import numpy as np
import pytest

from poolwatch.cli.main import main
from poolwatch.measure import read_measurement, write_clip_report, write_clip_stills, write_measurement
from poolwatch.measure.pages import clip_evidence
from poolwatch.model.errors import ClipError
from poolwatch.show.segments import OverlayChoices, pack_segments, plan_overlay, unpack_segments

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def folder(measured, tmp_path_factory):
    """The clip's folder with its video and page."""
    folder = write_measurement(measured, tmp_path_factory.mktemp("pages") / "weld")
    write_clip_report(measured, folder)
    return folder


def video_map(folder):
    """What the page's script believes that the video shows."""
    page = (folder / "report.html").read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" class="data">(.*?)</script>', page, re.S)
    return json.loads(found[1])["video"]


def run_of(folder):
    return json.loads((folder / "run.json").read_text(encoding="utf-8"))


def test_run_says_what_the_video_shows(folder):
    import av

    packed = run_of(folder)["overlay_segments"]
    segments = unpack_segments(packed)
    with av.open(str(folder / "overlay.mp4")) as container:
        pictures = sum(1 for _ in container.decode(video=0))
    assert sum(segment.pictures for segment in segments) == pictures
    assert pack_segments(segments) == packed
    assert video_map(folder) == packed


def test_page_needs_no_network_and_shows_the_worst_moment(folder):
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert 'src="./overlay.mp4"' in page
    assert not re.search(r'(?:src|href)="(?:https?:)?//', page)
    assert "largest lasting excursion of" in page
    assert "Middle line over time" in page
    assert "overlay_segments" not in page


def test_worst_moment_is_the_furthest_measured_frame(measured, folder):
    evidence = clip_evidence(measured, folder)
    result = evidence.result
    frame = int(re.match(r"frame (\d+),", evidence.moment)[1])
    table = measured.frames.set_index("frame").iloc[slice(*result.steady)]
    ok = table[table["status"] == "ok"]
    away = {}
    for name in ("pool_length_mm", "pool_width_mm"):
        smooth = ok[name].rolling(5, center=True, min_periods=5).median()
        away[name] = (smooth - smooth.median()).abs() / (smooth - smooth.median()).abs().median()
    name = max(away, key=lambda name: away[name].max())
    assert frame == away[name].idxmax()
    assert evidence.space_time is not None
    assert frame in evidence.space_time.frames
    assert len(evidence.space_time.frames) == 300
    assert evidence.still is not None


@pytest.mark.long
def test_overlay_with_other_choices_keeps_run_and_page_true(measured, folder, tmp_path):
    copy = tmp_path / "weld"
    shutil.copytree(folder, copy)
    before = run_of(copy)
    assert main(["overlay", str(copy), "--start", "0.02", "--end", "0.03", "--slow-motion", "500"]) == 0
    packed = run_of(copy)["overlay_segments"]
    choices = OverlayChoices(start_s=0.02, end_s=0.03, slow_motion=500)
    assert packed == pack_segments(plan_overlay(clip_evidence(measured, copy).result, choices))
    assert video_map(copy) == packed
    assert packed != before.pop("overlay_segments")
    assert {k: v for k, v in run_of(copy).items() if k != "overlay_segments"} == before
    # Another file beside it leaves both as they are.
    assert main(["overlay", str(copy), "--out", str(tmp_path / "other.mp4"), "--max-seconds", "1"]) == 0
    assert run_of(copy)["overlay_segments"] == packed


def test_segments_are_planned_where_none_are_written(measured, folder, tmp_path):
    copy = tmp_path / "weld"
    shutil.copytree(folder, copy)
    for words in (None, {"rate": 30, "segments": [{"hold": 1}]}):
        run = run_of(copy) | {"overlay_segments": words}
        (copy / "run.json").write_text(json.dumps(run), encoding="utf-8")
        evidence = clip_evidence(measured, copy, video="overlay.mp4")
        assert pack_segments(evidence.segments) == pack_segments(plan_overlay(evidence.result))


def test_measured_anew_leaves_no_old_video_page_or_still(measured, folder, tmp_path):
    copy = tmp_path / "weld"
    shutil.copytree(folder, copy)
    (copy / "stills").mkdir()
    for name in ("series.png", "middle_line.svg", "own.png"):
        (copy / "stills" / name).write_bytes(b"old")
    measured.write(copy)
    # What somebody else put there stays.
    assert [path.name for path in (copy / "stills").iterdir()] == ["own.png"]
    assert not (copy / "overlay.mp4").exists()
    assert not (copy / "report.html").exists()
    assert "overlay_segments" not in run_of(copy)
    evidence = clip_evidence(read_measurement(copy), copy, video="overlay.mp4")
    assert evidence.video == ""
    assert len(evidence.segments) == 0


def test_page_without_the_recording(measured, folder, tmp_path):
    run = {**measured.run, "input": {**measured.run["input"], "path": str(tmp_path / "gone.mkv")}}
    moved = replace(measured, run=run)
    path = write_clip_report(moved, shutil.copytree(folder, tmp_path / "weld"))
    page = path.read_text(encoding="utf-8")
    assert "Middle line over time" not in page
    assert "Spectra" in page
    np.save(tmp_path / "other.npy", np.zeros((3, 8, 8), np.uint8))
    with pytest.raises(ClipError, match="is not the recording that was measured"):
        write_clip_report(moved, tmp_path / "weld", clip=tmp_path / "other.npy")


@pytest.mark.long
def test_stills_for_slides(measured, folder, tmp_path):
    paths = write_clip_stills(measured, tmp_path / "weld")
    names = {"series", "spectra", "outline_motion", "spatter", "middle_line"}
    assert {p.name for p in paths} == {f"{name}.{kind}" for name in names for kind in ("png", "svg")}
    assert all(p.stat().st_size > 1000 for p in paths)
