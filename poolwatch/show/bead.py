"""The photo of a weld with what was measured drawn in, and several of them side by side at one scale."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from ..model.files import written_whole
from .canvas import FrameCanvas
from .lettering import fitted, put_flat
from .palette import FLAG, FLAGGED, GREEN, INK, INK_QUIET, ORANGE, PANEL, PANEL_LIT, PARTICLE, POOL, bgr
from .scale_bar import draw_bar
from .ticks import digits, nice_step

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

# Largest picture drawn, px; larger photos are reduced.
_MOST_WIDTH, _LEAST_WIDTH = 2400, 1000
# Height of a panel under the picture, px.
_PANEL = 110


class SeenBead(Protocol):
    """What a drawing of a bead needs; all places are px of the picture, all arrays run along the bead."""

    @property
    def title(self) -> str:
        """Name of the photo."""

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of the photo."""

    @property
    def lines(self) -> tuple[str, ...]:
        """Figures in words."""

    @property
    def shown(self) -> Picture:
        """The picture, shape (height, width, 3), 8-bit blue-green-red."""

    @property
    def mm_per_px(self) -> float:
        """Size of a pixel."""

    @property
    def left(self) -> Floats:
        """Left edge, shape (n, 2)."""

    @property
    def right(self) -> Floats:
        """Right edge, shape (n, 2)."""

    @property
    def judged(self) -> NDArray[np.bool_]:
        """Shape (n,): where the figures rest on it."""

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Shape (n,): where both edges are seen."""

    @property
    def crests(self) -> tuple[Floats, ...]:
        """One line a ripple, shape (k, 2)."""

    @property
    def deposits(self) -> Floats:
        """Shape (m, 3): x, y, diameter."""

    @property
    def strips(self) -> tuple[tuple[str, str, Floats], ...]:
        """Name, unit and values along the bead, one a column, NaN where not seen."""

    @property
    def changes(self) -> tuple[tuple[str, int, int], ...]:
        """Kind, first and last column."""


def draw_bead(bead: SeenBead) -> Picture:
    """The photo, turned so that the bead runs to the right, with edges, ripples, particles and strips along it."""
    view = _View.of(bead, beside=2.2)
    picture = view.cut(bead)
    _annotate(picture, bead, view)
    bar = _scale_bar(bead, view, nice_step(0.04 * picture.shape[1] * bead.mm_per_px / view.factor))
    head = _head(bead, picture.shape[1])
    panels = [_panel(bead, view, *strip) for strip in bead.strips]
    return np.ascontiguousarray(np.vstack([head, picture, bar, *panels]))


def draw_beads_side_by_side(beads: list[SeenBead]) -> Picture:
    """Several photos under one another, all turned along their beads and at one scale."""
    widest = max(float(np.ptp(np.flatnonzero(bead.seen))) * bead.mm_per_px for bead in beads)
    px_per_mm = min(_MOST_WIDTH * 0.94 / widest, *(1.5 / bead.mm_per_px for bead in beads))
    rows = []
    for bead in beads:
        view = _View.of(bead, beside=1.2, px_per_mm=px_per_mm)
        picture = view.cut(bead)
        _annotate(picture, bead, view)
        bar = _scale_bar(bead, view, nice_step(80 / px_per_mm))
        rows += [_head(bead, picture.shape[1]), picture, bar]
    width = max(row.shape[1] for row in rows)
    padded = [
        cv2.copyMakeBorder(row, 0, 0, 0, width - row.shape[1], cv2.BORDER_CONSTANT, value=bgr(PANEL))
        for row in rows
    ]
    return np.ascontiguousarray(np.vstack(padded))


class _View:
    """Turns, cuts and enlarges a photo so that the bead runs to the right in it."""

    def __init__(self, matrix: Floats, size: tuple[int, int], factor: float) -> None:
        self.matrix, self.size, self.factor = matrix, size, factor

    @classmethod
    def of(cls, bead: SeenBead, *, beside: float, px_per_mm: float | None = None) -> _View:
        at = np.flatnonzero(bead.seen)
        middle = (bead.left + bead.right) / 2
        start, stop = middle[at[0]], middle[at[-1]]
        along = (stop - start) / max(float(np.linalg.norm(stop - start)), 1e-9)
        wide = float(np.median(np.linalg.norm(bead.left - bead.right, axis=1)[bead.judged]))
        length = float(np.linalg.norm(stop - start)) + 3 * wide
        reach = (beside + 0.5) * wide
        if len(bead.deposits) and px_per_mm is None:
            across = np.abs((bead.deposits[:, :2] - start) @ np.array([-along[1], along[0]]))
            reach = min(max(reach, float(across.max()) + 15), length / 4)
        if px_per_mm is None:
            factor = float(np.clip(_MOST_WIDTH / length, 0.05, 2.0))
        else:
            factor = px_per_mm * bead.mm_per_px
        turn = factor * np.array([along, [-along[1], along[0]]])
        size = (max(_LEAST_WIDTH // 2, int(length * factor)), int(2 * reach * factor))
        shift = np.array(size) / 2 - turn @ ((start + stop) / 2)
        return cls(np.column_stack([turn, shift]), size, factor)

    def cut(self, bead: SeenBead) -> Picture:
        way = cv2.INTER_AREA if self.factor < 1 else cv2.INTER_CUBIC
        source, matrix = bead.shown, self.matrix
        if self.factor < 0.7:  # Turning does not average: reduce first.
            source = cv2.resize(source, None, fx=self.factor, fy=self.factor, interpolation=way)
            matrix = np.column_stack([matrix[:, :2] / self.factor, matrix[:, 2]])
        cut = cv2.warpAffine(source, matrix, self.size, flags=cv2.INTER_LINEAR, borderValue=bgr(PANEL))
        return np.ascontiguousarray(cut)


def _annotate(picture: Picture, bead: SeenBead, view: _View) -> None:
    canvas = FrameCanvas(picture, view.factor, pen=2, size=18, matrix=view.matrix)
    for points in bead.crests:
        canvas.path(points, ORANGE, pen=1, halo=False)
    for edge in (bead.left, bead.right):
        for judged, colour in ((False, INK_QUIET), (True, POOL)):
            where = bead.seen & (bead.judged == judged)
            canvas.strokes(_pieces(edge, where), colour, pen=1, halo=False)
    for x, y, diameter in bead.deposits.tolist():
        canvas.corners(x, y, max(diameter / 2 * view.factor + 4, 6), PARTICLE, pen=2)
    middle = (bead.left + bead.right) / 2
    for kind, first, last in bead.changes:
        x, y = middle[(first + last) // 2].tolist()
        up = float(np.linalg.norm(bead.left[first] - bead.right[first])) / 2 * view.factor + 24
        canvas.write(kind, (x, y), FLAGGED, anchor=(0.5, 0.5), offset=(0, -up), size=0.8, bold=True)
        canvas.path(bead.left[first : last + 1], FLAGGED, pen=2, halo=False)


def _pieces(line: Floats, where: NDArray[np.bool_]) -> list[Floats]:
    at = np.flatnonzero(where)
    return [line[run] for run in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if len(run) > 1]


def _scale_bar(bead: SeenBead, view: _View, length: float) -> Picture:
    """A strip with a scale bar of a length, mm, to be put under the photo."""
    strip = np.full((30, view.size[0], 3), bgr(PANEL), np.uint8)
    canvas = FrameCanvas(strip, 1.0, 3, 18)
    draw_bar(canvas, length / bead.mm_per_px * view.factor, f"{length:g} mm", (14.0, 15.0))
    return strip


def _head(bead: SeenBead, width: int) -> Picture:
    lines = [(bead.title, 22, INK, True), *((line, 17, INK_QUIET, False) for line in bead.lines)]
    if bead.flags:
        lines.append((f"{FLAG} {', '.join(bead.flags)}", 17, FLAGGED, False))
    head = np.full((14 + sum(size + 10 for _, size, _, _ in lines), width, 3), bgr(PANEL), np.uint8)
    y = 8
    for text, size, colour, bold in lines:
        put_flat(head, fitted(text, size, width - 24, bold), (12, y), size, colour, PANEL, bold=bold)
        y += size + 10
    return head


def _panel(bead: SeenBead, view: _View, name: str, unit: str, values: Floats) -> Picture:
    """One figure along the weld, under the picture and in its columns."""
    width = view.size[0]
    panel = np.full((_PANEL, width, 3), bgr(PANEL_LIT), np.uint8)
    panel[:1] = bgr(PANEL)
    middle = (bead.left + bead.right) / 2
    x = middle @ view.matrix[0, :2] + view.matrix[0, 2]
    good = np.isfinite(values) & bead.seen
    if not good.any():
        put_flat(panel, f"{name}: not seen", (12, 10), 15, INK_QUIET, PANEL_LIT)
        return panel
    low, high = np.percentile(values[good & bead.judged], [1, 99]).tolist()
    room = max(high - low, 0.02 * abs(high) + 1e-9)
    low, high = low - 0.35 * room, high + 0.35 * room
    top, bottom = 30, _PANEL - 10
    y = bottom - (np.clip(values, low, high) - low) / (high - low) * (bottom - top)
    for kind, first, last in bead.changes:
        del kind
        cv2.rectangle(panel, (int(x[first]), 1), (int(x[last]), _PANEL), bgr("#4a3020"), cv2.FILLED)
    points = np.stack([x, y], axis=1)
    for judged, colour in ((False, INK_QUIET), (True, GREEN)):
        for piece in _pieces(points, good & (bead.judged == judged)):
            line = np.rint(piece * 16).astype(np.int32)
            cv2.polylines(panel, [line], False, bgr(colour), 1, cv2.LINE_AA, 4)
    step = nice_step((high - low) / 3)
    for tick in np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step:
        row = round(bottom - (tick - low) / (high - low) * (bottom - top))
        put_flat(
            panel, digits(float(tick), step), (width - 8, row), 13, INK_QUIET, PANEL_LIT, anchor=(1, 0.5)
        )
    put_flat(panel, f"{name}, {unit}" if unit else name, (12, 6), 15, INK, PANEL_LIT)
    return panel


def write_picture(path: str | Path, picture: Picture) -> None:
    """Write a picture as PNG, whole or not at all.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    with written_whole(path) as beside:
        beside.write_bytes(cv2.imencode(".png", picture)[1].tobytes())
