"""What is drawn over a frame: one small painter a thing. Each reads results and decides nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .canvas import FrameCanvas
from .overlay_head import status_words
from .palette import FLAGGED, INK, KEYHOLE, POOL
from .result import ClipResult


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
            canvas.path(thinned(outline), POOL, closed=True)


def thinned(outline: NDArray[np.float64]) -> NDArray[np.float64]:
    """An outline as it is drawn: below a picture pixel more vertices only cost time."""
    return outline[:: max(1, len(outline) // 160)]


def extent_bars(result: ClipResult, frame: int, factor: float) -> NDArray[np.float64]:
    """The bars at the pool's front and rear, image px, shape (2, 2, 2); none, (0, 2, 2), where they are not known."""
    row = result.row(frame)
    ends = np.full(2, np.nan)
    if row is not None:
        ends = np.array([result.series(f"pool_{end}_mm")[row] for end in ("front", "rear")])
    if not np.isfinite(ends).all():
        return np.empty((0, 2, 2))
    half = 9 / factor * result.axes.mm_per_px
    return result.axes.image(np.array([[[end, -half], [end, half]] for end in ends]))


@dataclass(frozen=True)
class ExtentPainter:
    """Short bars at the pool's front and rear, and the line between them: what length means."""

    result: ClipResult
    still: bool = False

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw where the result has a front and a rear for the frame."""
        canvas.strokes(extent_bars(self.result, frame, canvas.factor), INK)


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
    """Pool axes through the beam, left out over the pool: keyhole and tail tip stay free."""

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
        lines = [
            axes.image(np.outer([start, stop], np.eye(2)[axis]))
            for axis in (0, 1)
            for start, stop in ((low[axis], free_low[axis]), (free_high[axis], high[axis]))
            if start < stop
        ]
        canvas.strokes(lines, INK, pen=1)


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


@dataclass(frozen=True)
class StatusPainter:
    """A rim around every frame that was not measured."""

    result: ClipResult
    still: bool = False

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Rim the picture unless the frame's status is ok."""
        if not status_words(self.result, frame):
            return
        picture = FrameCanvas(canvas.image, 1.0, canvas.pen, canvas.size)
        height, width = canvas.image.shape[:2]
        rim = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]])
        picture.path(rim, FLAGGED, closed=True, pen=canvas.pen + 3, halo=False)
