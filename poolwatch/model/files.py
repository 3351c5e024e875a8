"""Writing whole files or none: beside first, then renamed into place."""

from __future__ import annotations

import contextlib
import errno
import glob
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

from .errors import OutputError

WINDOWS = os.name == "nt"
_PAUSES_S = (0.05, 0.2, 0.5)
_PARTIAL = re.compile(r"\.(?P<pid>\d+)\.partial(\.[^.]*)?$")
# Where Linux says when a process started, in ticks since boot, counted from its parent's number (proc(5)).
_STARTED = 18
# Clocks differ by less.
_STARTED_LATER_S = 2.0
# Most characters of a path where long paths are not switched on (MAX_PATH of the Windows API).
_LONGEST_PATH = 260


@contextlib.contextmanager
def written_whole(path: str | Path) -> Iterator[Path]:
    """Give a path beside `path` to write to; rename it into place only if the block ends well.

    The name beside keeps the ending of `path`, so that writers which go by the ending still work.

    Raises
    ------
    OutputError
        The place cannot be written (no space, no permission, a folder in the way); nothing is left behind.
    """
    path = Path(path)
    beside = path.with_name(f".{path.stem}.{os.getpid()}.partial{path.suffix}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        sweep(path.parent, glob.escape(path.stem), glob.escape(path.suffix))
        yield beside
        with beside.open("r+b") as file:  # Windows syncs no handle that is open for reading alone.
            os.fsync(file.fileno())
        _replace(beside, path)
    except OSError as error:
        if isinstance(error, OutputError) or (error.errno is None and type(error) is not OSError):
            raise
        reason = error.strerror or str(error)
        cure = "free some space or choose another --out folder"
        if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
            cure = "you may not write there: choose another --out folder"
        if WINDOWS and len(str(beside.absolute())) >= _LONGEST_PATH:
            cure = f"its path is longer than the {_LONGEST_PATH} characters of Windows: choose a shorter --out folder"
        elif WINDOWS and isinstance(error, PermissionError):
            cure = "close it where it is open, or choose another --out folder"
        raise OutputError(f"{path}: cannot be written ({reason}); {cure}") from error
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def _replace(beside: Path, path: Path) -> None:
    """Rename over what is there. Virus scanners and viewers may hold a file for a moment, which only Windows minds."""
    for pause_s in _PAUSES_S if WINDOWS else ():
        with contextlib.suppress(PermissionError):
            beside.replace(path)
            return
        time.sleep(pause_s)
    beside.replace(path)


def sweep(folder: Path, stem: str = "*", suffix: str = "*") -> None:
    """Remove what runs that were killed while writing into `folder` left there; a live run's is left alone."""
    for left in folder.glob(f".{stem}.*.partial{suffix}"):
        found = _PARTIAL.search(left.name)
        with contextlib.suppress(OSError):
            if found is not None and not _lives(int(found["pid"]), left.stat().st_mtime):
                left.unlink()


def _lives(pid: int, wrote: float) -> bool:
    """Whether the process that wrote at a time (s since the epoch) is still there."""
    if WINDOWS:  # Signal 0 would end the process there.
        return True
    try:
        # One that has ended keeps its number until its parent has asked for it, and a number is given again.
        state, *figures = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        since_boot = int(figures[_STARTED]) / os.sysconf("SC_CLK_TCK")
        age = time.clock_gettime(time.CLOCK_BOOTTIME) - since_boot
        return state not in "ZX" and time.time() - age < wrote + _STARTED_LATER_S
    except (OSError, ValueError, IndexError, AttributeError):
        pass
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OverflowError, PermissionError):
        return True
    return True


def write_text(path: str | Path, text: str) -> None:
    """Write UTF-8 text, whole or not at all, with ``\\n`` line ends on every system.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    with written_whole(path) as beside:
        beside.write_text(text, encoding="utf-8", newline="\n")


def remove(path: str | Path) -> None:
    """Remove a file that no longer fits what is written beside it, if it is there.

    Raises
    ------
    OutputError
        It cannot be removed.
    """
    try:
        Path(path).unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be replaced ({error.strerror}); close it or choose another --out folder"
        ) from None


def check_folder(folder: str | Path) -> None:
    """Make sure, before long work, that a folder can be made or written; makes nothing.

    Raises
    ------
    OutputError
        A file is in the way, or there is no permission.
    """
    place = Path(folder).absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    if not place.is_dir():
        raise OutputError(f"{folder}: cannot be made, for {place} is a file; choose another --out folder")
    if not os.access(place, os.W_OK | os.X_OK):
        raise OutputError(
            f"{folder}: cannot be written (no permission in {place}); choose another --out folder"
        )
