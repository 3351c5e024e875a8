"""One process at a time writes into a folder."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from poolwatch.model.errors import OutputError
from poolwatch.model.locking import LOCK_FILE, locked_folder, sweep_left

HOLD = """
import sys, time
from poolwatch.model.locking import locked_folder
with locked_folder(sys.argv[1]):
    print("held", flush=True)
    time.sleep(60)
"""


def holder(folder: Path) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(folder)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


@pytest.mark.slow
def test_a_second_process_is_refused_and_told_by_whom(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    with holder(folder) as process:
        said = rf"another poolwatch \(process {process.pid} on .*choose another --out"
        with pytest.raises(OutputError, match=said), locked_folder(folder):
            pass
        # However it ends, the lock ends with it: nothing needs to be cleared away by hand.
        process.kill()
    assert (folder / LOCK_FILE).exists()
    with locked_folder(folder):
        pass
    assert not (folder / LOCK_FILE).exists()


def test_a_lock_file_that_nobody_holds_holds_nobody_up(tmp_path: Path) -> None:
    (tmp_path / LOCK_FILE).write_text('{"process": 1, "machine": "gone", "since": ""}', encoding="utf-8")
    with (
        locked_folder(tmp_path),
        pytest.raises(OutputError, match="another poolwatch"),
        locked_folder(tmp_path),
    ):
        pass
    with locked_folder(tmp_path):
        pass


def test_a_run_that_writes_nothing_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(KeyError), locked_folder(tmp_path / "a" / "b"):
        raise KeyError
    assert list(tmp_path.iterdir()) == []
    with locked_folder(tmp_path / "a" / "b"):
        (tmp_path / "a" / "b" / "score.csv").touch()
    assert [path.name for path in (tmp_path / "a" / "b").iterdir()] == ["score.csv"]


def test_a_file_in_the_way_is_said(tmp_path: Path) -> None:
    (tmp_path / "out").touch()
    for folder in (tmp_path / "out", tmp_path / "out" / "clip"):
        with pytest.raises(OutputError, match="cannot be made a folder"), locked_folder(folder):
            pass


def test_a_file_system_without_locks_is_written_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import errno

    def refuse(file: object) -> bool:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr("poolwatch.model.locking._lock", refuse)
    with locked_folder(tmp_path):
        assert (tmp_path / LOCK_FILE).exists()
    assert not (tmp_path / LOCK_FILE).exists()


def test_what_an_ended_process_leaves_is_taken_away(tmp_path: Path) -> None:
    for name in ("unfinished", "finished", "held"):
        (tmp_path / name).mkdir()
        (tmp_path / name / LOCK_FILE).touch()
    (tmp_path / "finished" / "run.json").touch()
    with locked_folder(tmp_path / "held"):
        sweep_left(tmp_path)
        assert (tmp_path / "held" / LOCK_FILE).exists()
    assert not (tmp_path / "unfinished").exists()
    assert [file.name for file in (tmp_path / "finished").iterdir()] == ["run.json"]
