"""Numbers of particles over a frame, each where it covers nothing that is drawn."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

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
# Each side close to the mark, then twice as far from it; shares of the text's width and height.
_REACHES, _SHARES = np.concatenate([_SIDES, 2 * _SIDES]), np.tile(0.5 - 0.5 * _SIDES, (2, 1))
_KEPT = 64
"""Frames of which it is kept what is drawn in them."""


class _Drawn(NamedTuple):
    """What is drawn in a frame, px: particles, their marks as boxes (m, 4), and lines from here (n, 2) to there."""

    seen: dict[int, Seen]
    marks: NDArray[np.float64]
    starts: NDArray[np.float64]
    ends: NDArray[np.float64]


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
    _sides: dict[int, int] = field(default_factory=dict, compare=False, repr=False)
    _frames: dict[int, _Drawn] = field(default_factory=dict, compare=False, repr=False)

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Write the numbers."""
        drawn = self._drawn(canvas, frame)
        counted = [one for one in drawn.seen.values() if one.number > 0 and one.diameter is not None]
        if not counted:
            return
        boxes = np.array([self._boxes(canvas, one)[self._side(canvas, one.number)] for one in counted])
        free = _free(canvas, drawn, boxes)
        for place in np.flatnonzero(free):
            if _meeting(boxes[place : place + 1], boxes[:place][free[:place]]).any():
                free[place] = False
                continue
            left, top, _, _ = boxes[place].tolist()
            put_haloed(canvas.image, str(counted[place].number), (left, top), _height(canvas), INK)

    def _side(self, canvas: FrameCanvas, number: int) -> int:
        """The side of its mark on which a particle's number is free in most frames of its flight."""
        if number not in self._sides:
            frames = self.tracks.flight(number)
            chosen = frames[np.unique(np.linspace(0, len(frames) - 1, _TRIED).round().astype(int))]
            # Close to the mark unless farther out is free clearly more often.
            score = np.repeat([1.5, 0.0], len(_SIDES))
            for frame in chosen:
                drawn = self._drawn(canvas, int(frame))
                score += _free(canvas, drawn, self._boxes(canvas, drawn.seen[number]))
            self._sides[number] = int(np.argmax(score))
        return self._sides[number]

    @staticmethod
    def _boxes(canvas: FrameCanvas, one: Seen) -> NDArray[np.float64]:
        """Where a number could be, shape (sides, 4): left, top, right, bottom, px; near its mark first."""
        rows, columns = text_mask(str(one.number), _height(canvas)).shape
        centre = canvas.at(one.path[-1])
        reach = mark_half(canvas, one.diameter or 0.0) + canvas.pen + 3
        corners = (centre + reach * _REACHES - _SHARES * (columns, rows)).round()
        return np.hstack([corners, corners + (columns, rows)])

    def _drawn(self, canvas: FrameCanvas, frame: int) -> _Drawn:
        """What is drawn in a frame; kept for a while, since neighbours in a crowd ask for the same frames."""
        if frame not in self._frames:
            if len(self._frames) >= _KEPT:
                del self._frames[next(iter(self._frames))]
            self._frames[frame] = self._collected(canvas, frame)
        return self._frames[frame]

    def _collected(self, canvas: FrameCanvas, frame: int) -> _Drawn:
        seen = {one.number: one for one in self.tracks.seen(frame)}
        now = [one for one in seen.values() if one.diameter is not None]
        places = canvas.at(np.array([one.path[-1] for one in now]).reshape(-1, 2))
        halves = np.array([mark_half(canvas, one.diameter or 0.0) for one in now])[:, None] + canvas.pen + 1
        paths = [one.path for one in seen.values() if len(one.path) > 1]
        outline = thinned(self.result.outlines(frame))
        paths += [np.vstack([outline, outline[:1]])] if len(outline) else []
        paths += [*extent_bars(self.result, frame, canvas.factor), *self._keyhole]
        none = np.empty((0, 2))
        starts, ends = (
            canvas.at(np.concatenate([none, *(path[part] for path in paths)]))
            for part in (slice(None, -1), slice(1, None))
        )
        return _Drawn(seen, np.hstack([places - halves, places + halves]), starts, ends)

    @cached_property
    def _keyhole(self) -> list[NDArray[np.float64]]:
        region = self.result.keyhole
        if region is None:
            return []
        rings = region.reshape(-1, *region.shape[-2:])
        return [np.vstack([ring, ring[:1]]) for ring in rings]


def _free(canvas: FrameCanvas, drawn: _Drawn, boxes: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which boxes, shape (k, 4), are inside the picture and cover nothing that is drawn."""
    height, width = canvas.image.shape[:2]
    inside = (boxes[:, :2] >= 0).all(axis=1) & (boxes[:, 2:] <= (width, height)).all(axis=1)
    free = np.asarray(inside & ~_meeting(boxes, drawn.marks).any(axis=1))
    low, high = boxes[:, :2].min(axis=0) - _ROOM, boxes[:, 2:].max(axis=0) + _ROOM
    near = (np.minimum(drawn.starts, drawn.ends) <= high) & (np.maximum(drawn.starts, drawn.ends) >= low)
    near = near.all(axis=1)
    free[free] = ~_crossed(boxes[free], drawn.starts[near], drawn.ends[near])
    return free


def _crossed(
    boxes: NDArray[np.float64], starts: NDArray[np.float64], ends: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which boxes, shape (k, 4), a line crosses: separating axes of a box and a segment."""
    along, middle = 0.5 * (ends - starts), 0.5 * (starts + ends)
    half = (0.5 * (boxes[:, 2:] - boxes[:, :2]) + _ROOM)[:, None]
    away = middle - 0.5 * (boxes[:, None, :2] + boxes[:, None, 2:])
    meets = (np.abs(away) <= half + np.abs(along)).all(axis=2)
    across = np.abs(along[:, 0] * away[..., 1] - along[:, 1] * away[..., 0])
    meets &= across <= half[..., 0] * np.abs(along[:, 1]) + half[..., 1] * np.abs(along[:, 0])
    return np.asarray(meets.any(axis=1))


def _height(canvas: FrameCanvas) -> int:
    return max(9, round(0.8 * canvas.size))


def _meeting(boxes: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which boxes (k, 4) share a pixel with which others (m, 4); shape (k, m)."""
    low = np.maximum(boxes[:, None, :2], others[:, :2])
    high = np.minimum(boxes[:, None, 2:], others[:, 2:])
    return np.asarray((low < high).all(axis=2))
