"""Particles drawn over a frame: trails and marks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .canvas import FrameCanvas
from .palette import GREY, PARTICLE
from .result import ClipResult

TAIL = 40
"""Sightings that a particle drags behind it."""


class Seen(NamedTuple):
    """A particle: its number (negative: not counted), its last sightings, and its diameter if seen now, px."""

    number: int
    path: NDArray[np.float64]
    diameter: float | None


@dataclass(frozen=True)
class TracksInFrame:
    """Which particles are seen in a frame, with where they were before."""

    result: ClipResult
    rejected: bool = False

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

    def seen(self, frame: int) -> Iterator[Seen]:
        """Every particle whose track goes through the frame, with its last `TAIL` sightings."""
        pieces, first, last = self._tracks
        for place in np.flatnonzero((first <= frame) & (last >= frame)):
            number, frames, values = pieces[place]
            stop = int(np.searchsorted(frames, frame, side="right"))
            now = frames[stop - 1] == frame
            path = values[max(0, stop - TAIL) : stop]
            yield Seen(number, path[:, :2], float(path[-1, 2]) if now else None)

    def flight(self, number: int) -> NDArray[np.int64]:
        """The frames in which a particle is seen."""
        return self._flights[number]

    @cached_property
    def _flights(self) -> dict[int, NDArray[np.int64]]:
        return {number: frames for number, frames, _ in self._tracks[0]}


def mark_half(canvas: FrameCanvas, diameter: float) -> float:
    """Half a side of the mark around a particle, picture px."""
    return float(max(6.0, 0.5 * canvas.factor * (diameter if np.isfinite(diameter) else 0) + 5))


@dataclass(frozen=True)
class ParticlePainter:
    """Particles with trails: counted ones between four corners, rejected ones crossed."""

    tracks: TracksInFrame
    still: bool = False

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw every particle that is seen in the frame."""
        seen = list(self.tracks.seen(frame))
        canvas.strokes([one.path for one in seen if one.number < 0], GREY, pen=1)
        canvas.strokes([one.path for one in seen if one.number > 0], PARTICLE)
        for one in seen:
            if one.diameter is None:
                continue
            x, y = (float(place) for place in one.path[-1])
            half = mark_half(canvas, one.diameter)
            if one.number > 0:
                canvas.corners(x, y, half, PARTICLE)
            else:
                arm = half / canvas.factor * 0.8
                cross = [np.array([[x - arm, y - s * arm], [x + arm, y + s * arm]]) for s in (1, -1)]
                canvas.strokes(cross, GREY, pen=1)
