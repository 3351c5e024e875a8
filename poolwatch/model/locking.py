"""One process at a time writes into a folder."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from .errors import OutputError
from .files import sweep

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

LOCK_FILE = ".poolwatch.lock"
# The byte that is locked lies behind the text: Windows lets nobody read a locked byte.
_LOCKED_BYTE = 1 << 20
_AGAIN_S = 0.1
# Systems of files without locks; there the folder is written without one.
_NO_LOCKS = {errno.ENOSYS, errno.ENOLCK, errno.EOPNOTSUPP, errno.EINVAL}


@contextlib.contextmanager
def locked_folder(folder: str | Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """Hold a folder, made where it is not there, for this process alone; a second one is refused.

    The system holds the lock, so it ends with the process, however that ends; a lock file left by a killed process or
    a power cut holds nobody up. On network folders it holds across machines where the file server knows locks.

    Parameters
    ----------
    folder
        The folder.
    wait_s
        For how long to wait for another process to end.

    Raises
    ------
    OutputError
        Another process writes there, or the folder cannot be written.
    """
    path = Path(folder) / LOCK_FILE
    made = [place for place in path.parents if not place.exists()]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        deadline = time.monotonic() + wait_s
        while (file := _locked(path)) is None and time.monotonic() < deadline:
            time.sleep(_AGAIN_S)
    except OSError as error:
        raise OutputError(
            f"{folder}: cannot be made a folder to write into ({error.strerror}); choose another --out"
        ) from None
    if file is None:
        raise OutputError(
            f"{folder}: another poolwatch{_holder(path)} writes there; wait for it or end it, or choose another --out "
            "folder"
        )
    with file:
        try:
            _sign(file)
            sweep(path.parent)
            yield
        finally:
            _clear_away(path, file)
            # A run that wrote nothing leaves nothing.
            with contextlib.suppress(OSError):
                for place in made:
                    place.rmdir()


def _locked(path: Path) -> IO[bytes] | None:
    """The lock file, locked; None where another process holds it."""
    while True:
        # Kept open: the lock goes with it.
        file = path.open("a+b")
        try:
            if not _lock(file):
                file.close()
                return None
            if sys.platform == "win32" or _is(path, file):
                return file
        except OSError as error:
            if error.errno in _NO_LOCKS:
                return file
            file.close()
            raise
        # Who held it took it away meanwhile; what is locked has no name any more.
        file.close()


def _lock(file: IO[bytes]) -> bool:
    """Whether this process holds the lock now."""
    try:
        if sys.platform == "win32":
            file.seek(_LOCKED_BYTE)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
            return False
        raise
    return True


def _is(path: Path, file: IO[bytes]) -> bool:
    """Whether an open file still has this name."""
    try:
        return os.path.samestat(path.stat(), os.fstat(file.fileno()))
    except FileNotFoundError:
        return False


def _sign(file: IO[bytes]) -> None:
    """Say who holds the lock, for the other one's message."""
    since = time.strftime("%Y-%m-%d %H:%M")
    file.truncate(0)
    file.write(json.dumps({"process": os.getpid(), "machine": socket.gethostname(), "since": since}).encode())
    file.flush()


def _holder(path: Path) -> str:
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        return f" (process {said['process']} on {said['machine']}, since {said['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def _clear_away(path: Path, file: IO[bytes]) -> None:
    """Take the file away and give the lock back; where one of these is refused the other still counts."""
    with contextlib.suppress(OSError):
        if sys.platform == "win32":
            file.truncate(0)
            file.seek(_LOCKED_BYTE)
            msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)
            file.close()
        path.unlink()
