"""Whole trials with a measurer that invents rows: what fails, what is resumed, what is scored alike."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from poolwatch.model.errors import OutputError, PoolwatchError, UsageError
from poolwatch.model.table import csv_text
from poolwatch.trial import rank_shapes, read_rows
from poolwatch.trial.batch import ClipEvent
from poolwatch.trial.results import TrialResult
from poolwatch.trial.run import run_trial
from tests.trial.invented import InventedMeasurer, lay_out, ordinary, recording

pytestmark = pytest.mark.slow


def trial(manifest: Path, out: Path, **more: object) -> TrialResult:
    more.setdefault("measurer", InventedMeasurer())
    # Each worker is a process that must start first; tests of several say so.
    more.setdefault("workers", None if "scheduler" in more else 1)
    # Invented clips have nothing that a report could show.
    more.setdefault("report", False)
    return run_trial(manifest, out, **more)  # type: ignore[arg-type]


def log_of(path: Path) -> list[str]:
    return path.read_text().splitlines() if path.exists() else []


def test_a_trial_from_manifest_to_files(tmp_path: Path) -> None:
    cells = {name: f",{n},{600 - 10 * n}" for n, name in enumerate(ordinary())}
    manifest = lay_out(tmp_path, ordinary(), ",factor_power,outcome_rm_mpa", cells)
    events: list[ClipEvent] = []
    result = trial(manifest, tmp_path / "out", progress=events.append)
    assert result.ranking.table["beam_shape"].tolist() == ["crescent", "flat-top", "single-spot"]
    scores = pd.read_csv(tmp_path / "out" / "scores.csv")
    assert scores["clip"].tolist() == [line.split(",")[0] for line in manifest.read_text().splitlines()[1:]]
    assert scores["factor_power"].tolist() == list(range(9))
    assert scores["outcome_rm_mpa"].tolist() == [600 - 10 * n for n in range(9)]
    for folder, clip in zip(scores["folder"], scores["clip"], strict=True):
        assert (tmp_path / "out" / folder / "overlay.mp4").exists()
        assert (tmp_path / "out" / folder / "source.txt").read_text() == str((tmp_path / clip).resolve())
    for name in ("ranking.csv", "pairs.csv", "excluded.csv", "effects.csv", "next_welds.csv", "outcomes.csv"):
        assert (tmp_path / "out" / name).exists()
    assert sum(event.kind == "done" for event in events) == 9
    assert any(event.kind == "frames" and 0 < event.share <= 1 for event in events)
    assert sum({event.clip: event.work for event in events}.values()) == pytest.approx(1)


def test_rank_from_scores_csv_gives_the_trials_ranking(tmp_path: Path) -> None:
    result = trial(lay_out(tmp_path, ordinary()), tmp_path / "out")
    again = rank_shapes(read_rows(tmp_path / "out" / "scores.csv"))
    pd.testing.assert_frame_equal(again.table, result.ranking.table, rtol=1e-6)


def test_one_bad_clip_never_stops_the_others(tmp_path: Path) -> None:
    clips = ordinary()
    clips["crescent/2"] = "fail = no pool found"
    clips["flat-top/1"] = "bug = boom"
    clips["single-spot/3"] = "crash = SIGKILL"
    events: list[ClipEvent] = []
    result = trial(lay_out(tmp_path, clips), tmp_path / "out", progress=events.append)
    reasons = dict(zip(result.ranking.excluded["clip"], result.ranking.excluded["reason"], strict=True))
    assert "no pool found" in reasons["clips/crescent/weld2.avi"]
    assert "unexpected RuntimeError: boom (in invented.py, line" in reasons["clips/flat-top/weld1.avi"]
    assert "ended by SIGKILL, twice; often too little memory" in reasons["clips/single-spot/weld3.avi"]
    assert result.ranking.table["clips"].tolist() == [2, 2, 2]
    assert result.ranking.table["remarks"].str.contains("excluded: clips/").all()
    assert "Not counted" in result.ranking.reading
    assert sum(event.kind == "failed" for event in events) == 3
    assert (pd.read_csv(tmp_path / "out" / "excluded.csv")["clip"] == list(reasons)).all()


def test_no_clip_left_is_an_error_of_one_line(tmp_path: Path) -> None:
    manifest = lay_out(tmp_path, {"crescent/1": "fail = dark"})
    with pytest.raises(PoolwatchError, match=r"none of the 1 clips could be measured; first .*dark"):
        trial(manifest, tmp_path / "out")


def test_finished_clips_are_not_measured_again(tmp_path: Path) -> None:
    manifest = lay_out(tmp_path, ordinary())
    log = tmp_path / "log"
    first = trial(manifest, tmp_path / "out", measurer=InventedMeasurer(log))
    before = (tmp_path / "out" / "scores.csv").read_bytes()
    log.unlink()
    again = trial(manifest, tmp_path / "out", measurer=InventedMeasurer(log))
    assert (first.measured, first.resumed) == (9, 0)
    assert (again.measured, again.resumed) == (0, 9)
    assert log_of(log) == []
    assert (tmp_path / "out" / "scores.csv").read_bytes() == before


def test_what_changed_is_measured_again_and_nothing_else(tmp_path: Path) -> None:
    manifest = lay_out(tmp_path, ordinary())
    trial(manifest, tmp_path / "out")
    (tmp_path / "clips/crescent/weld1.avi").write_text(recording("unsteadiness = 0.5\n", "another"))
    folder = pd.read_csv(tmp_path / "out" / "scores.csv").set_index("clip")["folder"]
    (tmp_path / "out" / folder["clips/crescent/weld2.avi"] / "frames.csv").write_text("half")
    text = manifest.read_text().replace(
        "crescent/weld3.avi,crescent,3,10000,0.02", "crescent/weld3.avi,crescent,3,10000,0.03"
    )
    manifest.write_text(text)
    log = tmp_path / "log"
    assert trial(manifest, tmp_path / "out", measurer=InventedMeasurer(log)).measured == 3
    assert sorted(line for line in log_of(log) if "rescore" not in line) == [
        f"clips/crescent/weld{n}.avi" for n in (1, 2, 3)
    ]


def test_a_shape_renamed_costs_no_measuring(tmp_path: Path) -> None:
    manifest = lay_out(tmp_path, ordinary())
    trial(manifest, tmp_path / "out")
    manifest.write_text(manifest.read_text().replace(",crescent,", ",sickle,"))
    result = trial(manifest, tmp_path / "out")
    assert result.measured == 0
    assert "sickle" in result.ranking.table["beam_shape"].tolist()


@pytest.mark.long
def test_an_overlay_asked_for_later_is_made(tmp_path: Path) -> None:
    manifest = lay_out(tmp_path, ordinary(1))
    assert trial(manifest, tmp_path / "out", overlay=False).measured == 3
    assert trial(manifest, tmp_path / "out", overlay=True).measured == 3
    assert trial(manifest, tmp_path / "out", overlay=False).measured == 0


@pytest.mark.long
def test_a_video_drawn_again_costs_no_measuring(tmp_path: Path) -> None:
    """`poolwatch overlay` in a clip's folder writes the video and run.json again; figures stay as they are."""
    manifest = lay_out(tmp_path, ordinary(1))
    trial(manifest, tmp_path / "out")
    folders = sorted(path for path in (tmp_path / "out").iterdir() if path.is_dir())
    for name in ("overlay.mp4", "run.json", "report.html"):
        (folders[0] / name).write_bytes(b"of another size")
    assert trial(manifest, tmp_path / "out").measured == 0
    (folders[0] / "overlay.mp4").unlink()
    assert trial(manifest, tmp_path / "out", overlay=False).measured == 0
    assert trial(manifest, tmp_path / "out").measured == 1


@pytest.mark.long
def test_a_clip_measured_by_hand_into_its_folder_is_measured_again(tmp_path: Path) -> None:
    """Other settings may give tables of the same sizes: the score row tells."""
    manifest = lay_out(tmp_path, ordinary(1))
    trial(manifest, tmp_path / "out")
    scores = (tmp_path / "out" / "scores.csv").read_bytes()
    row = next((tmp_path / "out").glob("*/score.csv"))
    text = row.read_text()
    other = text.replace("default", "DEFAULT")
    assert other != text
    row.write_text(other)
    assert row.stat().st_size == len(text.encode())
    assert trial(manifest, tmp_path / "out").measured == 1
    assert (tmp_path / "out" / "scores.csv").read_bytes() == scores


@pytest.mark.long
def test_workers_never_change_a_number(tmp_path: Path) -> None:
    manifest = lay_out(tmp_path, ordinary())
    trial(manifest, tmp_path / "one", workers=1)
    trial(manifest, tmp_path / "three", workers=3)
    for name in ("scores.csv", "ranking.csv", "pairs.csv"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "three" / name).read_bytes()


def test_clips_are_scored_in_the_band_and_particle_size_that_all_support(tmp_path: Path) -> None:
    clips = ordinary()
    clips["crescent/1"] += "band_high = 900\n"
    clips["flat-top/2"] += "smallest = 0.12\n"
    clips["single-spot/1"] += "lack = spatter_mass\n"
    log = tmp_path / "log"
    manifest = lay_out(tmp_path, clips)
    result = trial(manifest, tmp_path / "out", measurer=InventedMeasurer(log))
    assert set(result.scores["band_high_hz"]) == {900.0}
    assert set(result.scores["spatter_min_diameter_mm"]) == {0.12}
    assert result.scores["d_spatter_mass"].isna().all()
    assert result.basis.leave_out == ("spatter_mass",)
    text = " ".join(result.notes)
    assert "20 to 900 Hz" in text
    assert "clips/crescent/weld1.avi" in text
    assert "below 0.12 mm" in text
    assert sum("rescore" in line for line in log_of(log)) == 9
    log.unlink()
    again = trial(manifest, tmp_path / "out", measurer=InventedMeasurer(log))
    assert log_of(log) == []
    pd.testing.assert_frame_equal(again.scores, result.scores, rtol=1e-8)


@pytest.mark.long
def test_a_fact_that_is_a_factor_of_the_trial_is_scored_alike(tmp_path: Path) -> None:
    """A third of the welds is five times as fast, as planned: they set the band of all, and are scored in it."""
    speeds = {name: 100 if name.endswith("3") else 20 for name in ordinary()}
    clips = {
        name: said + ("band_high = 2000" if speeds[name] == 100 else "") for name, said in ordinary().items()
    }
    manifest = lay_out(
        tmp_path,
        clips,
        ",travel_speed_mm_s,factor_travel_speed_mm_s",
        {name: f",{speed},{speed}" for name, speed in speeds.items()},
    )
    for name, speed in speeds.items():
        shape, n = name.split("/")
        path = tmp_path / "clips" / shape / f"weld{n}.avi"
        head, _, row = path.read_text().partition("---\n")
        table = pd.read_csv(io.StringIO(row)).assign(travel_speed_mm_s=float(speed))
        path.write_text(f"{head}---\n{csv_text(table)}")
    result = trial(manifest, tmp_path / "out")
    assert len(result.ranking.welds) == 9
    assert result.basis.band_hz is not None
    assert result.basis.band_hz[1] == 2000
    assert (result.scores["band_high_hz"] == 2000).all()


def test_illuminated_clip_among_glowing_ones_sets_no_band(tmp_path: Path) -> None:
    clips = ordinary()
    clips["crescent/1"] += "footage = illuminated\nband_high = 100\n"
    result = trial(lay_out(tmp_path, clips), tmp_path / "out")
    assert result.basis.band_hz == (20.0, 5000.0)
    assert result.ranking.excluded["clip"].tolist() == ["clips/crescent/weld1.avi"]
    assert len(result.scores) == 9


def test_the_same_recording_under_two_names_is_refused(tmp_path: Path) -> None:
    manifest = lay_out(tmp_path, ordinary())
    (tmp_path / "clips/crescent/weld2.avi").write_bytes((tmp_path / "clips/crescent/weld1.avi").read_bytes())
    with pytest.raises(
        UsageError, match=r"same recording under two names.*weld1\.avi and clips/crescent/weld2\.avi"
    ):
        trial(manifest, tmp_path / "out")
    assert not list((tmp_path / "out").glob("*/score.csv"))


def test_formula_like_words_stay_text_in_every_csv(tmp_path: Path) -> None:
    clips = {name.replace("crescent", "=cmd()"): text for name, text in ordinary().items()}
    manifest = lay_out(tmp_path, clips, ",factor_gas", dict.fromkeys(clips, ",=1+1"))
    trial(manifest, tmp_path / "out")
    for path in (tmp_path / "out").glob("*.csv"):
        for line in path.read_text().splitlines():
            assert not any(cell.strip('"').startswith("=") for cell in line.split(","))
    assert "=cmd()" in rank_shapes(read_rows(tmp_path / "out" / "scores.csv")).table["beam_shape"].tolist()


def test_out_that_is_a_file_is_refused_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputError, match="cannot be made a folder"):
        trial(lay_out(tmp_path, ordinary(1)), tmp_path / "out")


def test_workers_and_scheduler_exclude_each_other(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="give one of them"):
        trial(lay_out(tmp_path, ordinary(1)), tmp_path / "out", scheduler="tcp://127.0.0.1:1", workers=2)


RUN = """
import sys
from pathlib import Path
from poolwatch.trial.run import run_trial
from tests.trial.invented import InventedMeasurer
if __name__ == "__main__":
    run_trial(sys.argv[1], sys.argv[2], workers=2, report=False, measurer=InventedMeasurer(Path(sys.argv[3])))
"""


def start(place: Path, manifest: Path, out: Path) -> subprocess.Popen[bytes]:
    script = place / "run.py"
    script.write_text(RUN)
    root = str(Path(__file__).parents[2])
    return subprocess.Popen(
        [sys.executable, str(script), str(manifest), str(out), str(place / "log")],
        env={**os.environ, "PYTHONPATH": root},
        stderr=subprocess.PIPE,
    )


@pytest.mark.long
@pytest.mark.slow
@pytest.mark.parametrize("runs", [5, pytest.param(20, marks=pytest.mark.long)])
def test_killed_at_random_moments_the_end_is_the_same(runs: int, tmp_path: Path) -> None:
    """Kill -9 at random moments; each time the next run goes on, and the last gives the same bytes."""
    manifest = lay_out(tmp_path, ordinary(welds=4, more="seconds = 0.3\n"))
    trial(manifest, tmp_path / "whole")
    rng = np.random.default_rng(20)
    kills = 0
    for _ in range(runs):
        process = start(tmp_path, manifest, tmp_path / "cut")
        try:
            process.wait(timeout=rng.uniform(0.5, 2.5))
        except subprocess.TimeoutExpired:
            process.kill()
            kills += 1
        process.communicate()
        if process.returncode == 0 and kills < runs:
            # Finished before the kill: take half of it away and go on killing.
            for folder in sorted(path for path in (tmp_path / "cut").iterdir() if path.is_dir())[::2]:
                for file in folder.iterdir():
                    file.unlink()
    process = start(tmp_path, manifest, tmp_path / "cut")
    assert process.communicate(timeout=60)[1] == b""
    for name in ("scores.csv", "ranking.csv", "pairs.csv"):
        assert (tmp_path / "cut" / name).read_bytes() == (tmp_path / "whole" / name).read_bytes()
    assert kills > runs // 4
    assert not list((tmp_path / "cut").rglob("*.partial*"))


def test_workers_end_when_the_run_is_killed(tmp_path: Path) -> None:
    manifest = lay_out(tmp_path, {f"crescent/{n}": "unsteadiness = 1\nseconds = 1\n" for n in range(1, 9)})
    process = start(tmp_path, manifest, tmp_path / "out")
    deadline = time.monotonic() + 30
    while not log_of(tmp_path / "log") and time.monotonic() < deadline:
        time.sleep(0.05)
    process.kill()
    process.communicate()
    time.sleep(2.5)
    seen = log_of(tmp_path / "log")
    time.sleep(1.5)
    assert log_of(tmp_path / "log") == seen
    assert 1 <= len(seen) <= 4


def test_interrupt_ends_the_workers_and_keeps_what_is_finished(tmp_path: Path) -> None:
    manifest = lay_out(tmp_path, ordinary(2, "seconds = 0.5\n"))

    def stop(event: ClipEvent) -> None:
        if event.kind == "done":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        trial(manifest, tmp_path / "out", progress=stop)
    result = trial(manifest, tmp_path / "out")
    assert result.resumed >= 1
    assert result.measured + result.resumed == 6


@pytest.mark.long
def test_tables_whose_columns_are_gone_do_not_stay(tmp_path: Path) -> None:
    cells = {name: f",{n},{600 - 10 * n}" for n, name in enumerate(ordinary())}
    trial(lay_out(tmp_path, ordinary(), ",factor_power,outcome_rm_mpa", cells), tmp_path / "out")
    assert (tmp_path / "out" / "outcomes.csv").exists()
    trial(lay_out(tmp_path, ordinary()), tmp_path / "out")
    for name in ("effects.csv", "next_welds.csv", "outcomes.csv"):
        assert not (tmp_path / "out" / name).exists()
