"""NumPy arrays of frames."""

from __future__ import annotations

from pathlib import Path
from tokenize import TokenError
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.clip import ClipFacts
from ..model.errors import ClipError
from .reader import BaseReader, check_size, check_type, read_at
from .settings import ClipSettings


class NpyReader(BaseReader):
    """Reads an NPY file of shape (frames, height, width)."""

    def __init__(self, path: Path, *, settings: ClipSettings) -> None:
        super().__init__()
        shape, fortran, dtype, offset = _header(path)
        if dtype.hasobject:
            raise ClipError(
                f"{path}: holds pickled Python objects, which can run code and are not read; "
                "save the frames as a plain uint8 or uint16 array"
            )
        kind = check_type(path, dtype)
        if len(shape) != 3 or shape[0] < 1:
            raise ClipError(
                f"{path}: has shape {shape}; needed is (frames, height, width) with at least one frame"
            )
        promised, height, width = shape
        check_size(path, width, height, settings)
        stored = (path.stat().st_size - offset) // (height * width * dtype.itemsize)
        if stored < 1 or (fortran and stored < promised):
            raise ClipError(
                f"{path}: its header promises {promised} frames that the file does not hold; copy it again"
            )
        count = min(promised, stored)
        self._file = path.open("rb", buffering=0)
        self._dtype, self._offset = dtype, offset
        self._columns: NDArray[Any] | None = None
        if fortran:
            # Frames lie scattered over the whole file; copy-on-write: writing to a block never reaches the file.
            self._columns = np.memmap(
                path, dtype=dtype, mode="c", offset=offset, shape=(count, height, width), order="F"
            )
        facts = ClipFacts(
            path,
            "npy",
            f"NPY, {dtype.name}",
            width,
            height,
            kind,
            8 * dtype.itemsize,
            0.0,
            count,
            promised,
            flags=("truncated",) if count < promised else (),
        )
        try:
            self._settle(facts, settings)
        except BaseException:
            self._release()
            raise

    def _read(self, start: int, stop: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        facts = self.facts
        if self._columns is not None:
            frames = np.ascontiguousarray(self._columns[start:stop], dtype=facts.dtype)
            return frames, np.ones(len(frames), np.bool_)
        size = facts.height * facts.width * self._dtype.itemsize
        data = np.empty((stop - start, size), np.uint8)
        came = read_at(self._file, self._offset + start * size, data)
        frames = data.view(self._dtype).reshape(-1, facts.height, facts.width)
        decoded = np.arange(1, stop - start + 1) * size <= came
        frames[~decoded] = 0
        return frames.astype(facts.dtype, copy=False), decoded

    def _release(self) -> None:
        self._columns = None
        self._file.close()


def _header(path: Path) -> tuple[tuple[int, ...], bool, np.dtype[Any], int]:
    try:
        with path.open("rb") as file:
            version = np.lib.format.read_magic(file)
            read = (
                np.lib.format.read_array_header_1_0
                if version == (1, 0)
                else np.lib.format.read_array_header_2_0
            )
            shape, fortran, dtype = read(file)
            return shape, fortran, dtype, file.tell()
    except (ValueError, EOFError, SyntaxError, TokenError) as error:  # a damaged header is parsed as Python
        reason = str(error).splitlines()[0][:120]
        raise ClipError(f"{path}: is no NPY file ({reason}); save the frames again with numpy.save") from None
