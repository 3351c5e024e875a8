"""A frame with what was measured and what was marked by hand, both drawn in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ...model.axes import PoolAxes
from ..canvas import FrameCanvas
from ..overlay import enlargement
from ..palette import INK, PANEL, POOL, YELLOW, bgr
from ..tone import ToneCurve, toned

_MIN_WIDTH = 900
_DASH = 7


@dataclass(frozen=True)
class DifferingFrame:
    """A frame in which tool and hand differ.

    Attributes
    ----------
    picture
        Native depth, shape (height, width).
    words
        What the picture shows.
    outline
        As measured, image px, shape (k, 2); (0, 2) for none.
    ends
        Marks (front, rear, left, right) of each marking, image px, shape (4, 2) each.
    traced
        Outlines traced by hand, image px.
    """

    picture: NDArray[Any]
    words: str
    outline: NDArray[np.float64]
    ends: Sequence[NDArray[np.float64]]
    traced: Sequence[NDArray[np.float64]] = ()


def differing_picture(shown: DifferingFrame, axes: PoolAxes, tone: ToneCurve) -> NDArray[np.uint8]:
    """Paint it, shape (height, width, 3), BGR: the outline as measured, solid; lines as marked, dashed."""
    grey = toned(shown.picture, tone.table(shown.picture.dtype))
    height, width = grey.shape
    factor = enlargement(width, height, _MIN_WIDTH)
    size = (round(width * factor), round(height * factor))
    grey = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_LINEAR), np.uint8)
    image = np.ascontiguousarray(np.repeat(grey[..., None], 3, axis=2))
    canvas = FrameCanvas(image, factor, pen=2, size=18)
    if len(shown.outline):
        canvas.path(shown.outline, POOL, closed=True)
    for ends in shown.ends:
        canvas.strokes(_dashes(ends, axes, _DASH / factor), YELLOW, pen=2)
    for ring in shown.traced:
        canvas.path(ring, YELLOW, closed=True, pen=1)
    strip = np.full((58, size[0], 3), bgr(PANEL), np.uint8)
    words = FrameCanvas(strip, 1.0, size=18)
    words.write(shown.words, (10, 8), INK)
    words.write("solid: measured", (10, 32), POOL)
    words.write("dashed: marked by hand", (190, 32), YELLOW)
    return np.vstack([strip, image])


def _dashes(ends: NDArray[np.float64], axes: PoolAxes, dash: float) -> list[NDArray[np.float64]]:
    """Dashed lines through the four marks: front and rear across the marked pool, left and right along it."""
    front, rear, left, right = axes.px(ends)
    lines = [((end, right[1]), (end, left[1])) for end in (front[0], rear[0])] + [
        ((rear[0], side), (front[0], side)) for side in (left[1], right[1])
    ]
    found = []
    for start, stop in lines:
        a, b = np.array(start), np.array(stop)
        count = max(1, int(np.hypot(*(b - a)) / (2 * dash)))
        for k in range(count):
            part = np.array([a + (b - a) * k / count, a + (b - a) * (k + 0.5) / count])
            found.append(axes.image(part * axes.mm_per_px))
    return found
