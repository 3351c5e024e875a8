"""Strip chart under a picture: length, width, keyhole brightness and particles running with time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .lettering import Type, number_width, put_flat, put_number, width_of
from .palette import FLAGGED, INK, INK_QUIET, KEYHOLE, PANEL, PANEL_LIT, PARTICLE, POOL, bgr
from .result import ClipResult
from .ticks import decimals, digits, nice_step, ticks

_LINE = "#3a424c"


@dataclass(frozen=True)
class Lane:
    """One curve of the strip: column of ``frames.csv``, its name, unit, colour and decimals."""

    column: str
    name: str
    unit: str
    colour: str
    steps: bool = False


def lanes(result: ClipResult) -> tuple[Lane, ...]:
    """The curves of a clip's strip, from top to bottom."""
    every = (
        Lane("pool_length_mm", "length", result.unit, POOL),
        Lane("pool_width_mm", "width", result.unit, POOL),
        Lane("keyhole_brightness", "keyhole", "of full scale", KEYHOLE),
        Lane("spatter_in_view", "particles", "in view", PARTICLE, steps=True),
    )
    return every if result.spatter_sought else every[:-1]


@dataclass(frozen=True)
class _Scaled:
    lane: Lane
    low: float
    high: float
    step: float


class StripChart:
    """Curves of a stretch of frames, drawn once bright and once dim; a cursor runs over them.

    Parameters
    ----------
    result
        The clip.
    span
        First and last frame of the time axis.
    width
        Width of the chart, px.
    size
        Height of its text, px.

    Notes
    -----
    Each lane spans the smallest to the largest value of the whole clip, so all excerpts share one axis.
    """

    def __init__(self, result: ClipResult, span: tuple[int, int], width: int, size: int) -> None:
        self._result, self._size = result, size
        self.width = width
        self._first, self._last = span[0], max(span[1], span[0] + 1)
        self._lane_height = round(2.15 * size)
        names = max(width_of("particles", size), width_of("of full scale", round(0.78 * size)))
        self._values = round(0.9 * size) + names
        self._left = self._values + width_of("00.000", round(1.1 * size), True) + size
        self._right = width - width_of("0.0000", round(0.7 * size)) - round(1.0 * size)
        self._scaled = [self._scale(lane) for lane in lanes(result)]
        self._axis = len(self._scaled) * self._lane_height
        self.height = self._axis + round(1.9 * size)
        self._bright = self._drawn(1.0)
        self._dim = self._drawn(0.42)

    def column(self, frame: float) -> int:
        """Column of the chart at which a frame lies, px."""
        share = (frame - self._first) / (self._last - self._first)
        return round(self._left + share * (self._right - self._left))

    def draw(self, image: NDArray[np.uint8], frame: int, before: int | None = None) -> None:
        """Paint the chart with the cursor at a frame into an image of shape (height, width, 3), in place.

        `before` is the frame at which this chart stands in the image already: then only what differs is painted.
        """
        at = min(max(self.column(frame), self._left), self._right)
        first, last = 0, self.width
        if before is not None:
            was = min(max(self.column(before), self._left), self._right)
            first, last = min(at, was) - 8, max(at, was) + 9
        image[:, first : at + 1] = self._bright[:, first : at + 1]
        image[:, at + 1 : last] = self._dim[:, at + 1 : last]
        cv2.line(image, (at, 0), (at, self._axis), bgr(INK), max(1, self._size // 10))
        values, size = self._values_at(frame), round(1.1 * self._size)
        shown = [None] * len(values) if before is None else self._values_at(before)
        right = round(self._left - 0.6 * self._size)
        for place, (scaled, value, old) in enumerate(zip(self._scaled, values, shown, strict=True)):
            text, stood = self._words(scaled, value), None if old is None else self._words(scaled, old)
            middle, colour = (place + 0.5) * self._lane_height, scaled.lane.colour
            if stood is not None and number_width(stood, size, True) != number_width(text, size, True):
                rows = slice(place * self._lane_height + 1, (place + 1) * self._lane_height)
                image[rows, self._values : self._left] = self._bright[rows, self._values : self._left]
                stood = None
            put_number(image, text, (right, middle), Type(size, colour, PANEL, bold=True), (1, 0.5), stood)
            if math.isfinite(value):
                y = float(self._height_of(scaled, place, np.float64(value)))
                cv2.circle(image, (at * 16, round(y * 16)), 5 * 16, bgr(colour), -1, cv2.LINE_AA, 4)

    def _values_at(self, frame: int) -> list[float]:
        row = self._result.row(frame)
        if row is None:
            return [math.nan] * len(self._scaled)
        return [float(self._result.series(scaled.lane.column)[row]) for scaled in self._scaled]

    @staticmethod
    def _words(scaled: _Scaled, value: float) -> str:
        return digits(value, scaled.step) if math.isfinite(value) else "–"

    def _scale(self, lane: Lane) -> _Scaled:
        values = self._result.series(lane.column)
        known = values[np.isfinite(values)]
        if lane.steps:
            return _Scaled(lane, 0.0, max(1.0, float(known.max(initial=0))), 1.0)
        low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
        if high - low < 1e-9 + 1e-6 * abs(high):
            low, high = low - 0.5 * abs(low) - 1e-6, high + 0.5 * abs(high) + 1e-6
        # Four digits have room, and a fifth would say nothing.
        least = 10.0 ** (math.floor(math.log10(max(abs(low), abs(high)))) - 3)
        return _Scaled(lane, low, high, max(nice_step((high - low) / 50), least))

    def _height_of(
        self, scaled: _Scaled, place: int, values: NDArray[np.float64] | np.float64
    ) -> NDArray[np.float64]:
        inset = 0.14 * self._lane_height
        share = (values - scaled.low) / (scaled.high - scaled.low)
        return np.asarray((place + 1) * self._lane_height - inset - share * (self._lane_height - 2 * inset))

    def _drawn(self, strength: float) -> NDArray[np.uint8]:
        image = np.full((self.height, self.width, 3), bgr(PANEL), np.uint8)
        result = self._result
        steady = [min(max(self.column(f), self._left), self._right) for f in result.steady]
        image[: self._axis, steady[0] : steady[1] + 1] = bgr(PANEL_LIT)
        small = round(0.78 * self._size)
        for place, scaled in enumerate(self._scaled):
            self._draw_lane(image, place, scaled, strength)
            lane, top = scaled.lane, place * self._lane_height
            middle = top + 0.5 * self._lane_height
            put_flat(image, lane.name, (0.6 * self._size, middle), self._size, lane.colour, PANEL, (0, 0.8))
            put_flat(image, lane.unit, (0.6 * self._size, middle), small, INK_QUIET, PANEL, (0, -0.2))
            for value, anchor in ((scaled.high, 0.0), (scaled.low, 1.0)):
                y = top + (0.1 + 0.8 * anchor) * self._lane_height
                text = digits(value, scaled.step)
                where = (self._right + 0.4 * self._size, y)
                put_flat(image, text, where, round(0.7 * self._size), INK_QUIET, PANEL, (0, anchor))
            cv2.line(image, (self._left, top), (self._right, top), bgr(_LINE), 1)
        self._draw_axis(image)
        return image

    def _draw_lane(self, image: NDArray[np.uint8], place: int, scaled: _Scaled, strength: float) -> None:
        result = self._result
        rows = slice(*np.searchsorted(result.numbers, [self._first, self._last + 1]))
        values = result.series(scaled.lane.column)[rows]
        if not len(values):
            return
        x = self._left + (result.numbers[rows] - self._first) / (self._last - self._first) * (
            self._right - self._left
        )
        y = self._height_of(scaled, place, values)
        if scaled.lane.steps and len(x) < 2 * (self._right - self._left):
            x, y = np.repeat(x, 2)[1:], np.repeat(y, 2)[:-1]
        known = np.isfinite(y)
        runs = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]])))
        points = np.stack([x, np.where(known, y, 0)], axis=1)
        pieces = [
            np.rint(points[start:stop] * 16).astype(np.int32)[:, None]
            for start, stop in zip(runs[::2], runs[1::2], strict=True)
        ]
        ink = tuple(
            round(strength * a + (1 - strength) * b)
            for a, b in zip(bgr(scaled.lane.colour), bgr(PANEL), strict=True)
        )
        cv2.polylines(image, pieces, False, ink, max(1, self._size // 12), cv2.LINE_AA, 4)

    def _draw_axis(self, image: NDArray[np.uint8]) -> None:
        result, size = self._result, self._size
        small = round(0.78 * size)
        cv2.line(image, (self._left, self._axis), (self._right, self._axis), bgr(INK_QUIET), 1)
        rate = result.record_rate_hz / 1e3  # frames per ms
        low, high = self._first / rate, self._last / rate
        places = ticks(low, high, max(2, (self._right - self._left) // (5 * size)))
        step = float(places[1] - places[0]) if len(places) > 1 else high - low
        for time in places:
            x = self.column(time * rate)
            cv2.line(image, (x, self._axis), (x, self._axis + size // 3), bgr(INK_QUIET), 1)
            text = f"{time:.{decimals(step)}f}"
            put_flat(image, text, (x, self._axis + 0.4 * size), small, INK_QUIET, PANEL, (0.5, 0))
        name = (0.6 * size, self._axis + 0.4 * size)
        put_flat(image, "time, ms", name, small, INK_QUIET, PANEL)
        if np.any(self.flagged(result)):
            self._draw_flags(image)

    @staticmethod
    def flagged(result: ClipResult) -> NDArray[np.bool_]:
        """Rows of `frames` that were not measured."""
        return np.asarray(result.status != "ok")

    def _draw_flags(self, image: NDArray[np.uint8]) -> None:
        rows = (self._result.numbers >= self._first) & (self._result.numbers <= self._last)
        columns = {self.column(f) for f in self._result.numbers[rows & self.flagged(self._result)]}
        for x in columns:
            arm = max(2, self._size // 6)
            for sign in (1, -1):
                cv2.line(
                    image,
                    (x - arm, self._axis - sign * arm),
                    (x + arm, self._axis + sign * arm),
                    bgr(FLAGGED),
                    max(1, self._size // 14),
                    cv2.LINE_AA,
                )
