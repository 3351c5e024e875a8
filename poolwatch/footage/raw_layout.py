"""How values lie in a headerless raw file: the sidecar, and packing of 10- and 12-bit values.

Packings carry the names of the GenICam Pixel Format Naming Convention (``Mono10p``, ``Mono12p``: least
significant bit first) and of GigE Vision (``Mono12Packed``: high bits in bytes of their own).
Pixels run on over the rows of a frame; every frame begins on a byte.
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from ..model.settings import Settings


class Packing(StrEnum):
    """How several values share bytes."""

    NONE = "none"
    MONO10P = "mono10p"
    MONO12P = "mono12p"
    MONO12PACKED = "mono12packed"


# Packing: (pixels, bytes) that belong together.
_GROUPS = {Packing.MONO10P: (4, 5), Packing.MONO12P: (2, 3), Packing.MONO12PACKED: (2, 3)}
_BITS = {Packing.MONO10P: 10, Packing.MONO12P: 12, Packing.MONO12PACKED: 12}


class RawLayout(Settings):
    """What the sidecar of a headerless file says.

    Attributes
    ----------
    width, height
        Frame size, px.
    depth_bits
        Bits of a grey value. Unpacked values of more than 8 bits take two bytes.
    packing
        ``none``, ``mono10p``, ``mono12p`` or ``mono12packed``.
    align
        Where unpacked values of 9 to 15 bits sit in their two bytes: ``low`` or ``high``.
    byte_order
        Of two-byte values.
    header_bytes, frame_header_bytes
        Bytes to skip before the first frame, and before every frame.
    playback_rate_hz
        Where known; never the record rate.
    """

    width: int = Field(ge=1, le=1_000_000)
    height: int = Field(ge=1, le=1_000_000)
    depth_bits: int = Field(ge=1, le=16)
    packing: Packing = Packing.NONE
    align: Literal["low", "high"] = "low"
    byte_order: Literal["little", "big"] = "little"
    header_bytes: int = Field(default=0, ge=0)
    frame_header_bytes: int = Field(default=0, ge=0)
    playback_rate_hz: float | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        bits = _BITS.get(self.packing)
        if bits is not None and self.depth_bits != bits:
            raise ValueError(f"packing {self.packing.value} means depth_bits = {bits}")
        return self

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of the values as stored (unpacked) or as they come out (packed)."""
        if self.depth_bits <= 8:
            return np.dtype(np.uint8)
        little = self.byte_order == "little" or self.packing is not Packing.NONE
        return np.dtype("<u2" if little else ">u2")

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame without its header."""
        pixels = self.width * self.height
        if self.packing is Packing.NONE:
            return pixels * self.dtype.itemsize
        return -(-pixels * self.depth_bits // 8)


def sidecar_path(path: Path) -> Path:
    """`clip.raw` has its sidecar in `clip.raw.toml`."""
    return path.with_name(path.name + ".toml")


def sidecar_text(layout: RawLayout) -> str:
    """The layout as TOML."""
    lines = ["# How to read the headerless file of the same name."]
    for name, value in layout.model_dump(mode="json", exclude_none=True).items():
        lines.append(f'{name} = "{value}"' if isinstance(value, str) else f"{name} = {value}")
    return "\n".join(lines) + "\n"


def pack(frame: NDArray[Any], layout: RawLayout) -> bytes:
    """One frame (height, width) as the bytes of the file, without its header."""
    if layout.packing is Packing.NONE:
        return np.ascontiguousarray(frame, dtype=layout.dtype).tobytes()
    pixels, size = _GROUPS[layout.packing]
    values = frame.astype(np.uint16).ravel()
    flat = np.concatenate([values, np.zeros(-len(values) % pixels, np.uint16)]).reshape(-1, pixels)
    out = np.empty((len(flat), size), np.uint8)
    if layout.packing is Packing.MONO12PACKED:
        first, second = flat[:, 0], flat[:, 1]
        out[:, 0] = first >> 4
        out[:, 1] = (first & 15) | ((second & 15) << 4)
        out[:, 2] = second >> 4
    else:
        bits = layout.depth_bits
        word = np.zeros(len(flat), np.uint64)
        for place in range(pixels):
            word |= flat[:, place].astype(np.uint64) << np.uint64(bits * place)
        for place in range(size):
            out[:, place] = (word >> np.uint64(8 * place)) & np.uint64(255)
    return out.tobytes()[: layout.frame_bytes]


def unpack(data: NDArray[np.uint8], layout: RawLayout) -> NDArray[np.uint16]:
    """Bytes of packed frames, shape (n, frame_bytes), as values (n, height, width)."""
    pixels, size = _GROUPS[layout.packing]
    count = layout.width * layout.height
    groups = -(-count // pixels)
    if layout.frame_bytes < groups * size:
        padded = np.zeros((len(data), groups * size), np.uint8)
        padded[:, : layout.frame_bytes] = data
        data = padded
    parts = data.reshape(len(data), groups, size).astype(np.uint16)
    out = np.empty((len(data), groups, pixels), np.uint16)
    if layout.packing is Packing.MONO12PACKED:
        out[..., 0] = (parts[..., 0] << 4) | (parts[..., 1] & 15)
        out[..., 1] = (parts[..., 2] << 4) | (parts[..., 1] >> 4)
    elif layout.packing is Packing.MONO12P:
        out[..., 0] = parts[..., 0] | ((parts[..., 1] & 15) << 8)
        out[..., 1] = (parts[..., 1] >> 4) | (parts[..., 2] << 4)
    else:
        for place in range(pixels):
            byte, shift = divmod(10 * place, 8)
            out[..., place] = ((parts[..., byte] >> shift) | (parts[..., byte + 1] << (8 - shift))) & 1023
    return out.reshape(len(data), groups * pixels)[:, :count].reshape(len(data), layout.height, layout.width)
