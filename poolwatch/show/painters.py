"""What is drawn over a frame: one small painter a thing. Each reads results and decides nothing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .canvas import FrameCanvas
from .lettering import width_of
from .palette import FLAGGED, GREY, INK, KEYHOLE, PARTICLE, POOL
from .result import ClipResult
from .ticks import digits, nice_step

TAIL = 40
"""Sightings that a particle drags behind it."""


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
        dashes = max(6, 2 * round(along[-1] * canvas.factor / 24))
        edges = np.linspace(0, along[-1], 2 * dashes + 1)
        pieces = []
        for start, stop in zip(edges[:-1:2], edges[1::2], strict=True):
            places = np.linspace(start, stop, 4)
            pieces.append(np.stack([np.interp(places, along, ring[:, i]) for i in (0, 1)], axis=1))
        canvas.strokes(pieces, KEYHOLE)


@dataclass(frozen=True)
class AxesPainter:
    """Pool axes through the beam, with ticks in mm and an arrow along travel."""

    result: ClipResult
    width: int
    height: int
    still: bool = True

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw both axes across the picture."""
        axes = self.result.axes
        corners = axes.mm(
            np.array(
                [[0, 0], [self.width - 1, 0], [0, self.height - 1], [self.width - 1, self.height - 1]],
                dtype=float,
            )
        )
        low, high = corners.min(axis=0), corners.max(axis=0)
        step = nice_step(max(70.0, 2.2 * canvas.size) / canvas.factor * axes.mm_per_px)
        tick = 5 / canvas.factor * axes.mm_per_px
        lines: list[NDArray[np.float64]] = []
        labels: list[tuple[float, NDArray[np.float64], int]] = []
        for axis in (0, 1):
            along, across = np.eye(2)[axis], np.eye(2)[1 - axis]
            lines.append(axes.image(np.outer([low[axis], high[axis]], along)))
            for count in range(math.ceil(low[axis] / step), math.floor(high[axis] / step) + 1):
                if count == 0:
                    continue
                centre = count * step * along
                lines.append(axes.image(np.array([centre - tick * across, centre + tick * across])))
                labels.append((count * step, axes.image(centre), axis))
        canvas.strokes(lines, INK, pen=1)
        edge = 1.6 * canvas.size / canvas.factor
        shown = [
            (value, place, axis)
            for value, place, axis in labels
            if edge < place[0] < self.width - edge and edge < place[1] < self.height - edge
        ]
        size = round(0.8 * canvas.size)
        for axis in (0, 1):
            mine = [(value, place) for value, place, which in shown if which == axis]
            # Labels stand on the side of the axis that is down or left in the picture.
            side = np.array((axes.left, axes.forward)[axis])
            side = side if side @ (-0.4, 1) > 0 else -side
            for value, place in mine:
                unit = f" {self.result.unit}" if value == mine[-1][0] else ""
                text = digits(value, step) + unit
                reach = 8 + 0.5 * np.abs(side) @ (width_of(text, size), 0.8 * size)
                offset = (float(side[0] * reach), float(side[1] * reach))
                x, y = float(place[0]), float(place[1])
                canvas.write(text, (x, y), INK, anchor=(0.5, 0.5), offset=offset, size=0.8)


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
        canvas.strokes(
            [np.array([[x, y], [end, y]])] + [np.array([[e, y - cap], [e, y + cap]]) for e in (x, end)],
            INK,
            pen=canvas.pen + 1,
        )
        text = f"{digits(length, length)} {self.result.unit}"
        canvas.write(text, ((x + end) / 2, y), INK, anchor=(0.5, 1), offset=(0, -6), size=0.9)


@dataclass(frozen=True)
class ParticlePainter:
    """Particles with tails: counted ones ringed and numbered, rejected ones crossed."""

    result: ClipResult
    rejected: bool = False
    still: bool = False

    @cached_property
    def _tracks(
        self,
    ) -> tuple[
        list[tuple[int, NDArray[np.int64], NDArray[np.float64]]], NDArray[np.int64], NDArray[np.int64]
    ]:
        tracks = self.result.tracks
        if not self.rejected:
            tracks = tracks[tracks["particle"] > 0]
        ordered = tracks.sort_values(["particle", "frame"], kind="stable")
        numbers = ordered["particle"].to_numpy(dtype=np.int64)
        frames = ordered["frame"].to_numpy(dtype=np.int64)
        values = ordered[["x_px", "y_px", "diameter_px"]].to_numpy(dtype=np.float64)
        starts = np.flatnonzero(np.diff(numbers, prepend=np.iinfo(np.int64).min))
        stops = np.append(starts, len(numbers))[1:]
        pieces = [
            (int(numbers[start]), frames[start:stop], values[start:stop])
            for start, stop in zip(starts, stops, strict=True)
        ]
        first = np.array([piece[1][0] for piece in pieces], dtype=np.int64)
        last = np.array([piece[1][-1] for piece in pieces], dtype=np.int64)
        return pieces, first, last

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw every particle that is seen in the frame, with its last `TAIL` sightings."""
        pieces, first, last = self._tracks
        counted: list[NDArray[np.float64]] = []
        refused: list[NDArray[np.float64]] = []
        heads: list[tuple[int, NDArray[np.float64]]] = []
        for place in np.flatnonzero((first <= frame) & (last >= frame)):
            number, frames, values = pieces[place]
            stop = int(np.searchsorted(frames, frame, side="right"))
            path = values[max(0, stop - TAIL) : stop, :2]
            (counted if number > 0 else refused).append(path)
            if frames[stop - 1] == frame:
                heads.append((number, values[stop - 1]))
        canvas.strokes(refused, GREY, pen=1)
        canvas.strokes(counted, PARTICLE)
        for number, (x, y, diameter) in heads:
            radius = max(6.0, 0.5 * canvas.factor * (diameter if np.isfinite(diameter) else 0) + 5)
            if number > 0:
                canvas.ring(x, y, radius, PARTICLE)
                offset = (radius + 4, -radius - 2)
                canvas.write(str(number), (x, y), INK, anchor=(0, 0.6), offset=offset, size=0.8)
            else:
                arm = radius / canvas.factor * 0.8
                cross = [np.array([[x - arm, y - s * arm], [x + arm, y + s * arm]]) for s in (1, -1)]
                canvas.strokes(cross, GREY, pen=1)


@dataclass(frozen=True)
class StatusPainter:
    """A word over every frame that was not measured."""

    result: ClipResult
    still: bool = False

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
