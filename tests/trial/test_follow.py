"""A day beside the machine: rows filled in and clips that grow while the trial is followed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd
import pytest

from poolwatch.cli.main import main
from poolwatch.model.errors import OutputError, TableError
from poolwatch.model.locking import locked_folder
from poolwatch.trial.follow import FollowPace, follow_trial
from poolwatch.trial.notices import FollowState, Notice
from poolwatch.trial.run import TrialOptions, run_trial
from poolwatch.trial.settled_files import SettledFiles, state_of_recording
from tests.trial.invented import InventedMeasurer, recording

pytestmark = pytest.mark.slow

HEADER = "clip,beam_shape,replicate,record_rate_hz,mm_per_px"
PACE = FollowPace(poll_s=0.05, settle_s=0.3)
LEVEL = {"crescent": 0.4, "flat-top": 0.8, "single-spot": 1.4}


def planned(shapes: tuple[str, ...] = tuple(LEVEL), welds: int = 2) -> list[str]:
    return [f",{shape},{n},," for n in range(1, welds + 1) for shape in shapes]


def filled(row: str) -> str:
    _, shape, n, *_ = row.split(",")
    return f"{shape}-{n}.avi,{shape},{n},10000,0.02"


def save(place: Path, rows: list[str], *, encoding: str = "utf-8", ends: str = "\n") -> Path:
    path = place / "manifest.csv"
    path.write_bytes(ends.join([HEADER, *rows, ""]).encode(encoding))
    return path


def content(name: str, more: str = "") -> str:
    shape, _, n = name.removesuffix(".avi").rpartition("-")
    return recording(f"unsteadiness = {LEVEL[shape]}\n{more}", f"{shape}/{n}")


class Day:
    """A followed trial in a thread, and what it said."""

    def __init__(self, manifest: Path, out: Path, **more: object) -> None:
        self.notices: list[Notice] = []
        self.state: FollowState | None = None
        self._going = True
        more.setdefault("options", TrialOptions(workers=1, report=False))
        more.setdefault("measurer", InventedMeasurer(out.parent / "log"))
        self._thread = threading.Thread(target=self._run, args=(manifest, out, more), daemon=True)
        self.error: BaseException | None = None

    def _run(self, manifest: Path, out: Path, more: dict[str, object]) -> None:
        def keep_on(state: FollowState) -> bool:
            self.state = state
            return self._going

        try:
            follow_trial(manifest, out, pace=PACE, notify=self.notices.append, keep_on=keep_on, **more)  # type: ignore[arg-type]
        except BaseException as error:  # noqa: BLE001
            self.error = error

    def texts(self, kind: str) -> list[str]:
        return [notice.text for notice in self.notices if notice.kind == kind]

    def until(self, done: Callable[[], bool], what: str, timeout: float = 60) -> None:
        deadline = time.monotonic() + timeout
        while not done():
            assert self.error is None, self.error
            assert time.monotonic() < deadline, f"{what}; said: {self.notices}"
            time.sleep(0.02)

    @contextmanager
    def going(self) -> Iterator[Day]:
        self._thread.start()
        try:
            yield self
        finally:
            self._going = False
            self._thread.join(60)
            assert not self._thread.is_alive()
        assert self.error is None, self.error

    def measured(self, count: int) -> Callable[[], bool]:
        return lambda: self.state is not None and self.state.measured == count


def log(place: Path) -> list[str]:
    path = place / "log"
    return [line for line in path.read_text().splitlines() if "rescore" not in line] if path.exists() else []


def grow(path: Path, text: str, parts: int = 6, pause: float = 0.1) -> None:
    """A camera that writes a file bit by bit."""
    step = -(-len(text) // parts)
    for k in range(parts):
        with path.open("a") as file:
            file.write(text[k * step : (k + 1) * step])
        time.sleep(pause)


def test_a_day_from_an_empty_sheet_to_the_whole_ranking(tmp_path: Path) -> None:
    rows = planned()
    out = tmp_path / "out"
    with Day(save(tmp_path, rows), out).going() as day:
        day.until(lambda: bool(day.texts("sheet")), "the sheet is read")
        # A table without one whole row is no fault here.
        assert day.texts("sheet")[0] == "0 of 6 welds filled in"
        assert day.texts("sheet")[1] == "rows 2 to 7: clip, record_rate_hz and mm_per_px to be filled in"
        for n in range(len(rows)):
            rows[n] = filled(rows[n])
            save(tmp_path, rows)
            name = rows[n].split(",")[0]
            grow(tmp_path / name, content(name))
            day.until(day.measured(n + 1), f"{name} is measured")
            assert pd.read_csv(out / "ranking.csv")["clips"].sum() == n + 1
        assert day.state == FollowState(6, 6, 0)
        day.until(lambda: "idle" in {notice.kind for notice in day.notices[-1:]}, "nothing is left to do")
    # Each clip was measured once, when it was whole.
    assert log(tmp_path) == [row.split(",")[0] for row in rows]
    assert len(day.texts("clip")) == 6
    assert day.texts("clip")[0].startswith("crescent-1.avi (crescent, 1): index ")
    assert day.texts("ranking")[-1].startswith("6 welds: crescent ")
    assert "6 of 6 welds measured" in day.texts("idle")[-1]
    run_trial(
        tmp_path / "manifest.csv", tmp_path / "whole", workers=1, report=False, measurer=InventedMeasurer()
    )
    for name in ("scores.csv", "ranking.csv", "pairs.csv", "excluded.csv"):
        assert (out / name).read_bytes() == (tmp_path / "whole" / name).read_bytes()


def test_what_a_clip_does_to_the_order_is_said(tmp_path: Path) -> None:
    rows = [filled(row) for row in planned(("flat-top", "crescent"), 1)]
    (tmp_path / "flat-top-1.avi").write_text(content("flat-top-1.avi"))
    with Day(save(tmp_path, rows), tmp_path / "out").going() as day:
        day.until(day.measured(1), "the first is measured")
        assert "row 3, clip: 'crescent-1.avi' is not there" in day.texts("sheet")[-1]
        (tmp_path / "crescent-1.avi").write_text(content("crescent-1.avi"))
        day.until(day.measured(2), "the second is measured")
        day.until(lambda: "order as before" in day.texts("ranking")[-1], "the order is said")
        # The crescent turns out to be the worst of all.
        text = recording("unsteadiness = 9\n", "crescent/1")
        (tmp_path / "crescent-1.avi").write_text(text)
        day.until(lambda: "order changed: was crescent, flat-top" in day.texts("ranking")[-1], "it changed")
    assert log(tmp_path) == ["flat-top-1.avi", "crescent-1.avi", "crescent-1.avi"]


def test_a_clip_that_fails_is_said_and_tried_again_when_it_changes(tmp_path: Path) -> None:
    rows = [filled(row) for row in planned(("crescent", "flat-top"), 1)]
    (tmp_path / "crescent-1.avi").write_text(content("crescent-1.avi", "fail = no pool found\n"))
    (tmp_path / "flat-top-1.avi").write_text(content("flat-top-1.avi"))
    with Day(save(tmp_path, rows), tmp_path / "out").going() as day:
        day.until(lambda: day.state == FollowState(2, 1, 1), "one is measured, one failed")
        assert "no pool found; tried again when its row or file changes" in day.texts("failed")[0]
        excluded = pd.read_csv(tmp_path / "out" / "excluded.csv")
        assert excluded["clip"].tolist() == ["crescent-1.avi"]
        tried = log(tmp_path).count("crescent-1.avi")
        time.sleep(0.5)
        assert log(tmp_path).count("crescent-1.avi") == tried
        (tmp_path / "crescent-1.avi").write_text(content("crescent-1.avi"))
        day.until(day.measured(2), "it is measured now")
    assert not len(pd.read_csv(tmp_path / "out" / "excluded.csv"))


def test_a_file_that_rests_but_does_not_open_is_waited_for(tmp_path: Path) -> None:
    rows = [filled(row) for row in planned(("crescent",), 1)]
    path = tmp_path / "crescent-1.avi"
    whole = content("crescent-1.avi")
    path.write_text(whole[:10])
    with Day(save(tmp_path, rows), tmp_path / "out").going() as day:
        day.until(lambda: bool(day.texts("trouble")), "it says that the file does not open")
        assert "crescent-1.avi: does not open yet: " in day.texts("trouble")[0]
        assert log(tmp_path) == []
        path.write_text(whole)
        day.until(day.measured(1), "it is measured")
    assert log(tmp_path) == ["crescent-1.avi"]


@pytest.mark.often("cut quote", "gone")
@pytest.mark.parametrize(
    "broken",
    [
        b"",
        b"clip,beam_shape",
        b'clip,beam_shape,replicate,record_rate_hz,mm_per_px\n"crescent-1.avi,crescent',
        b"clip,beam_shape,replicate,record_rate_hz,mm_per_px\ncrescent-1.avi,crescent,1,10 kHz,0.02\n",
        b"\x00\x01\x02",
        None,
    ],
    ids=["empty", "cut header", "cut quote", "fault", "no text", "gone"],
)
def test_a_manifest_that_is_being_saved_is_waited_for(tmp_path: Path, broken: bytes | None) -> None:
    rows = [filled(row) for row in planned(("crescent", "flat-top"), 1)]
    for row in rows:
        name = row.split(",")[0]
        (tmp_path / name).write_text(content(name))
    manifest = save(tmp_path, rows[:1])
    with Day(manifest, tmp_path / "out").going() as day:
        day.until(day.measured(1), "the first is measured")
        if broken is None:
            manifest.unlink()
        else:
            manifest.write_bytes(broken)
        day.until(lambda: bool(day.texts("trouble") or len(day.texts("sheet")) > 1), "it is said")
        assert len(pd.read_csv(tmp_path / "out" / "ranking.csv")) == 1
        # As a spreadsheet elsewhere saves it: semicolons, decimal commas, a byte-order mark, Windows line ends.
        lines = ["crescent-1.avi;crescent;1;10000;0,02", "flat-top-1.avi;flat-top;1;10000;0,02"]
        text = "\r\n".join([HEADER.replace(",", ";"), *lines, ""])
        manifest.write_bytes(b"\xef\xbb\xbf" + text.encode())
        day.until(day.measured(2), "the second is measured")
    assert log(tmp_path) == ["crescent-1.avi", "flat-top-1.avi"]


def test_a_faulty_row_holds_up_no_other(tmp_path: Path) -> None:
    rows = [filled(row) for row in planned(("crescent", "flat-top", "single-spot"), 1)]
    for row in rows:
        name = row.split(",")[0]
        (tmp_path / name).write_text(content(name))
    wrong = [rows[0], rows[1].replace("10000", "10 kHz"), rows[2]]
    with Day(save(tmp_path, wrong), tmp_path / "out").going() as day:
        day.until(day.measured(2), "the others are measured")
        assert any("row 3, record_rate_hz: '10 kHz'" in text for text in day.texts("sheet"))
        save(tmp_path, rows)
        day.until(day.measured(3), "it is measured once mended")


def test_a_copy_of_a_clip_is_no_second_weld(tmp_path: Path) -> None:
    rows = [filled(row) for row in planned(("crescent",), 2)]
    for name in ("crescent-1.avi", "crescent-2.avi"):
        (tmp_path / name).write_text(content("crescent-1.avi"))
    with Day(save(tmp_path, rows), tmp_path / "out").going() as day:
        day.until(lambda: bool(day.texts("trouble")), "the copy is named")
        day.until(day.measured(1), "the other is measured")
        assert "is the same recording as crescent-" in day.texts("trouble")[0]
        (tmp_path / "crescent-2.avi").write_text(content("crescent-2.avi"))
        day.until(day.measured(2), "both are measured")


@pytest.mark.often("True")
@pytest.mark.parametrize("whole", [True, False])
def test_a_recording_that_went_away_while_it_was_measured_is_tried_again(tmp_path: Path, whole: bool) -> None:
    """A network folder that drops out, with the manifest on it or without."""
    share = tmp_path / "share"
    share.mkdir()
    row = filled(planned(("crescent",), 1)[0])
    (share / "crescent-1.avi").write_text(content("crescent-1.avi", "seconds = 1.5"))
    manifest = save(share if whole else tmp_path, [row if whole else f"share/{row}"])
    with Day(manifest, tmp_path / "out").going() as day:
        day.until(lambda: bool(day.texts("measuring")), "it is being measured")
        time.sleep(0.5)
        share.rename(tmp_path / "away")
        day.until(lambda: bool(day.texts("failed")), "it cannot be read any more")
        time.sleep(0.8)
        (tmp_path / "away").rename(share)
        day.until(day.measured(1), "it is measured after all")


@pytest.mark.long
def test_a_recording_that_is_away_for_a_while_still_counts(tmp_path: Path) -> None:
    """A network folder that drops out must not empty the ranking."""
    rows = [filled(row) for row in planned(("crescent", "flat-top"), 1)]
    for row in rows:
        name = row.split(",")[0]
        (tmp_path / name).write_text(content(name))
    with Day(save(tmp_path, rows[:2]), tmp_path / "out").going() as day:
        day.until(day.measured(2), "both are measured")
        (tmp_path / "crescent-1.avi").rename(tmp_path / "away")
        save(tmp_path, [*rows, ",crescent,2,,"])
        day.until(lambda: day.texts("sheet")[-2:-1] == ["2 of 3 welds filled in"], "the new row is seen")
        time.sleep(0.3)
        assert pd.read_csv(tmp_path / "out" / "ranking.csv")["clips"].sum() == 2
        (tmp_path / "away").rename(tmp_path / "crescent-1.avi")
        time.sleep(0.6)
    assert len(log(tmp_path)) == 2


@pytest.mark.long
def test_recordings_put_away_after_measuring_still_count(tmp_path: Path) -> None:
    """Archived, or on a network folder that is down when the trial is started again."""
    rows = [filled(row) for row in planned(("crescent", "flat-top"), 2)]
    for row in rows:
        name = row.split(",")[0]
        (tmp_path / name).write_text(content(name))
    manifest, out = save(tmp_path, rows), tmp_path / "out"
    measurer = InventedMeasurer(tmp_path / "log")
    run_trial(manifest, out, workers=1, report=False, measurer=measurer)
    before = (out / "scores.csv").read_bytes()
    for name in ("crescent-1.avi", "flat-top-2.avi"):
        (tmp_path / name).unlink()
    again = run_trial(manifest, out, workers=1, report=False, measurer=measurer)
    assert (again.measured, again.resumed) == (0, 4)
    assert (out / "scores.csv").read_bytes() == before
    with Day(manifest, out).going() as day:
        day.until(day.measured(4), "all four count at once")
        day.until(lambda: bool(day.texts("ranking")), "they are ranked")
        assert day.texts("sheet") == ["4 of 4 welds filled in"]
    assert (out / "scores.csv").read_bytes() == before
    assert len(log(tmp_path)) == 4
    # What the row says of it has changed: the old figures do not stand, and the recording is not there.
    save(tmp_path, [rows[0].replace("0.02", "0.03"), *rows[1:]])
    later = run_trial(manifest, out, workers=1, report=False, measurer=measurer)
    assert len(later.scores) == 3
    for name in ("crescent-2.avi", "flat-top-1.avi"):
        (tmp_path / name).unlink()
    with pytest.raises(TableError, match=r"0 of 4 welds filled in, nothing was measured"):
        run_trial(manifest, tmp_path / "other", workers=1, report=False, measurer=measurer)


def test_results_that_cannot_be_written_are_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from poolwatch.trial.results import TrialResult

    rows = [filled(row) for row in planned(("crescent",), 1)]
    (tmp_path / "crescent-1.avi").write_text(content("crescent-1.avi"))
    full = True
    write = TrialResult.write_tables

    def perhaps(result: TrialResult) -> None:
        if full:
            raise OutputError("out: cannot be written (No space left on device)")
        write(result)

    monkeypatch.setattr(TrialResult, "write_tables", perhaps)
    monkeypatch.setattr("poolwatch.trial.follow._AGAIN_S", 0.1)
    with Day(save(tmp_path, rows), tmp_path / "out").going() as day:
        day.until(lambda: bool(day.texts("trouble")), "the full disk is said")
        time.sleep(0.4)
        assert day.texts("trouble") == ["out: cannot be written (No space left on device); tried again"]
        full = False
        day.until(lambda: (tmp_path / "out" / "ranking.csv").exists(), "it is written")


def test_an_interrupt_while_tables_are_written_leaves_them_of_one_comparison(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from poolwatch.trial import comparison

    rows = [filled(row) for row in planned(("crescent", "flat-top"), 1)]
    for row in rows:
        name = row.split(",")[0]
        (tmp_path / name).write_text(content(name))
    write, interrupted = comparison.write_text, []

    def once(path: Path, text: str) -> None:
        if path.name == "pairs.csv" and not interrupted:
            interrupted.append(path)
            raise KeyboardInterrupt
        write(path, text)

    monkeypatch.setattr(comparison, "write_text", once)
    options = TrialOptions(workers=2, report=False)
    state = follow_trial(
        save(tmp_path, rows), tmp_path / "out", options=options, pace=PACE, measurer=InventedMeasurer()
    )
    assert interrupted
    assert state.measured == 2
    assert len(pd.read_csv(tmp_path / "out" / "pairs.csv")) == 1


@pytest.mark.long
def test_whoever_reads_meanwhile_sees_a_whole_table(tmp_path: Path) -> None:
    rows = [filled(row) for row in planned(welds=3)]
    manifest, out = save(tmp_path, rows), tmp_path / "out"
    counts = []
    with Day(manifest, out).going() as day:
        for row in rows:
            name = row.split(",")[0]
            (tmp_path / name).write_text(content(name))
        while not day.measured(len(rows))():
            assert day.error is None
            if (out / "ranking.csv").exists():
                counts.append(pd.read_csv(out / "ranking.csv")["clips"].sum())
    assert counts == sorted(counts)


@pytest.mark.long
def test_rows_go_into_a_database_as_they_come(tmp_path: Path) -> None:
    from poolwatch.trial.store import open_store

    address = f"sqlite:///{tmp_path / 'trials.db'}"
    rows = [filled(row) for row in planned(("crescent", "flat-top"), 1)]
    (tmp_path / "crescent-1.avi").write_text(content("crescent-1.avi"))
    options = TrialOptions(workers=1, report=False, store=address, title="monday")
    with Day(save(tmp_path, rows), tmp_path / "out", options=options).going() as day:
        day.until(
            lambda: any("1 weld stored as trial 'monday'" in text for text in day.texts("note")), "stored"
        )
        (tmp_path / "flat-top-1.avi").write_text(content("flat-top-1.avi"))
        day.until(lambda: any("2 welds stored" in text for text in day.texts("note")), "the second, too")
    assert open_store(address).trials() == {"monday": 2}


def test_a_file_rests_by_this_machines_clock_alone(tmp_path: Path) -> None:
    now = 0.0
    resting = SettledFiles(10.0, clock=lambda: now)
    path = tmp_path / "a.avi"
    assert state_of_recording(path) is None
    path.touch()
    assert state_of_recording(path) is None, "an empty file is no recording yet"
    path.write_bytes(b"x")
    os.utime(path, (0, 0))  # the server's clock is far behind
    first = state_of_recording(path)
    assert not resting.rests(path, first)
    now = 9.0
    assert not resting.rests(path, first)
    os.utime(path, (5, 5))  # written on, at the same size
    assert not resting.rests(path, state_of_recording(path))
    now = 18.9
    assert not resting.rests(path, state_of_recording(path))
    now = 19.0
    assert resting.rests(path, state_of_recording(path))


def test_a_folder_of_stills_rests_when_none_is_added(tmp_path: Path) -> None:
    folder = tmp_path / "weld"
    folder.mkdir()
    assert state_of_recording(folder) is None
    (folder / "1.tif").write_bytes(b"x")
    first = state_of_recording(folder)
    (folder / "2.tif").write_bytes(b"x")
    assert state_of_recording(folder) not in (None, first)


FOLLOW = """
import sys
from pathlib import Path
from poolwatch.cli import main as command_line
from poolwatch.trial import follow
from tests.trial.invented import InventedMeasurer
if __name__ == "__main__":
    follow.ClipMeasurer = lambda: InventedMeasurer(Path(sys.argv[1]))
    sys.exit(command_line.main(sys.argv[2:]))
"""


def start(place: Path, manifest: Path, out: Path) -> subprocess.Popen[str]:
    script = place / "follow.py"
    script.write_text(FOLLOW)
    arguments = ["trial", str(manifest), "--out", str(out), "--follow", "--no-report", "--workers", "1"]
    with (place / "said").open("a") as said:
        return subprocess.Popen(
            [
                sys.executable,
                str(script),
                str(place / "log"),
                *arguments,
                "--poll",
                "50ms",
                "--settle",
                "300ms",
            ],
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
            stdout=said,
            stderr=subprocess.PIPE,
            text=True,
        )


def wait_for(done: Callable[[], bool], process: subprocess.Popen[str], timeout: float = 120) -> None:
    deadline = time.monotonic() + timeout
    while not done():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline
        time.sleep(0.05)


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="signals of a POSIX system")
def test_killed_and_started_again_then_ended_politely(tmp_path: Path) -> None:
    rows = [filled(row) for row in planned(welds=2)]
    manifest, out = save(tmp_path, rows), tmp_path / "out"
    for row in rows[:4]:
        name = row.split(",")[0]
        (tmp_path / name).write_text(content(name, "seconds = 0.4\n"))
    process = start(tmp_path, manifest, out)
    # In the middle of the third clip.
    wait_for(lambda: len(log(tmp_path)) == 3, process)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    again = start(tmp_path, manifest, out)
    for row in rows[4:]:
        name = row.split(",")[0]
        grow(tmp_path / name, content(name, "seconds = 0.4\n"))

    def whole() -> bool:
        return (out / "ranking.csv").exists() and pd.read_csv(out / "ranking.csv")["clips"].sum() == 6

    wait_for(whole, again)
    again.send_signal(signal.SIGINT)
    err = again.communicate(timeout=60)[1]
    assert again.returncode == 0, err
    assert "ended: 6 of 6 welds measured; the same command goes on from here" in err
    tried = log(tmp_path)
    # Only what the kill broke off was begun twice.
    assert len(tried) == 7
    assert tried[2] == tried[3]
    assert not list(out.rglob("*.partial*"))
    run_trial(manifest, tmp_path / "whole", workers=1, report=False, measurer=InventedMeasurer())
    for name in ("scores.csv", "ranking.csv"):
        assert (out / name).read_bytes() == (tmp_path / "whole" / name).read_bytes()


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="signals of a POSIX system")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ended_in_the_middle_of_a_clip(tmp_path: Path, number: signal.Signals) -> None:
    rows = [filled(row) for row in planned(("crescent", "flat-top"), 1)]
    (tmp_path / "crescent-1.avi").write_text(content("crescent-1.avi", "seconds = 30\n"))
    process = start(tmp_path, save(tmp_path, rows), tmp_path / "out")
    wait_for(lambda: bool(log(tmp_path)), process)
    process.send_signal(number)
    err = process.communicate(timeout=30)[1]
    assert process.returncode == 0, err
    assert "ended: 0 of 2 welds measured, 2 to come" in err
    assert "Traceback" not in err


def test_a_manifest_that_is_not_there_at_the_start_ends_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["trial", str(tmp_path / "none.csv"), "--out", str(tmp_path / "o"), "--follow"]) == 2
    assert "no such file" in capsys.readouterr().err


def test_pace_options_need_amounts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    manifest = save(tmp_path, planned())
    arguments = ["trial", str(manifest), "--out", str(tmp_path / "o"), "--follow"]
    assert main([*arguments, "--poll", "fast"]) == 2
    assert "--poll" in capsys.readouterr().err


def test_a_half_filled_manifest_measures_what_is_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("poolwatch.trial.run.ClipMeasurer", InventedMeasurer)
    rows = planned(welds=3)
    rows[:6] = [filled(row) for row in rows[:6]]
    for row in rows[:6]:
        name = row.split(",")[0]
        (tmp_path / name).write_text(content(name))
    manifest = save(tmp_path, rows)
    assert main(["trial", str(manifest), "--out", str(tmp_path / "o"), "--no-report", "--workers", "1"]) == 0
    out, err = capsys.readouterr()
    assert err.splitlines()[:2] == [
        "6 of 9 welds filled in; the others are left out:",
        "rows 8 to 10: clip, record_rate_hz and mm_per_px to be filled in",
    ]
    assert "6 of the 9 welds of the manifest are compared" in " ".join(out.split())
    assert len(pd.read_csv(tmp_path / "o" / "scores.csv")) == 6
    arguments = ["trial", str(manifest), "--out", str(tmp_path / "o"), "--no-report", "--workers", "1"]
    assert main([*arguments, "--strict"]) == 1
    assert "3 of 9 welds were not measured; 3 are not filled in" in capsys.readouterr().err.splitlines()[-1]


@pytest.mark.parametrize(("failed", "to_come", "code"), [(0, 0, 0), (1, 0, 1), (0, 2, 1)])
def test_a_day_that_lacks_welds_ends_strictly_with_1(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    failed: int,
    to_come: int,
    code: int,
) -> None:
    state = FollowState(9, 9 - failed - to_come, failed)
    monkeypatch.setattr("poolwatch.trial.follow.follow_trial", lambda *given, **more: state)
    arguments = ["trial", str(save(tmp_path, [])), "--out", str(tmp_path / "o"), "--follow"]
    assert main(arguments) == 0
    assert main([*arguments, "--strict"]) == code
    last = capsys.readouterr().err.splitlines()[-1]
    assert ("so the ranking lacks" in last) == bool(code)


def test_a_second_run_into_the_same_folder_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    manifest, out = save(tmp_path, []), tmp_path / "o"
    with locked_folder(out):
        for more in ([], ["--follow"]):
            assert main(["trial", str(manifest), "--out", str(out), *more]) == 1
            said = capsys.readouterr().err.splitlines()
            assert len(said) == 1
            assert "another poolwatch (process" in said[0]


def test_problems_are_listed_one_a_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [filled(row).replace("10000", "10 kHz") for row in planned()]
    assert main(["trial", str(save(tmp_path, rows)), "--out", str(tmp_path / "o")]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert lines[0].endswith("0 of 6 welds filled in: 12 problems, nothing was measured:")
    assert len(lines) == 13
    assert lines[1].startswith("(1) row 2, ")
    assert any(" row 2, record_rate_hz: '10 kHz' is not a plain number" in line for line in lines)
