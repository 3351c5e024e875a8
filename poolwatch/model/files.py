"""Writing whole files or none: beside first, then renamed into place."""

from __future__ import annotations

import contextlib
import glob
import os
from collections.abc import Iterator
from pathlib import Path

from .errors import OutputError


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
        _sweep(path)
        yield beside
        with beside.open("rb") as file:
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        if isinstance(error, OutputError) or (error.errno is None and type(error) is not OSError):
            raise
        reason = error.strerror or str(error)
        raise OutputError(
            f"{path}: cannot be written ({reason}); free some space or choose another --out folder"
        ) from error
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def _sweep(path: Path) -> None:
    """Remove what a run that was killed while writing `path` left beside it; a live run's is left alone."""
    for left in path.parent.glob(f".{glob.escape(path.stem)}.*.partial{glob.escape(path.suffix)}"):
        pid = left.name.removeprefix(f".{path.stem}.").partition(".")[0]
        if pid.isdecimal() and not _lives(int(pid)):
            with contextlib.suppress(OSError):
                left.unlink()


def _lives(pid: int) -> bool:
    if os.name != "posix":  # Signal 0 would end the process there.
        return True
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
