"""NumPy arrays of frames, mapped into memory."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.clip import ClipFacts
from ..model.errors import ClipError
from .reader import BaseReader, ClipSettings, check_size, check_type


class NpyReader(BaseReader):
    """Reads an NPY file of shape (frames, height, width)."""

    def __init__(self, path: Path, *, settings: ClipSettings, threads: int = 0) -> None:
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
        # Copy-on-write: writing to a block can never reach the file.
        self._data: NDArray[Any] | None = np.memmap(
            path,
            dtype=dtype,
            mode="c",
            offset=offset,
            shape=(count, height, width),
            order="F" if fortran else "C",
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
        self._settle(facts, settings)

    def _read(self, start: int, stop: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        assert self._data is not None
        frames = np.ascontiguousarray(np.asarray(self._data[start:stop]), dtype=self.facts.dtype)
        return frames, np.ones(len(frames), np.bool_)

    def _release(self) -> None:
        self._data = None


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
    except (ValueError, EOFError) as error:
        reason = str(error).splitlines()[0][:120]
        raise ClipError(f"{path}: is no NPY file ({reason}); save the frames again with numpy.save") from None
