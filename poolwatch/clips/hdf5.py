"""Frames in an HDF5 data set."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.clip import ClipFacts
from ..model.errors import ClipError
from .reader import BaseReader, ClipSettings, check_size, check_type

# What h5py raises where the library under it finds damage.
_DAMAGE = (OSError, RuntimeError, ValueError, KeyError, TypeError, UnicodeDecodeError)


class Hdf5Reader(BaseReader):
    """Reads the data set of three axes (frames, height, width)."""

    def __init__(self, path: Path, *, settings: ClipSettings, threads: int = 0) -> None:
        super().__init__()
        import h5py

        try:
            self._file = h5py.File(path, "r")
        except (OSError, RuntimeError) as error:
            raise ClipError(
                f"{path}: cannot be opened as HDF5 ({_reason(error)}); copy it again, or check that it is one"
            ) from None
        try:
            self._open(path, settings)
        except _DAMAGE as error:
            self._file.close()
            if isinstance(error, ClipError):
                raise
            raise ClipError(
                f"{path}: its HDF5 structure is damaged ({_reason(error)}); copy it again"
            ) from None
        except BaseException:
            self._file.close()
            raise

    def _open(self, path: Path, settings: ClipSettings) -> None:
        data = _data_set(path, self._file, settings.dataset)
        self._data = data
        kind = check_type(path, data.dtype)
        promised, height, width = data.shape
        check_size(path, width, height, settings)
        count = _stored_frames(data)
        if count < 1:
            raise ClipError(
                f"{path}: the data set {data.name!r} promises {promised} frames but stores none; save it again"
            )
        # Chunks may lie across frames: reading whole chunks at a time keeps each from being unpacked twice.
        self._chunk = data.chunks[0] if data.chunks else 1
        self._held: tuple[int, NDArray[Any]] | None = None
        self._compressed = data.compression is not None
        stated = data.attrs.get("depth_bits")
        packing = f", {data.compression}" if data.compression else ""
        facts = ClipFacts(
            path,
            "hdf5",
            f"HDF5 {data.name}, {data.dtype.name}{packing}",
            width,
            height,
            kind,
            8 * data.dtype.itemsize,
            0.0,
            count,
            promised,
            flags=("truncated",) if count < promised else (),
        )
        bits = int(stated) if isinstance(stated, (int, np.integer)) and 1 <= int(stated) <= 16 else None
        self._settle(facts, settings, stated_bits=bits)

    def _read(self, start: int, stop: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        out = np.zeros((stop - start, self.facts.height, self.facts.width), self.facts.dtype)
        decoded = np.ones(stop - start, np.bool_)
        at = start
        while at < stop:
            first = at - at % self._chunk
            end = min(first + self._chunk, stop)
            try:
                out[at - start : end - start] = self._whole_chunk(first)[at - first : end - first]
            except _DAMAGE:
                decoded[at - start : end - start] = False
            at = end
        return out, decoded

    def _whole_chunk(self, first: int) -> NDArray[Any]:
        if self._held is None or self._held[0] != first:
            self._held = first, self._data[first : min(first + self._chunk, self.facts.frame_count)]
        return self._held[1]

    def _release(self) -> None:
        self._held = None
        self._file.close()


def _reason(error: Exception) -> str:
    return " ".join(str(error).split())[:120]


def _data_set(path: Path, file: Any, name: str | None) -> Any:
    import h5py

    found: dict[str, Any] = {}

    def look(_: str, item: Any) -> None:
        if isinstance(item, h5py.Dataset) and item.ndim == 3:
            found[item.name] = item

    file.visititems(look)
    if name is not None:
        wanted = "/" + name.strip("/")
        if wanted not in found:
            raise ClipError(
                f"{path}: has no data set {wanted!r} of three axes; there are: {', '.join(found) or 'none'}"
            )
        return found[wanted]
    usable = {key: item for key, item in found.items() if item.dtype.kind == "u" and item.dtype.itemsize <= 2}
    usable = usable or found
    if len(usable) == 1:
        return next(iter(usable.values()))
    if not usable:
        raise ClipError(
            f"{path}: has no data set of three axes (frames, height, width); save the frames as one"
        )
    raise ClipError(
        f"{path}: has several data sets of frames ({', '.join(usable)}); name one in the setting dataset"
    )


def _stored_frames(data: Any) -> int:
    """Frames up to the last that is stored: a file may promise more than was ever written."""
    total = int(data.shape[0])
    if data.size == 0 or data.id.get_storage_size() == 0:
        return 0
    if not data.chunks:
        return total
    chunks = data.id.get_num_chunks()
    full = 1
    for length, part in zip(data.shape, data.chunks, strict=True):
        full *= -(-length // part)
    if chunks >= full:
        return total
    last = max(data.id.get_chunk_info(number).chunk_offset[0] for number in range(chunks))
    return int(min(total, last + data.chunks[0]))
