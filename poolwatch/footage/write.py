"""Grey frames out into a file or folder of any format, one frame in memory at a time."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.errors import UsageError
from .formats import FootageOptions, Format, footage_format


def write_frames(
    path: str | Path,
    frames: Iterable[NDArray[Any]],
    *,
    format: str,
    depth_bits: int,
    playback_rate_hz: float = 25.0,
    options: FootageOptions | None = None,
) -> Path:
    """Write grey frames, whole or not at all, with flat memory.

    Parameters
    ----------
    path
        File, with the ending the format gives (`Format.ending`), or folder for stills; it is given back.
    frames
        Grey values of `depth_bits` bits, right-aligned: arrays of shape (height, width) or blocks
        (n, height, width), of any unsigned or signed integer type.
    format
        Name in `poolwatch.footage.FORMATS`.
    depth_bits
        Bits of a grey value, 1 to 16.
    playback_rate_hz
        Rate at which a player shows the frames, Hz; only video formats keep it.
    options
        What only some formats know.

    Raises
    ------
    UsageError
        The format cannot hold such frames, or the frames are of uneven sizes or out of range.
    OutputError
        The place cannot be written.

    Notes
    -----
    A lossy 8- or 10-bit video is stored in limited range (16 to 235, or 64 to 940), of an odd size in 4:4:4.

    Examples
    --------
    >>> import numpy as np, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     out = write_frames(f"{folder}/a.tif", [np.zeros((4, 6), np.uint8)] * 3, format="tiff", depth_bits=8)
    ...     out.name
    'a.tif'
    """
    path, entry, options = Path(path), footage_format(format), options or FootageOptions()
    _check(path, entry, depth_bits, playback_rate_hz)
    stream = _checked_frames(frames, depth_bits, path)
    first = next(stream, None)
    if first is None:
        raise UsageError(f"{path}: no frames were given; give at least one")
    stream = _aligned(itertools.chain([first], stream), entry, depth_bits, options)
    height, width = first.shape
    if entry.kind == "video":
        from .video import write_video

        write_video(path, stream, (height, width), entry, depth_bits, playback_rate_hz, options)
    else:
        _write_pictures(path, stream, (height, width), entry, depth_bits, options)
    return path


def _aligned(
    stream: Iterator[NDArray[Any]], entry: Format, depth_bits: int, options: FootageOptions
) -> Iterator[NDArray[Any]]:
    """Frames with their values in the upper bits of 16 where that is asked for and the format can hold it."""
    if options.align != "high" or depth_bits <= 8 or entry.kind == "video":
        return stream
    shift = 0 if entry.how.get("packing", "none") != "none" else 16 - depth_bits
    return (np.left_shift(frame, shift) for frame in stream)


def _write_pictures(
    path: Path,
    stream: Iterator[NDArray[Any]],
    shape: tuple[int, int],
    entry: Format,
    depth_bits: int,
    options: FootageOptions,
) -> None:
    from . import arrays, stills

    if entry.kind == "tiff":
        stills.write_tiff(path, stream, entry.how["compression"], big=options.big_tiff)
    elif entry.kind == "stills":
        stills.write_folder(path, stream, entry.how["ending"])
    elif entry.kind == "npy":
        arrays.write_npy(path, stream, shape)
    elif entry.kind == "hdf5":
        arrays.write_hdf5(path, stream, shape, entry.how["compression"], depth_bits)
    else:
        arrays.write_raw(path, stream, shape, entry.how["packing"], depth_bits, options)


def _check(path: Path, entry: Format, depth_bits: int, playback_rate_hz: float) -> None:
    if path.suffix.lower() != entry.ending and not (entry.ending == "" and entry.kind == "stills"):
        raise UsageError(
            f"{path}: format {entry.name!r} is written with the ending {entry.ending!r}; rename it"
        )
    if depth_bits not in entry.depths:
        held = ", ".join(str(bits) for bits in entry.depths if bits >= 8)
        raise UsageError(
            f"{path}: format {entry.name!r} holds {held} bits, not {depth_bits}; choose one that does: 'tiff'"
        )
    if not (math.isfinite(playback_rate_hz) and playback_rate_hz > 0):
        raise UsageError(f"{path}: the playback rate must be above 0 Hz, got {playback_rate_hz!r}")
    if entry.kind == "video" and entry.ending == ".avi" and playback_rate_hz > 1000:
        raise UsageError(
            f"{path}: AVI cannot hold {playback_rate_hz:g} Hz as a playback rate; give at most 1000"
        )


def _checked_frames(
    frames: Iterable[NDArray[Any]], depth_bits: int, path: Path
) -> Iterator[NDArray[np.uint8] | NDArray[np.uint16]]:
    """Single frames of one size and of the smallest type that holds them, values checked."""
    dtype = np.uint8 if depth_bits <= 8 else np.uint16
    top = (1 << depth_bits) - 1
    shape: tuple[int, ...] | None = None
    number = 0
    for given in frames:
        block = np.asarray(given)
        if block.ndim not in (2, 3) or block.dtype.kind not in "ui" or 0 in block.shape[-2:]:
            raise UsageError(
                f"{path}: frame {number} must be integers of shape (height, width) or (n, height, width), "
                f"got {block.dtype} {block.shape}"
            )
        for frame in block[None] if block.ndim == 2 else block:
            if shape is None:
                shape = frame.shape
            if frame.shape != shape:
                raise UsageError(
                    f"{path}: frame {number} is {frame.shape}, the first was {shape}; frames must be of one size"
                )
            exact_type = frame.dtype == dtype and top == np.iinfo(dtype).max
            if not exact_type and (int(frame.max()) > top or int(frame.min()) < 0):
                raise UsageError(
                    f"{path}: frame {number} holds values outside 0 to {top} ({depth_bits} bits)"
                )
            yield frame.astype(dtype, copy=False)
            number += 1
