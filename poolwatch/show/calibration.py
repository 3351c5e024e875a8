"""The photo of a calibration with what was found in it drawn in: one look shows whether it was the right thing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from ..model.errors import UsageError
from .bead import write_picture
from .canvas import FrameCanvas, Spot
from .lettering import fitted, put_flat
from .palette import INK, INK_QUIET, ORANGE, PANEL, POOL, bgr

_LEAST_WIDTH, _SIZE, _LINE = 900, 18, 28


def draw_calibration(
    photo: NDArray[np.uint8],
    points: NDArray[np.float64],
    lines: Sequence[str],
    *,
    along: NDArray[np.float64] | None = None,
) -> NDArray[np.uint8]:
    """Draw found points over a photo, the first and the last of them numbered.

    Parameters
    ----------
    photo
        Grey values, shape (height, width).
    points
        Corners, centres or marks, shape (n, 2), px, in their order.
    lines
        What was found, in words, over the photo.
    along
        A line along which was measured, shape (2, 2), px.

    Returns
    -------
    numpy.ndarray
        The picture, uint8, BGR; small photos are enlarged.
    """
    height, width = photo.shape
    factor = max(1, -(-_LEAST_WIDTH // width))
    grey = cv2.resize(photo, (factor * width, factor * height), interpolation=cv2.INTER_LINEAR)
    picture = np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR), np.uint8)
    canvas = FrameCanvas(picture, float(factor), 2, _SIZE)
    if along is not None:
        canvas.path(along, ORANGE)
    half = _half(canvas.at(points))
    for x, y in points:
        canvas.reserve(canvas.corners(float(x), float(y), half, POOL, pen=1))
    for number in sorted({0, len(points) - 1}) if len(points) else ():
        x, y = canvas.at(points[number])
        spots = [Spot(x + sx * 2 * half, y + sy * 2 * half, (0.5, 0.5)) for sx, sy in _AROUND]
        canvas.label(str(number + 1), spots, INK, bold=True)
    head = np.full((12 + _LINE * len(lines), picture.shape[1], 3), bgr(PANEL), np.uint8)
    for place, words in enumerate(lines):
        shown = fitted(words, _SIZE, picture.shape[1] - 24, not place)
        put_flat(
            head, shown, (12, 8 + _LINE * place), _SIZE, INK_QUIET if place else INK, PANEL, bold=not place
        )
    return np.vstack([head, picture])


_AROUND = ((0, -1), (-1, 0), (1, 0), (0, 1), (-1, -1), (1, -1), (-1, 1), (1, 1))


def _half(places: NDArray[np.float64]) -> float:
    """Half a side of the marks, px: a fifth of the way to the next point."""
    if len(places) < 2:
        return 8.0
    away = np.hypot(*(places[:, None] - places[None])[:200, :200].transpose(2, 0, 1))
    np.fill_diagonal(away, np.inf)
    return float(np.clip(0.2 * np.median(away.min(axis=1)), 3, 12))


def write_calibration_picture(path: str | Path, picture: NDArray[np.uint8]) -> None:
    """Write the picture as PNG.

    Raises
    ------
    UsageError
        The name does not end in ``.png``.
    OutputError
        The place cannot be written.
    """
    if Path(path).suffix.lower() != ".png":
        raise UsageError(f"{path}: the picture is a PNG; give a name that ends in .png")
    write_picture(path, picture)
