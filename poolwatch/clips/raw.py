"""Headerless values, described by a TOML sidecar.

``clip.raw`` is read with ``clip.raw.toml``::

    width = 512
    height = 256
    depth_bits = 12
    packing = "none"         # or "mono10p", "mono12p", "mono12packed"
    align = "low"            # or "high": 12 bits in 16, times 16
    byte_order = "little"    # or "big"
    header_bytes = 0         # before the first frame
    frame_header_bytes = 0   # before every frame
    playback_rate_hz = 25.0  # optional
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..footage.raw_layout import Packing, RawLayout, sidecar_path, unpack
from ..model.clip import ClipFacts
from ..model.errors import ClipError, UsageError
from ..model.settings import read_toml
from .reader import BaseReader, check_size, read_at
from .settings import ClipSettings


class RawReader(BaseReader):
    """Reads frames of known size and packing, one after the other."""

    def __init__(self, path: Path, *, settings: ClipSettings) -> None:
        super().__init__()
        layout = _layout(path)
        self._layout = layout
        check_size(path, layout.width, layout.height, settings)
        stride = layout.frame_header_bytes + layout.frame_bytes
        length = path.stat().st_size - layout.header_bytes
        count, rest = divmod(max(length, 0), stride)
        if count < 1:
            raise ClipError(
                f"{path}: has {path.stat().st_size} bytes, less than one frame of {layout.width} x {layout.height} px "
                f"({stride} bytes after {layout.header_bytes}); correct {sidecar_path(path).name}"
            )
        self._file = path.open("rb", buffering=0)
        notes: tuple[str, ...] = ()
        flags = set()
        if rest:
            notes = (f"{rest} bytes are left after the last whole frame: cut off, or the sidecar is wrong",)
            flags.add("truncated")
        aligned = layout.align == "high" and layout.packing is Packing.NONE and 8 < layout.depth_bits < 16
        facts = ClipFacts(
            path,
            "raw",
            f"headerless, packing {layout.packing.value}, {layout.byte_order}-endian",
            layout.width,
            layout.height,
            "uint8" if layout.depth_bits <= 8 else "uint16",
            layout.depth_bits,
            0.0,
            count,
            None,
            layout.playback_rate_hz,
            notes=notes,
            flags=tuple(flags),
        )
        bits = layout.depth_bits
        if aligned and settings.full_scale is None and settings.depth_bits is None:
            full = float(((1 << bits) - 1) << (16 - bits))
            settings = settings.model_copy(update={"full_scale": full})
        try:
            self._settle(facts, settings, stated_bits=bits)
        except BaseException:
            self._release()
            raise

    def _read(self, start: int, stop: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        layout = self._layout
        stride = layout.frame_header_bytes + layout.frame_bytes
        data = np.empty((stop - start, stride), np.uint8)
        came = read_at(self._file, layout.header_bytes + start * stride, data)
        decoded = np.arange(1, stop - start + 1) * stride <= came
        rows = data[:, layout.frame_header_bytes :]
        if layout.packing is Packing.NONE:
            values = np.ascontiguousarray(rows).view(layout.dtype)
            frames = values.reshape(-1, layout.height, layout.width).astype(self.facts.dtype, copy=False)
        else:
            frames = unpack(rows, layout)
        frames[~decoded] = 0
        return frames, decoded

    def _release(self) -> None:
        self._file.close()


def _layout(path: Path) -> RawLayout:
    sidecar = sidecar_path(path)
    if not sidecar.is_file():
        raise ClipError(
            f"{path}: is headerless; describe it in {sidecar.name} beside it: width, height, depth_bits, and where "
            "needed packing, align, byte_order, header_bytes, frame_header_bytes"
        )
    try:
        return RawLayout.checked(read_toml(sidecar), where=str(sidecar))
    except UsageError as error:
        raise ClipError(str(error)) from None
