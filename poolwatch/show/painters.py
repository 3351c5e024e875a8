"""What is drawn over a frame: one small painter a thing. Each reads results and decides nothing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .canvas import Box, FrameCanvas, Spot
from .lettering import width_of
from .palette import FLAGGED, INK, KEYHOLE, POOL
from .result import ClipResult
from .ticks import digits, nice_step


@dataclass(frozen=True)
class OutlinePainter:
    """The outline of the pool as a closed line."""

    result: ClipResult
    still: bool = False

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw the outline of a frame that was measured; nothing else is guessed."""
        row = self.result.row(frame)
        if row is None or self.result.status[row] != "ok":
            return
        outline = self.result.outlines(frame)
        if len(outline) > 2:
            # Below a picture pixel more vertices only cost time.
            step = max(1, len(outline) // 160)
            canvas.path(outline[::step], POOL, closed=True)


@dataclass(frozen=True)
class ExtentPainter:
    """Short bars at the pool's front and rear, and the line between them: what length means."""

    result: ClipResult
    still: bool = False

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw where the result has a front and a rear for the frame."""
        row = self.result.row(frame)
        if row is None:
            return
        ends = np.array([self.result.series(f"pool_{end}_mm")[row] for end in ("front", "rear")])
        if not np.isfinite(ends).all():
            return
        half = 9 / canvas.factor * self.result.axes.mm_per_px
        bars = np.array([[[end, -half], [end, half]] for end in ends])
        canvas.strokes(self.result.axes.image(bars), INK)


@dataclass(frozen=True)
class KeyholePainter:
    """The keyhole region as a dashed line."""

    result: ClipResult
    still: bool = True

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw the region; it is fixed for the clip."""
        region = self.result.keyhole
        if region is None or region.shape[-2] < 3:
            return
        for one in region.reshape(-1, *region.shape[-2:]):
            self._ring(canvas, one)

    @staticmethod
    def _ring(canvas: FrameCanvas, region: NDArray[np.float64]) -> None:
        ring = np.vstack([region, region[:1]])
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
        # Long enough gaps: the dark rims of two dashes would fill short ones, and a dashed ring look whole.
        way = along[-1] * canvas.factor
        dashes = max(3 if way < 90 else 5, round(way / (9 * canvas.pen + 14)))
        edges = np.linspace(0, along[-1], 2 * dashes + 1)
        pieces = []
        for start, stop in zip(edges[:-1:2], edges[1::2], strict=True):
            places = np.linspace(start, stop, 4)
            pieces.append(np.stack([np.interp(places, along, ring[:, i]) for i in (0, 1)], axis=1))
        canvas.strokes(pieces, KEYHOLE, pen=canvas.pen if way >= 90 else 1)


@dataclass(frozen=True)
class AxesPainter:
    """Pool axes through the beam with ticks in mm, left out over the pool: keyhole and tail tip stay free."""

    result: ClipResult
    width: int
    height: int
    still: bool = True

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw both axes across the picture, outside of where the pool is in the clip."""
        axes = self.result.axes
        corners = axes.mm(
            np.array(
                [[0, 0], [self.width - 1, 0], [0, self.height - 1], [self.width - 1, self.height - 1]],
                dtype=float,
            )
        )
        low, high = corners.min(axis=0), corners.max(axis=0)
        free_low, free_high = pool_reach(self.result, 14 / canvas.factor * axes.mm_per_px)
        step = nice_step(max(70.0, 2.2 * canvas.size) / canvas.factor * axes.mm_per_px)
        tick = 5 / canvas.factor * axes.mm_per_px
        lines: list[NDArray[np.float64]] = []
        labels: list[tuple[float, NDArray[np.float64], int]] = []
        for axis in (0, 1):
            along, across = np.eye(2)[axis], np.eye(2)[1 - axis]
            for start, stop in ((low[axis], free_low[axis]), (free_high[axis], high[axis])):
                if stop <= start:
                    continue
                lines.append(axes.image(np.outer([start, stop], along)))
                for count in range(math.ceil(start / step), math.floor(stop / step) + 1):
                    centre = count * step * along
                    lines.append(axes.image(np.array([centre - tick * across, centre + tick * across])))
                    labels.append((count * step, axes.image(centre), axis))
        canvas.strokes([part for line in lines for part in _outside(canvas, line)], INK, pen=1)
        for axis in (0, 1):
            mine = [(value, place) for value, place, which in labels if which == axis]
            # Labels are on the side of the axis that is down or left in the picture.
            side = np.array((axes.left, axes.forward)[axis])
            side = side if side @ (-0.4, 1) > 0 else -side
            unit = f" {self.result.unit}"
            for value, place in reversed(mine):
                if self._label(canvas, digits(value, step) + unit, place, side):
                    unit = ""

    @staticmethod
    def _label(canvas: FrameCanvas, text: str, place: NDArray[np.float64], side: NDArray[np.float64]) -> bool:
        x, y = canvas.at(place)
        reach = 8 + 0.5 * np.abs(side) @ (width_of(text, round(0.8 * canvas.size)), 0.8 * canvas.size)
        spots = (Spot(x + sign * reach * side[0], y + sign * reach * side[1], (0.5, 0.5)) for sign in (1, -1))
        return canvas.label(text, spots, INK, size=0.8)


def _outside(canvas: FrameCanvas, line: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """The parts of a straight line, shape (2, 2), that cross nothing that is taken."""
    ends = canvas.at(line)
    count = max(2, round(float(np.hypot(*(ends[1] - ends[0])))))
    share = np.linspace(0, 1, count)[:, None]
    x, y = ((1 - share) * ends[0] + share * ends[1]).T
    free = np.ones(count, dtype=bool)
    for box in canvas.taken:
        free &= ~((x >= box.left) & (x <= box.right) & (y >= box.top) & (y <= box.bottom))
    runs = np.flatnonzero(np.diff(np.concatenate([[False], free, [False]])))
    places = (1 - share) * line[0] + share * line[1]
    return [places[[start, stop - 1]] for start, stop in zip(runs[::2], runs[1::2], strict=True)]


def pool_reach(result: ClipResult, margin: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where the pool is in nearly all frames, in pool axes, mm, with a margin: lowest and highest x and y."""
    ends = []
    for column, factor, quantile in (
        ("pool_rear_mm", 1.0, 0.005),
        ("pool_front_mm", 1.0, 0.995),
        ("pool_width_mm", 0.5, 0.995),
    ):
        known = result.series(column)
        known = known[np.isfinite(known)]
        ends.append(factor * float(np.quantile(known, quantile)) if known.size else 0.0)
    rear, front, half = ends
    return np.array([min(rear, 0.0), -half]) - margin, np.array([max(front, 0.0), half]) + margin


def around(canvas: FrameCanvas, points: NDArray[np.float64], margin: float) -> Box:
    """The box of the picture that holds clip points, with a margin, px."""
    places = canvas.at(points)
    low, high = places.min(axis=0) - margin, places.max(axis=0) + margin
    return Box(float(low[0]), float(low[1]), float(high[0]), float(high[1]))


@dataclass(frozen=True)
class TravelPainter:
    """An arrow along the travel direction, in the top right corner."""

    result: ClipResult
    width: int
    height: int
    still: bool = True

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw the arrow and its name."""
        size = canvas.size / canvas.factor
        forward = np.array(self.result.axes.forward)
        left = np.array(self.result.axes.left)
        name = np.array([self.width - 0.8 * size, 0.7 * size])
        canvas.write("travel", (float(name[0]), float(name[1])), INK, anchor=(1, 0), size=0.8)
        centre = np.array([self.width - 2.4 * size, 0.7 * size + 1.2 * size + 1.3 * size * abs(forward[1])])
        tip, foot = centre + 1.3 * size * forward, centre - 1.3 * size * forward
        canvas.reserve(around(canvas, np.array([tip, foot]), 0.5 * canvas.size))
        head = tip - 0.55 * size * forward
        canvas.strokes(
            [
                np.array([foot, tip]),
                np.array([head + 0.4 * size * left, tip, head - 0.4 * size * left]),
            ],
            INK,
        )


@dataclass(frozen=True)
class ScalePainter:
    """A scale bar in the bottom left corner."""

    result: ClipResult
    width: int
    height: int
    still: bool = True

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw a bar of a round length near a seventh of the picture's width."""
        scale = self.result.axes.row_mm_per_px
        length = nice_step(self.width * scale / 10)
        x, y = np.array([0.8, -0.8]) * canvas.size / canvas.factor + (0, self.height)
        end = x + length / scale
        cap = 4 / canvas.factor
        canvas.reserve(around(canvas, np.array([[x, y], [end, y]]), 10))
        canvas.strokes(
            [np.array([[x, y], [end, y]])] + [np.array([[e, y - cap], [e, y + cap]]) for e in (x, end)],
            INK,
            pen=canvas.pen + 1,
        )
        text = f"{digits(length, length)} {self.result.unit}"
        canvas.write(text, ((x + end) / 2, y), INK, anchor=(0.5, 1), offset=(0, -6), size=0.9)


@dataclass(frozen=True)
class StatusPainter:
    """A word over every frame that was not measured."""

    result: ClipResult
    still: bool = False
    over: bool = True

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Write the status word in the top left corner unless it is ok; rim the picture as well."""
        row = self.result.row(frame)
        status = "not in frames.csv" if row is None else str(self.result.status[row])
        if status == "ok":
            return
        picture = FrameCanvas(canvas.image, 1.0, canvas.pen, canvas.size)
        height, width = canvas.image.shape[:2]
        rim = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]])
        picture.path(rim, FLAGGED, closed=True, pen=canvas.pen + 3, halo=False)
        inset = 0.7 * canvas.size
        words = status.replace("_", " ")
        picture.write(f"✕ {words}: not measured", (inset, inset), FLAGGED, size=1.1, bold=True)
