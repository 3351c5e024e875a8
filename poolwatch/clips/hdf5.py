"""Frames in an HDF5 data set."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.clip import ClipFacts
from ..model.errors import ClipError
from .reader import BaseReader, check_size, check_type, reason_of
from .settings import ClipSettings

# What h5py raises where the library under it finds damage.
_DAMAGE = (OSError, RuntimeError, ValueError, KeyError, TypeError, UnicodeDecodeError)


# A data set that stores fewer than one in so many of its chunks was never filled, or its header is damaged.
_SCATTERED = 100


class Hdf5Reader(BaseReader):
    """Reads the data set of three axes (frames, height, width)."""

    def __init__(self, path: Path, *, settings: ClipSettings) -> None:
        super().__init__()
        import h5py

        try:
            self._file = h5py.File(path, "r")
        except (OSError, RuntimeError) as error:
            raise ClipError(
                f"{path}: cannot be opened as HDF5 ({reason_of(error)}); copy it again, or check that it is one"
            ) from None
        try:
            self._open(path, settings)
        except _DAMAGE as error:
            self._file.close()
            if isinstance(error, ClipError):
                raise
            raise ClipError(
                f"{path}: its HDF5 structure is damaged ({reason_of(error)}); copy it again"
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
        _check_storage(path, data, settings)
        self._stored = _stored_frames(data)
        count = int(np.flatnonzero(self._stored)[-1]) + 1 if self._stored.any() else 0
        if count < 1:
            raise ClipError(
                f"{path}: the data set {data.name!r} promises {promised} frames but stores none; save it again"
            )
        # Chunks may lie across frames: reading whole chunks at a time keeps each from being unpacked twice.
        self._chunk = data.chunks[0] if data.chunks else 1
        self._held_from, self._held = -1, np.zeros(0)
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
            flags=_flags(self._stored[:count], promised),
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
        lost = ~self._stored[start:stop]
        out[lost], decoded[lost] = 0, False
        return out, decoded

    def _whole_chunk(self, first: int) -> NDArray[Any]:
        if self._held_from != first:
            self._held = self._data[first : min(first + self._chunk, self.facts.frame_count)]
            self._held_from = first
        return self._held

    def pieces(self, count: int) -> list[tuple[int, int]]:
        """See `Reader.pieces`: no chunk is unpacked twice."""
        total, chunk = self.facts.frame_count, self._chunk
        edges = {min(round(start / chunk) * chunk, total) for start, _ in super().pieces(count)}
        return list(itertools.pairwise(sorted({*edges, total})))

    def _release(self) -> None:
        self._held_from, self._held = -1, np.zeros(0)
        self._file.close()


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


def _check_storage(path: Path, data: Any, settings: ClipSettings) -> None:
    """Refuse what cannot be unpacked here, what lies in other files, and chunks too large to unpack."""
    import h5py

    if data.is_virtual or data.external:
        raise ClipError(
            f"{path}: the frames of {data.name!r} are outside this file; copy them into one data set of their own"
        )
    plist = data.id.get_create_plist()
    for number in range(plist.get_nfilters()):
        code = plist.get_filter(number)[0]
        if not h5py.h5z.filter_avail(code):
            raise ClipError(
                f"{path}: {data.name!r} cannot be unpacked, for its compression (HDF5 filter {code}) is not "
                "installed; save the frames uncompressed or with gzip"
            )
    values = math.prod(data.chunks) if data.chunks else 0
    if values > settings.max_pixels:
        raise ClipError(
            f"{path}: {data.name!r} is stored in chunks of {' x '.join(map(str, data.chunks))} values, above the "
            f"limit of {settings.max_pixels} pixels; save it in smaller chunks, or raise max_pixels"
        )
    stored = data.id.get_num_chunks() if data.chunks else 0
    size = data.chunks[0] if data.chunks else 1
    if stored and len(data) > _SCATTERED * stored * size:
        raise ClipError(
            f"{path}: {data.name!r} promises {len(data)} frames but stores only {stored} of its chunks of "
            f"{size}; save it again"
        )


def _stored_frames(data: Any) -> NDArray[np.bool_]:
    """Whether each frame is stored: a file may promise more than was ever written."""
    total = len(data)
    if data.size == 0 or data.id.get_storage_size() == 0:
        return np.zeros(min(total, 1), np.bool_)
    if not data.chunks:
        return np.ones(total, np.bool_)
    along, down, across = (-(-length // part) for length, part in zip(data.shape, data.chunks, strict=True))
    if data.id.get_num_chunks() >= along * down * across:
        return np.ones(total, np.bool_)
    seen = np.zeros(along, np.int64)
    size, *_ = data.chunks

    def note(chunk: Any) -> None:
        frame, *_ = chunk.chunk_offset
        seen[frame // size] += 1

    data.id.chunk_iter(note)
    return np.repeat(seen >= down * across, size)[:total]


def _flags(stored: NDArray[np.bool_], promised: int) -> tuple[str, ...]:
    flags = ("truncated",) if len(stored) < promised else ()
    return flags if stored.all() else (*flags, "undecodable_frames")
