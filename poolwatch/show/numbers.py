"""Numbers of particles over a frame, each where it covers nothing that is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .canvas import FrameCanvas
from .lettering import put_haloed, text_mask
from .painters import extent_bars, thinned
from .palette import INK
from .particles import Seen, TracksInFrame, mark_half
from .result import ClipResult

_TRIED = 6
"""Frames of a flight in which the sides of a mark are tried."""
_ROOM = 4.0
"""Half the width of a drawn line with its dark rim and that of a letter, px."""
# Right of the mark first, then around it: where the number is, and which point of it is there.
_SIDES = np.array([(1, 0), (-1, 0), (1, -1), (-1, -1), (1, 1), (-1, 1), (0, -1), (0, 1)], dtype=float)
_ANCHORS = 0.5 - 0.5 * _SIDES


@dataclass(frozen=True)
class NumberPainter:
    """Numbers of the counted particles.

    A number keeps one side of its mark for the whole flight: the one that is free most of the time. In a frame where
    it would cover a mark, a trail, the outline, the keyhole or another number it is left out. One painter serves
    canvases of one kind.
    """

    tracks: TracksInFrame
    result: ClipResult
    still: bool = False
    _kept: dict[int, int] = field(default_factory=dict, compare=False, repr=False)

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Write the numbers."""
        seen = list(self.tracks.seen(frame))
        counted = [one for one in seen if one.number > 0 and one.diameter is not None]
        if not counted:
            return
        boxes = np.array([self._boxes(canvas, one)[self._side(canvas, one.number)] for one in counted])
        free = self._free(canvas, frame, seen, boxes)
        for place in np.flatnonzero(free):
            box = boxes[place]
            before = boxes[:place][free[:place]]
            if _meeting(box[None], before).any():
                free[place] = False
                continue
            place_of = (float(box[0]), float(box[1]))
            put_haloed(canvas.image, str(counted[place].number), place_of, _height(canvas), INK)

    def _side(self, canvas: FrameCanvas, number: int) -> int:
        """The side of its mark on which a particle's number is free in most frames of its flight."""
        if number not in self._kept:
            frames = self.tracks.flight(number)
            chosen = frames[np.unique(np.linspace(0, len(frames) - 1, _TRIED).round().astype(int))]
            # Close to the mark unless farther out is free clearly more often.
            score = np.repeat([1.5, 0.0], len(_SIDES))
            for frame in chosen:
                seen = list(self.tracks.seen(int(frame)))
                mine = next(one for one in seen if one.number == number)
                score += self._free(canvas, int(frame), seen, self._boxes(canvas, mine))
            self._kept[number] = int(np.argmax(score))
        return self._kept[number]

    @staticmethod
    def _boxes(canvas: FrameCanvas, one: Seen) -> NDArray[np.float64]:
        """Where a number could be, shape (sides, 4): left, top, right, bottom, px; near its mark first."""
        rows, columns = text_mask(str(one.number), _height(canvas)).shape
        centre = canvas.at(one.path[-1])
        reach = mark_half(canvas, one.diameter or 0.0) + canvas.pen + 3
        corners = np.concatenate(
            [centre + away * reach * _SIDES - _ANCHORS * (columns, rows) for away in (1, 2)]
        ).round()
        return np.hstack([corners, corners + (columns, rows)])

    def _free(
        self, canvas: FrameCanvas, frame: int, seen: Sequence[Seen], boxes: NDArray[np.float64]
    ) -> NDArray[np.bool_]:
        """Which boxes, shape (k, 4), are inside the picture and cover nothing that is drawn in a frame."""
        height, width = canvas.image.shape[:2]
        inside = (boxes[:, :2] >= 0).all(axis=1) & (boxes[:, 2:] <= (width, height)).all(axis=1)
        marks = [
            (*(place - half), *(place + half))
            for one in seen
            if one.diameter is not None
            for place, half in [(canvas.at(one.path[-1]), mark_half(canvas, one.diameter) + canvas.pen + 1)]
        ]
        clear = ~_meeting(boxes, np.array(marks).reshape(-1, 4)).any(axis=1)
        return np.asarray(inside & clear & ~self._crossed(canvas, frame, seen, boxes))

    def _crossed(
        self, canvas: FrameCanvas, frame: int, seen: Sequence[Seen], boxes: NDArray[np.float64]
    ) -> NDArray[np.bool_]:
        """Which boxes a drawn line crosses: separating axes of a box and a segment."""
        paths = [one.path for one in seen if len(one.path) > 1]
        outline = thinned(self.result.outlines(frame))
        paths += [np.vstack([outline, outline[:1]])] if len(outline) else []
        paths += [*extent_bars(self.result, frame, canvas.factor), *self._keyhole]
        if not paths:
            return np.zeros(len(boxes), dtype=bool)
        starts = canvas.at(np.concatenate([path[:-1] for path in paths]))
        ends = canvas.at(np.concatenate([path[1:] for path in paths]))
        half_way, middle = 0.5 * (ends - starts), 0.5 * (starts + ends)
        half = (0.5 * (boxes[:, 2:] - boxes[:, :2]) + _ROOM)[:, None]
        away = middle - 0.5 * (boxes[:, None, :2] + boxes[:, None, 2:])
        long = np.abs(half_way)
        meets = (np.abs(away) <= half + long).all(axis=2)
        across = np.abs(half_way[:, 0] * away[..., 1] - half_way[:, 1] * away[..., 0])
        meets &= across <= half[..., 0] * long[:, 1] + half[..., 1] * long[:, 0]
        return np.asarray(meets.any(axis=1))

    @cached_property
    def _keyhole(self) -> list[NDArray[np.float64]]:
        region = self.result.keyhole
        if region is None:
            return []
        rings = region.reshape(-1, *region.shape[-2:])
        return [np.vstack([ring, ring[:1]]) for ring in rings]


def _height(canvas: FrameCanvas) -> int:
    return max(9, round(0.8 * canvas.size))


def _meeting(boxes: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which boxes (k, 4) share a pixel with which others (m, 4); shape (k, m)."""
    low = np.maximum(boxes[:, None, :2], others[:, :2])
    high = np.minimum(boxes[:, None, 2:], others[:, 2:])
    return np.asarray((low < high).all(axis=2))
