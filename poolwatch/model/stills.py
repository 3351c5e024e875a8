"""The file of a still picture, decoded, with what a person reads where that fails."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .errors import ClipError


def decode_still(path: str | Path, flags: int) -> NDArray[Any]:
    """Decode a still picture.

    Parameters
    ----------
    path
        JPEG, PNG, TIFF or BMP.
    flags
        Those of ``cv2.imdecode``.

    Raises
    ------
    ClipError
        The file is missing or is no picture that can be read.
    """
    import cv2

    try:
        data = np.fromfile(path, dtype=np.uint8)
    except FileNotFoundError:
        raise ClipError(f"{path}: no such file; check the path") from None
    except OSError as error:
        raise ClipError(
            f"{path}: cannot be read ({error.strerror}); check the path and its permissions"
        ) from None
    try:
        picture: Any = cv2.imdecode(data, flags) if data.size else None
    except cv2.error:
        picture = None
    if picture is None:
        raise ClipError(f"{path}: is no picture that can be read; give a JPEG, PNG, TIFF or BMP still")
    return np.asarray(picture)
