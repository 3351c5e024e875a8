"""What is written around an annotated picture: rulers in mm, scale bar, travel direction, status of the frame.

Particles fly anywhere in a picture. So nothing is written in it but their numbers, and nothing can hide under a
trail or cover one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .canvas import Box, FrameCanvas, Spot
from .lettering import fitted, put_flat, width_of
from .overlay_head import status_words
from .palette import FLAGGED, INK, INK_QUIET, PANEL
from .result import ClipResult
from .scale_bar import draw_bar
from .segments import Layer
from .ticks import digits, nice_step

_TICK = 6
"""Length of a ruler's tick, px."""
_ROW = 1.7
"""Height of the row of bar, arrow and status, in heights of its text."""


class Tick(NamedTuple):
    """A tick of a ruler: what it says, and how far along the border it is, px."""

    text: str
    along: float


@dataclass(frozen=True)
class Surround:
    """The margins of an annotated picture.

    Attributes
    ----------
    result
        The clip.
    shape
        Height and width of its frames, px.
    factor
        Picture px a clip px.
    size
        Height of text, px.
    layers
        What is shown; without rulers, bar, arrow and status there are no margins.
    """

    result: ClipResult
    shape: tuple[int, int]
    factor: float
    size: int
    layers: Sequence[Layer]

    @property
    def left(self) -> int:
        """Width of the left margin, px."""
        if "axes" not in self.layers:
            return 0
        texts = [tick.text for tick in self.rulers[1]] + [self.result.unit]
        return round(0.9 * self.size) + _TICK + max(width_of(text, self._small) for text in texts)

    @property
    def below(self) -> int:
        """Height of the margin under the picture, px."""
        return self._ruler_height + self._row_height

    def _row_top(self, place: tuple[int, int]) -> int:
        """First row below a picture and its ruler, where bar, arrow and status are."""
        return place[0] + round(self.shape[0] * self.factor) + self._ruler_height

    @property
    def _small(self) -> int:
        return round(0.8 * self.size)

    @property
    def _ruler_height(self) -> int:
        return round(1.1 * self.size) + _TICK if "axes" in self.layers else 0

    @property
    def _row_height(self) -> int:
        return round(_ROW * self.size) if {"travel", "scale", "status"} & set(self.layers) else 0

    @cached_property
    def rulers(self) -> tuple[list[Tick], list[Tick]]:
        """Ticks under the picture and to its left: how far from the beam, along the picture's rows and columns.

        They count up as the pool axis does that runs along the border the most. Where travel is along rows or columns
        they are the pool axes themselves.
        """
        axes = self.result.axes
        toward = np.array([axes.forward, axes.left])
        forward = np.abs(toward[0])
        under, beside = (0, 1) if forward[0] >= forward[1] else (1, 0)
        px_mm = axes.mm_per_px * np.linalg.norm(axes.matrix, axis=0)
        # Room for a label across, and for a few lines up and down.
        return (
            self._ticks(axes.origin_x, self.shape[1], px_mm[0] * np.sign(toward[under, 0]), 3.4),
            self._ticks(axes.origin_y, self.shape[0], px_mm[1] * np.sign(toward[beside, 1]), 2.4),
        )

    def _ticks(self, origin: float, length: int, px_mm: float, room: float) -> list[Tick]:
        """Ticks along a border of so many px, with at least `room` heights of text from one to the next."""
        first, last = ((end - origin) * px_mm for end in (-0.5, length - 0.5))
        step = nice_step(max(52.0, room * self.size) / self.factor * abs(px_mm))
        counts = range(math.ceil(min(first, last) / step), math.floor(max(first, last) / step) + 1)
        return [
            Tick(digits(count * step, step), self.factor * (count * step - first) / px_mm) for count in counts
        ]

    def draw(self, image: NDArray[np.uint8], place: tuple[int, int]) -> list[Box]:
        """Draw all that stays the same around a picture.

        Parameters
        ----------
        image
            The panel, shape (height, width, 3), BGR; drawn on in place.
        place
            Row and column at which the picture is in it.

        Returns
        -------
        list of Box
            What is covered.
        """
        top, left = place
        rows, columns = (round(length * self.factor) for length in self.shape)
        canvas = FrameCanvas(image, 1.0, max(2, round(self.size / 11)), self.size)
        if "axes" in self.layers:
            for box in (
                Box(left, top, left + columns, top + rows),
                Box(0, 0, image.shape[1], top - 0.45 * self.size),
            ):
                canvas.reserve(box)
            known = len(canvas.taken)
            corner = (0.5 * self.size, top + rows + _TICK)
            canvas.label(self.result.unit, [Spot(*corner, (0, 0))], INK_QUIET, size=0.8)
            self._draw_ruler(canvas, self.rulers[0], np.array([left, top + rows]), 0)
            self._draw_ruler(canvas, self.rulers[1], np.array([left - 1, top]), 1)
            del canvas.taken[:known]
        middle = self._row_top(place) + 0.5 * self._row_height
        end = left + 0.5 * self.size
        if "scale" in self.layers:
            scale = self.result.axes.row_mm_per_px
            length = nice_step(0.1 * self.shape[1] * scale)
            words = f"{digits(length, length)} {self.result.unit}"
            end = draw_bar(canvas, length / scale * self.factor, words, (end, middle)) + 1.6 * self.size
        if "travel" in self.layers:
            self._draw_arrow(canvas, (end, middle))
        return canvas.taken

    def _draw_ruler(
        self, canvas: FrameCanvas, ticks: Sequence[Tick], corner: NDArray[np.float64], axis: int
    ) -> None:
        """Draw the ruler under (axis 0) or to the left of the picture (axis 1), from a corner of it."""
        along, out = np.eye(2)[axis], np.array([[0.0, 1.0], [-1.0, 0.0]])[axis]
        anchor = ((0.5, 0.0), (1.0, 0.5))[axis]
        lines = []
        for tick in ticks:
            foot = corner + tick.along * along
            tip = foot + _TICK * out
            x, y = tip + 4 * axis * out
            if canvas.label(tick.text, [Spot(float(x), float(y), anchor)], INK, size=0.8):
                lines.append(np.array([foot, tip]))
        canvas.strokes(lines, INK, pen=1, halo=False)

    def _draw_arrow(self, canvas: FrameCanvas, place: tuple[float, float]) -> None:
        """Draw the word and an arrow along travel, from a place on; its y is the middle."""
        x, y = place
        canvas.label("travel", [Spot(x, y, (0, 0.5))], INK, size=0.8)
        half = 0.5 * (_ROW - 0.3) * self.size
        centre = np.array([x + width_of("travel", self._small) + 0.5 * self.size + half, y])
        forward, left = (np.array(way) for way in (self.result.axes.forward, self.result.axes.left))
        tip, foot = centre + half * forward, centre - half * forward
        head = tip - 0.5 * self.size * forward
        barbs = np.array([head + 0.35 * self.size * left, tip, head - 0.35 * self.size * left])
        canvas.strokes([np.array([foot, tip]), barbs], INK, halo=False)
        canvas.reserve(Box(centre[0] - half, y - half, centre[0] + half, y + half))

    def draw_status(
        self, image: NDArray[np.uint8], place: tuple[int, int], number: int, taken: Sequence[Box]
    ) -> None:
        """Write why a frame was not measured, right of all that was drawn; the row is bare there."""
        words = status_words(self.result, number)
        if "status" not in self.layers or not words:
            return
        top = self._row_top(place)
        used = max((box.right for box in taken if box.bottom > top), default=0.0)
        right = image.shape[1] - 0.6 * self.size
        text = fitted(words, self.size, round(right - used - self.size), True)
        middle = top + 0.5 * self._row_height
        put_flat(image, text, (right, middle), self.size, FLAGGED, PANEL, (1, 0.5), bold=True)

    def clear_status(
        self, image: NDArray[np.uint8], blank: NDArray[np.uint8], place: tuple[int, int]
    ) -> None:
        """Take off what `draw_status` wrote for another frame; `blank` is the panel without it."""
        top = self._row_top(place)
        rows = slice(top, top + self._row_height)
        image[rows] = blank[rows]
