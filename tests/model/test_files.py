"""Files written whole, and what killed runs leave beside them."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from poolwatch.model.files import write_text
from poolwatch.model.locking import locked_folder

LINUX = pytest.mark.skipif(
    not Path("/proc/self/stat").exists(), reason="states of processes are read from /proc"
)


def left_by(pid: int, folder: Path, name: str = "frames", ending: str = ".csv") -> Path:
    path = folder / f".{name}.{pid}.partial{ending}"
    path.write_text("half of it", encoding="utf-8")
    return path


def test_what_a_live_run_writes_is_left_alone(tmp_path: Path) -> None:
    mine, others = left_by(os.getpid(), tmp_path, "other"), left_by(os.getppid(), tmp_path)
    with locked_folder(tmp_path):
        write_text(tmp_path / "frames.csv", "all of it")
    assert mine.exists()
    assert others.exists()


@LINUX
def test_a_killed_process_that_nobody_has_asked_for_is_dead(tmp_path: Path) -> None:
    """Killed workers of a killed run have nobody who does: their number stays taken for a while, or for good."""
    process = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    try:
        left = left_by(process.pid, tmp_path)
        process.kill()
        os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)
        os.kill(process.pid, 0)  # still has its number
        write_text(tmp_path / "frames.csv", "all of it")
        assert not left.exists()
    finally:
        process.wait()


@LINUX
def test_a_number_that_was_given_again_is_another_process(tmp_path: Path) -> None:
    left = left_by(os.getppid(), tmp_path)
    long_ago = time.time() - time.clock_gettime(time.CLOCK_BOOTTIME) - 60
    os.utime(left, (long_ago, long_ago))
    write_text(tmp_path / "frames.csv", "all of it")
    assert not left.exists()


@LINUX
def test_who_holds_a_folder_clears_all_of_it(tmp_path: Path) -> None:
    """What a later run does not write, such as a video, would stay otherwise."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    left = left_by(process.pid, tmp_path, "overlay", ".mp4")
    theirs = tmp_path / ".notes.partial"
    theirs.write_text("not of poolwatch", encoding="utf-8")
    with locked_folder(tmp_path):
        assert not left.exists()
    assert theirs.exists()
