"""Photos for calibration: read at native depth, turned to grey."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..model.stills import decode_still


def read_photo(path: str | Path) -> NDArray[np.float32]:
    """Read a still picture as grey values, shape (h, w), in the file's own depth.

    Raises
    ------
    ClipError
        The file is missing or is no picture that can be read.
    """
    import cv2

    picture = decode_still(path, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_ANYDEPTH)
    return np.asarray(picture, dtype=np.float32)


def eight_bit(photo: NDArray[np.floating]) -> NDArray[np.uint8]:
    """A picture stretched to 8 bits between its darkest and brightest half per cent."""
    low, high = np.percentile(photo, [0.5, 99.5])
    span = float(high - low) or 1.0
    return np.asarray(np.clip((photo - low) * (255 / span) + 0.5, 0, 255), dtype=np.uint8)
