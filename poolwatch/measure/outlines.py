"""The outline of every frame, kept small and off memory."""

from __future__ import annotations

import shutil
import tempfile
import threading
import weakref
from collections.abc import Iterable
from pathlib import Path
from typing import BinaryIO, Self, cast

import numpy as np
from numpy.typing import NDArray

from ..model.errors import OutputError
from ..model.files import written_whole

_MAGIC = b"poolwatch outlines 1\n"
_STEP = 1.0 / 32.0
_NONE = np.uint16(65535)


def pack_outlines(
    outlines: list[NDArray[np.floating]], vertices: int, *, shift: tuple[float, float] = (0.0, 0.0)
) -> NDArray[np.uint16]:
    """Outlines as `Outlines` keeps them, shape (n, vertices, 2).

    Parameters
    ----------
    outlines
        One (k, 2) array a frame, px; (0, 2) where there is none.
    vertices
        Vertices kept of each.
    shift
        Added to all places, px.
    """
    block = np.full((len(outlines), vertices, 2), _NONE, dtype="<u2")
    # All of one length at once.
    lengths = np.array([len(outline) for outline in outlines])
    for length in np.unique(lengths[lengths > 0]):
        rows = np.flatnonzero(lengths == length)
        pick = np.linspace(0, length, vertices, endpoint=False).astype(np.intp)
        places = np.stack([outlines[row] for row in rows])[:, pick] + np.asarray(shift, dtype=np.float32)
        block[rows] = np.clip(np.round(places / _STEP), 0, 65534)
    return block


class Outlines:
    """Outlines of a clip: a fixed number of vertices a frame, to 1/32 px, in a file, read one by one.

    File format: the line ``poolwatch outlines 1``, the line ``<frames> <vertices>``, then little-endian 16-bit
    numbers, x and y of each vertex in 1/32 px, frame after frame; 65535 where a frame has no outline.

    Parameters
    ----------
    vertices
        Vertices kept of each outline.
    """

    def __init__(self, vertices: int) -> None:
        self.vertices = vertices
        self._file: BinaryIO = cast(BinaryIO, tempfile.TemporaryFile(prefix="poolwatch-outlines-"))  # noqa: SIM115
        weakref.finalize(self, self._file.close)
        self._frames = 0
        self._first = 0
        self._lock = threading.Lock()

    def put(self, first: int, packed: NDArray[np.uint16]) -> None:
        """Set the outlines of the frames from `first` on, in any order; as `pack_outlines` makes them."""
        with self._lock:
            self._file.seek(first * 4 * self.vertices)
            self._file.write(packed.tobytes())
            self._frames = max(self._frames, first + len(packed))

    def remove(self, frames: Iterable[int]) -> None:
        """Take the outlines of some frames out; for outlines that are being made, not for loaded ones."""
        empty = np.full((self.vertices, 2), _NONE, dtype="<u2").tobytes()
        with self._lock:
            for frame in frames:
                self._file.seek(int(frame) * len(empty))
                self._file.write(empty)

    def __len__(self) -> int:
        return self._frames

    def __call__(self, frame: int) -> NDArray[np.float64]:
        """Outline of one frame, shape (k, 2) as x, y px; (0, 2) where there is none."""
        if not 0 <= frame < self._frames:
            raise IndexError(f"frame {frame}: there are outlines of frames 0 to {self._frames - 1}")
        size = 4 * self.vertices
        with self._lock:
            self._file.seek(self._first + frame * size)
            row = np.frombuffer(self._file.read(size), dtype="<u2").reshape(-1, 2)
        if row[0, 0] == _NONE:
            return np.empty((0, 2))
        return np.asarray(row, dtype=np.float64) * _STEP

    def save(self, path: Path) -> None:
        """Write the file format above, whole or not at all.

        Raises
        ------
        OutputError
            The place cannot be written.
        """
        with self._lock, written_whole(path) as beside, beside.open("wb") as out:
            out.write(_MAGIC + f"{self._frames} {self.vertices}\n".encode())
            self._file.seek(self._first)
            shutil.copyfileobj(self._file, out, 1 << 20)

    @classmethod
    def load(cls, path: Path) -> Self:
        """Open a saved file.

        Raises
        ------
        OutputError
            The file is missing or not whole.
        """
        file = None
        try:
            file = path.open("rb")
            magic, sizes = file.readline(), file.readline().split()
            frames, vertices = (int(size) for size in sizes)
            offset = file.tell()
            if magic != _MAGIC or path.stat().st_size != offset + frames * vertices * 4:
                raise ValueError("not whole")
        except (OSError, ValueError) as error:
            if file is not None:
                file.close()
            raise OutputError(
                f"{path}: no whole file of outlines ({error}); measure the clip again"
            ) from None
        out = cls.__new__(cls)
        out.vertices = vertices
        out._frames = frames
        out._file = file
        weakref.finalize(out, file.close)
        out._first = offset
        out._lock = threading.Lock()
        return out
