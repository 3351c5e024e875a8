"""Single pictures out of still files, their size known before memory is taken."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.errors import ClipError
from .reader import check_size, reason_of
from .settings import ClipSettings
from .tiff_pages import TIFF_DAMAGE, page_values, quiet_tifffile

ENDINGS = (".png", ".tif", ".tiff", ".jpg", ".jpeg", ".bmp")


class DamagedPicture(Exception):
    """The data of one still cannot be decoded."""


def read_picture(file: Path, settings: ClipSettings) -> NDArray[Any]:
    """Pixels of one still: (height, width) or (height, width, channels in RGB order).

    Raises
    ------
    DamagedPicture
        Its data cannot be decoded.
    ClipError
        It is too large, or is no such picture.
    """
    import imagecodecs

    ending = file.suffix.lower()
    if ending in (".tif", ".tiff"):
        return _tiff(file, settings)
    try:
        data = file.read_bytes()
    except PermissionError:
        raise ClipError(f"{file}: may not be read (permission denied); change its permissions") from None
    size = _SIZES[ending](data)
    if size is None:
        raise DamagedPicture(f"its header is not that of a {ending} file")
    check_size(file, *size, settings)
    try:
        if ending == ".png":
            return np.asarray(imagecodecs.png_decode(data))
        if ending in (".jpg", ".jpeg"):
            return np.asarray(imagecodecs.jpeg_decode(data))
        return np.asarray(imagecodecs.bmp_decode(data))
    except (RuntimeError, ValueError, EOFError) as error:
        raise DamagedPicture(str(error)) from None


def luma(picture: NDArray[Any]) -> NDArray[Any]:
    """Grey picture of the same depth, by the weights of ITU-R BT.601; equal channels give exactly that value."""
    if picture.ndim == 2:
        return picture
    if picture.shape[2] <= 2:  # grey, with or without alpha
        return np.ascontiguousarray(picture[:, :, 0])
    import cv2

    return np.asarray(cv2.cvtColor(np.ascontiguousarray(picture[:, :, :3]), cv2.COLOR_RGB2GRAY))


def _tiff(file: Path, settings: ClipSettings) -> NDArray[Any]:
    import tifffile

    quiet_tifffile()
    try:
        with tifffile.TiffFile(file) as tif:
            page = tif.pages.first
            check_size(file, page.imagewidth, page.imagelength, settings)
            return page_values(page)
    except TIFF_DAMAGE as error:
        if isinstance(error, (ClipError, FileNotFoundError)):
            raise
        raise DamagedPicture(reason_of(error)) from None


def _png_size(data: bytes) -> tuple[int, int] | None:
    if data[:8] != b"\x89PNG\r\n\x1a\n" or len(data) < 24:
        return None
    width, height = struct.unpack(">II", data[16:24])
    return width, height


def _jpeg_size(data: bytes) -> tuple[int, int] | None:
    """Size from the start-of-frame segment (ITU-T T.81, B.2.2)."""
    if data[:2] != b"\xff\xd8":
        return None
    at = 2
    while at + 9 < len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            height, width = struct.unpack(">HH", data[at + 5 : at + 9])
            return width, height
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big") if marker != 0xFF else 1
    return None


def _bmp_size(data: bytes) -> tuple[int, int] | None:
    if data[:2] != b"BM" or len(data) < 26:
        return None
    width, height = struct.unpack("<ii", data[18:26])
    return width, abs(height)


_SIZES = {".png": _png_size, ".jpg": _jpeg_size, ".jpeg": _jpeg_size, ".bmp": _bmp_size}
