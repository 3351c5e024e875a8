"""A photo, read as a person sees it: upright, in colour or grey, linear in light."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.errors import ClipError
from ..model.stills import decode_still

Image = NDArray[np.float32]
# More than this many pixels are refused before memory is taken.
_MOST_PIXELS = 400_000_000


@dataclass(frozen=True)
class Photo:
    """A photo of a weld.

    Attributes
    ----------
    name
        Name of the file.
    light
        Shape (height, width, channels), 0 to 1, linear in light; 3 channels (blue, green, red) or 1.
    shown
        Shape (height, width, 3), 8-bit blue-green-red: to draw on.
    """

    name: str
    light: Image
    shown: NDArray[np.uint8]


def read_weld_photo(path: str | Path) -> Photo:
    """Read a still picture; the orientation that a camera noted in it is followed.

    8-bit pictures are taken to carry the tone curve of photos (IEC 61966-2-1, sRGB), deeper ones to be linear.

    Raises
    ------
    ClipError
        The file is missing, no picture that can be read, or too large.
    """
    import cv2

    path = Path(path)
    raw = decode_still(path, cv2.IMREAD_COLOR | cv2.IMREAD_ANYDEPTH)
    if raw.shape[0] * raw.shape[1] > _MOST_PIXELS or min(raw.shape[:2]) < 32:
        raise ClipError(
            f"{path}: is {raw.shape[1]} x {raw.shape[0]} px; give a picture of 32 px to 400 megapixels"
        )
    if _is_grey(raw):
        raw = raw[..., :1]
    return Photo(path.name, _linear(raw), _eight_bit(raw))


def _is_grey(raw: NDArray[Any]) -> bool:
    return bool(np.array_equal(raw[..., 0], raw[..., 1]) and np.array_equal(raw[..., 0], raw[..., 2]))


def _linear(raw: NDArray[Any]) -> Image:
    if raw.dtype == np.uint8:
        v = np.arange(256) / 255
        curve = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)
        return np.asarray(curve[raw])
    if raw.dtype.kind == "u":
        return np.asarray(raw / np.float32(np.iinfo(raw.dtype).max), dtype=np.float32)
    finite = np.nan_to_num(raw.astype(np.float32), posinf=0.0, neginf=0.0)
    return np.asarray(np.clip(finite / max(float(finite.max()), 1e-12), 0, 1))


def _eight_bit(raw: NDArray[Any]) -> NDArray[np.uint8]:
    if raw.dtype != np.uint8:
        low, high = np.percentile(raw[::8, ::8], [0.5, 99.5])
        raw = np.clip((raw.astype(np.float32) - low) * (255 / max(float(high - low), 1e-12)), 0, 255).astype(
            np.uint8
        )
    return np.repeat(raw, 3, axis=2) if raw.shape[2] == 1 else raw
