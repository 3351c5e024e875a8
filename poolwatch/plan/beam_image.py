"""Intensity pictures of a beam: camera pictures, arrays and tables, as numbers in the depth they have."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.errors import ClipError, UsageError

Floats = NDArray[np.float64]
PICTURES = (".png", ".tif", ".tiff", ".bmp", ".pgm", ".jpg", ".jpeg")


@dataclass(frozen=True)
class BeamImage:
    """An intensity picture.

    Attributes
    ----------
    values
        Shape (height, width), any linear unit of intensity.
    saturated
        Pixels at the top of the picture's range.
    notes
        What to know of the file.
    step
        Difference of two neighbouring values, 0 where the file holds real numbers.
    """

    values: Floats
    saturated: int = 0
    notes: tuple[str, ...] = ()
    step: float = 0.0


def read_beam_image(path: str | Path) -> BeamImage:
    """Read an intensity picture: PNG, TIFF, BMP, PGM, JPEG; NPY array; CSV or text grid of numbers.

    Raises
    ------
    ClipError
        The file is missing or cannot be read.
    UsageError
        It is in false colours, is no two-dimensional grid, holds values that are no numbers, or nothing.
    """
    path = Path(path)
    if not path.is_file():
        raise ClipError(f"{path}: no such file; check the path")
    ending = path.suffix.lower()
    notes: tuple[str, ...] = ()
    saturated, step = 0, 0.0
    if ending in PICTURES:
        raw = _picture(path)
        saturated, notes = _at_the_top(raw)
        if ending in (".jpg", ".jpeg"):
            notes += ("JPEG bends intensities; save the picture as PNG, TIFF, NPY or CSV",)
        values = raw.astype(np.float64)
        step = 1.0 if raw.dtype.kind == "u" else 0.0
    elif ending == ".npy":
        values = _array(path)
    elif ending in (".csv", ".txt", ".dat"):
        values = _grid(path)
    else:
        raise UsageError(
            f"{path}: the ending {ending!r} is none of {', '.join((*PICTURES, '.npy', '.csv', '.txt', '.dat'))}"
        )
    if values.ndim != 2 or min(values.shape) < 8:
        raise UsageError(f"{path}: is {values.shape}, a beam picture is a grid of 8 x 8 or more")
    if not np.isfinite(values).all():
        raise UsageError(f"{path}: holds values that are no numbers; fill or crop them")
    if np.ptp(values) == 0:
        raise UsageError(f"{path}: is the same everywhere; there is no beam in it")
    return BeamImage(values, saturated, notes, step)


def _picture(path: Path) -> NDArray[Any]:
    import cv2

    raw: Any = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if raw is None:
        raise ClipError(f"{path}: cannot be read as a picture; it may be damaged")
    if raw.ndim == 3:
        colours = raw[:, :, :3]
        if not (
            np.array_equal(colours[..., 0], colours[..., 1])
            and np.array_equal(colours[..., 0], colours[..., 2])
        ):
            raise UsageError(
                f"{path}: is a colour picture; false colours are no intensities: export the profile as grey, NPY or CSV"
            )
        raw = colours[..., 0]
    return np.asarray(raw)


def _at_the_top(raw: NDArray[Any]) -> tuple[int, tuple[str, ...]]:
    """Pixels at full scale of the file, or of the 10, 12 or 14 bits that a camera puts into 16."""
    if raw.dtype.kind != "u":
        return 0, ()
    top, depth = int(raw.max()), 8 * raw.dtype.itemsize
    count = int(np.count_nonzero(raw == top))
    bits = next(
        (b for b in (8, 10, 12, 14, 16) if b <= depth and top in (2**b - 1, (2**b - 1) << (depth - b))), None
    )
    if count < 2 or bits is None:
        return 0, ()
    where = "full scale" if bits == depth else f"{top}, full scale of {bits} bits"
    return count, (f"{count} pixels at {where}: the peak is cut, and the shares with it",)


def _array(path: Path) -> Floats:
    try:
        values = np.load(path, allow_pickle=False)
    except (OSError, ValueError, EOFError) as error:
        raise ClipError(f"{path}: cannot be read as an array ({error})") from None
    if values.dtype.kind not in "uif":
        raise UsageError(f"{path}: holds {values.dtype}, no real numbers")
    return np.asarray(values, dtype=np.float64)


def _grid(path: Path) -> Floats:
    """A grid of numbers with commas, semicolons, tabs or blanks between them."""
    try:
        lines = [line for line in path.read_text(encoding="utf-8-sig").splitlines() if line.strip()]
    except (OSError, UnicodeDecodeError) as error:
        raise ClipError(f"{path}: cannot be read as text ({error})") from None
    if not lines:
        raise UsageError(f"{path}: is empty")
    separator = next((mark for mark in (";", "\t", ",") if mark in lines[0]), None)
    rows = []
    for number, line in enumerate(lines, 1):
        cells = [cell for cell in (line.split(separator) if separator else line.split()) if cell.strip()]
        try:
            rows.append([float(cell.replace(",", ".") if separator != "," else cell) for cell in cells])
        except ValueError:
            raise UsageError(
                f"{path}: line {number} holds something that is no number; give the bare grid"
            ) from None
        if len(rows[-1]) != len(rows[0]):
            raise UsageError(
                f"{path}: line {number} has {len(rows[-1])} numbers, the first has {len(rows[0])}"
            )
    return np.array(rows)
