"""A recording's fingerprint: the same content gives the same sixteen digits, wherever it lies."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from ..model.errors import ClipError

_CHUNK = 1 << 20
_CHUNKS_BETWEEN = 14
_SIDECAR_ENDING = ".toml"


def fingerprint(path: str | Path) -> str:
    """Sixteen hexadecimal digits that stand for the content of a recording.

    Parameters
    ----------
    path
        A file, or a folder of stills.

    Raises
    ------
    ClipError
        There is nothing there, or it cannot be read.

    Notes
    -----
    SHA-256, first sixteen digits, over: the text ``poolwatch-1``; the size in bytes (decimal, then a newline);
    and the content, whole up to 16 MiB, otherwise the first MiB, the last MiB and fourteen chunks of one MiB that
    begin at ``k * (size - 1 MiB) // 15`` for k = 1 to 14. So it takes no longer for 100 GB than for 16 MB;
    a change that misses every chunk and keeps the size is not seen. A TOML sidecar (``<file>.toml``) counts
    too, whole. For a folder: the sorted names, each with the size of its file, and the content of the
    first, the last and fourteen files spread between (file ``k * (n - 1) // 15``), each as above.
    Names of files outside a folder, dates and permissions do not count.
    """
    path = Path(path)
    digest = hashlib.sha256(b"poolwatch-1\n")
    try:
        if path.is_dir():
            _folder(digest, path)
        else:
            _file(digest, path)
            sidecar = path.with_name(path.name + _SIDECAR_ENDING)
            if sidecar.is_file():
                _file(digest, sidecar)
    except FileNotFoundError:
        raise ClipError(f"{path}: no such file or folder; check the path") from None
    except OSError as error:
        raise ClipError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None
    return digest.hexdigest()[:16]


def _folder(digest: hashlib._Hash, path: Path) -> None:
    with os.scandir(path) as entries:
        files = sorted(
            (entry.name, entry.stat().st_size)
            for entry in entries
            if entry.is_file() and not entry.name.startswith(".")
        )
    for name, size in files:
        digest.update(f"{name}\n{size}\n".encode("utf-8", "surrogateescape"))
    last = len(files) - 1
    for place in sorted({k * last // 15 for k in range(16)} if files else ()):
        _file(digest, path / files[place][0])


def _file(digest: hashlib._Hash, path: Path) -> None:
    with path.open("rb", buffering=0) as file:
        size = file.seek(0, os.SEEK_END)
        digest.update(f"{size}\n".encode())
        if size <= (_CHUNKS_BETWEEN + 2) * _CHUNK:
            starts, length = list(range(0, size, _CHUNK)), _CHUNK
        else:
            starts, length = [k * (size - _CHUNK) // 15 for k in range(16)], _CHUNK
        for start in starts:
            file.seek(start)
            left = min(length, size - start)
            while left > 0:
                data = file.read(left)
                if not data:
                    break
                digest.update(data)
                left -= len(data)
