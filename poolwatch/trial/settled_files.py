"""Which files have stopped changing."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Hashable
from pathlib import Path

_SIDECAR_ENDING = ".toml"


class SettledFiles:
    """Watches files by looking again and again, which works over a network folder, too.

    Only this machine's clock counts: times that a file server states may be off.

    Parameters
    ----------
    settle_s
        How long a file must have been seen unchanged, s.
    clock
        Seconds that only rise.
    """

    def __init__(self, settle_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.settle_s = settle_s
        self._clock = clock
        self._seen: dict[Path, tuple[Hashable, float]] = {}

    def rests(self, path: Path, state: Hashable | None) -> bool:
        """Whether `path` has been in this state for long enough; None, where it is not there, never rests."""
        now = self._clock()
        before, since = self._seen.get(path, (None, now))
        if path not in self._seen or before != state:
            self._seen[path] = (state, now)
            since = now
        return state is not None and now - since >= self.settle_s


def state_of_recording(path: Path) -> Hashable | None:
    """Size and time of change of a recording (a folder of stills: of all files in it); None where it is empty or gone.

    Cameras that reserve the whole file first leave its size as it is, but write on: so the time counts, too.
    """
    try:
        if path.is_dir():
            files = [file.stat() for file in path.rglob("*") if file.is_file()]
            return (
                (len(files), sum(f.st_size for f in files), max(f.st_mtime_ns for f in files))
                if files
                else None
            )
        found = path.stat()
        sidecar = path.with_name(path.name + _SIDECAR_ENDING)
        beside = sidecar.stat() if sidecar.is_file() else None
    except OSError:
        return None
    if found.st_size == 0:
        return None
    return (
        found.st_size,
        found.st_mtime_ns,
        *(() if beside is None else (beside.st_size, beside.st_mtime_ns)),
    )


def state_of_text(path: Path) -> Hashable | None:
    """Fingerprint of a small file's content; None where it cannot be read, as while another program saves it."""
    try:
        content = path.read_bytes()
    except OSError:
        return None
    return hashlib.sha256(content).digest() if content.strip() else None
