"""Several clips in one video: the same mm scale, the same time base, travel to the right in all."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from ..footage import is_loop
from ..model.errors import ClipError, UsageError
from ..model.flags import doubts
from ..model.settings import Settings
from .canvas import FrameCanvas, Painter
from .lettering import Type, fitted, put_flat, put_number, width_of
from .numbers import NumberPainter
from .overlay import ReadFrames, opened
from .overlay_head import flag_words, index_words, status_words, title_words
from .painters import KeyholePainter, OutlinePainter, StatusPainter
from .palette import FLAGGED, INK, INK_QUIET, PANEL, bgr
from .particles import ParticlePainter, TracksInFrame
from .result import ClipResult
from .scale_bar import draw_bar
from .ticks import digits, nice_step
from .tone import ToneCurve, toned

_HEAD, _GAP, _SIZE = 64, 8, 22
# Height of the row of scale bar and status, and of all that is written under a clip, without and with a line of flags.
_ROW = 30
_LABEL, _LABEL_FLAGGED = 76 + _ROW, 104 + _ROW


class SideBySideChoices(Settings):
    """What a side-by-side video shows.

    Attributes
    ----------
    order
        Best index first, worst first, or as given.
    start_s
        Start of the common time, s after the start of each clip's steady part.
    seconds
        Playing time, s; shorter where a clip ends earlier.
    slow_motion
        How many times slower than life; None: the shortest clip fills the playing time.
    playback_rate_hz
        Pictures per second of the written file.
    width
        Width of the video, px.
    annotated
        Draw outline, keyhole region and particles.
    indices
        Show each clip's stability index. Not where they are not like for like: side by side, they are a comparison.
    """

    order: Literal["best_first", "worst_first", "given"] = "given"
    start_s: float = Field(default=0.0, ge=0)
    seconds: float = Field(default=20.0, gt=0, le=3600)
    slow_motion: float | None = Field(default=None, gt=0)
    playback_rate_hz: float = Field(default=30.0, ge=1, le=120)
    width: int = Field(default=1600, ge=640, le=3840)
    annotated: bool = True
    indices: bool = True


def write_side_by_side(
    path: str | Path,
    clips: Sequence[tuple[ClipResult, ReadFrames]],
    choices: SideBySideChoices | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write two to six clips into one video.

    Time runs alike for all, each at its own record rate, from the start of its steady part; the video ends
    with the clip that ends first. Every clip is turned so that travel points right, and shown at the same
    size of a millimetre.

    Raises
    ------
    UsageError
        Fewer than two or more than six clips, or some with and some without a scale, or nothing to show.
    ClipError
        A clip's frames could not be read.
    OutputError
        The file cannot be written.
    """
    choices = choices or SideBySideChoices()
    if is_loop(path):
        # For slides: shorter, smaller and slower.
        smaller = {"seconds": 5.0, "playback_rate_hz": 15.0, "width": 1000}
        given = choices.model_fields_set
        choices = choices.model_copy(update={name: v for name, v in smaller.items() if name not in given})
    if not 2 <= len(clips) <= 6:
        raise UsageError(f"side by side takes two to six clips, got {len(clips)}")
    if len({result.unit for result, _ in clips}) > 1:
        bare = ", ".join(result.name for result, _ in clips if result.unit == "px")
        raise UsageError(
            f"clips without a scale cannot be shown with clips that have one: {bare}; measure them again with "
            "--mm-per-px or --scale"
        )
    clips = _ordered(clips, choices.order)
    times, slow = common_times([result for result, _ in clips], choices)
    streams = [_held(result, read, times) for result, read in clips]
    firsts = [next(stream, None) for stream in streams]
    for (result, _), first in zip(clips, firsts, strict=True):
        if first is None:
            raise ClipError(f"{result.name}: its frames could not be read; is the recording still there?")
    shapes = [(first[1].shape[0], first[1].shape[1]) for first in firsts if first is not None]
    sheet = SideBySidePainter([result for result, _ in clips], shapes, choices, slow)
    with opened(path, (sheet.width, sheet.height), choices.playback_rate_hz) as video:
        current = [first for first in firsts if first is not None]
        for count, time in enumerate(times):
            if count:
                current = [next(stream, last) for stream, last in zip(streams, current, strict=True)]
            video.write(sheet.paint(current, time))
            if progress is not None:
                progress(count + 1, len(times))


def common_times(
    results: Sequence[ClipResult], choices: SideBySideChoices
) -> tuple[NDArray[np.float64], float]:
    """Times shown, s since the start of each clip's steady part, and the slow-motion factor.

    Raises
    ------
    UsageError
        A clip has ended before the chosen start.
    """
    lengths = [
        (int(r.numbers[-1]) - r.steady[0]) / r.record_rate_hz if len(r.numbers) else -1.0 for r in results
    ]
    shortest = int(np.argmin(lengths))
    left = lengths[shortest] - choices.start_s
    if left < 0:
        raise UsageError(
            f"{results[shortest].name}: lasts {max(lengths[shortest], 0):.4g} s from its steady part on; "
            f"start at an earlier time than {choices.start_s:g} s"
        )
    slow = choices.slow_motion
    if slow is None:
        slow = max(choices.seconds / left, 1e-9) if left > 0 else 1.0
    step = 1 / (choices.playback_rate_hz * slow)
    count = min(int(left / step + 1e-6) + 1, max(1, round(choices.seconds * choices.playback_rate_hz)))
    return np.asarray(choices.start_s + step * np.arange(count), dtype=np.float64), slow


def _ordered(
    clips: Sequence[tuple[ClipResult, ReadFrames]], order: str
) -> list[tuple[ClipResult, ReadFrames]]:
    if order == "given":
        return list(clips)
    sign = 1 if order == "worst_first" else -1

    def key(clip: tuple[ClipResult, ReadFrames]) -> float:
        index = float(clip[0].score_of("stability_index"))
        return sign * index if math.isfinite(index) else math.inf

    return sorted(clips, key=key)


def _held(
    result: ClipResult, read: ReadFrames, times: NDArray[np.float64]
) -> Iterator[tuple[int, NDArray[Any]]]:
    """The frame nearest to each time; a frame stays until the next one is due."""
    wanted = np.rint(result.steady[0] + times * result.record_rate_hz).astype(np.int64)
    wanted = np.minimum(wanted, result.numbers[-1])
    frames = iter(read([int(f) for f in np.unique(wanted)]))
    ahead = next(frames, None)
    shown = ahead
    for number in wanted:
        while ahead is not None and ahead[0] <= number:
            shown, ahead = ahead, next(frames, None)
        if shown is not None:
            yield shown


class SideBySidePainter:
    """Lays several clips out on one picture.

    Parameters
    ----------
    results
        The clips, in order.
    shapes
        Height and width of the frames of each, px.
    choices
        What is shown.
    slow
        Slow-motion factor, for the caption.

    Attributes
    ----------
    width, height
        Size of the picture, px.
    px_per_mm
        Picture pixels per millimetre, the same for all.
    cell
        Height and width of each clip's part, px.
    places
        Row and column of each.
    """

    def __init__(
        self,
        results: Sequence[ClipResult],
        shapes: Sequence[tuple[int, int]],
        choices: SideBySideChoices,
        slow: float,
    ) -> None:
        self._results, self._annotated, self._slow = list(results), choices.annotated, slow
        self._indices = choices.indices
        low, high = _window(results, shapes)
        span = high - low
        self._label = _LABEL_FLAGGED if any(doubts(r.flags) for r in results) else _LABEL
        columns = self._columns(len(results), span, choices.width)
        rows = -(-len(results) // columns)
        cell_width = (choices.width - (columns - 1) * _GAP) // columns
        self.px_per_mm = min(cell_width / span[0], (1100 / rows - self._label) / span[1])
        self.cell = (int(span[1] * self.px_per_mm), int(span[0] * self.px_per_mm))
        self.width = columns * self.cell[1] + (columns - 1) * _GAP
        self.width += self.width % 2
        pitch = self.cell[0] + self._label + _GAP
        self.height = _HEAD + rows * pitch
        self.height += self.height % 2
        self.places = [
            (_HEAD + (i // columns) * pitch, (i % columns) * (self.cell[1] + _GAP))
            for i in range(len(results))
        ]
        self._matrices = [self._matrix(result, low, high) for result in results]
        self._curves = [ToneCurve.for_sample(r.brightness_sample, r.full_scale) for r in results]
        tracks = [TracksInFrame(r) for r in results]
        self._painters: list[list[Painter]] = [
            [KeyholePainter(r), OutlinePainter(r), ParticlePainter(t), StatusPainter(r), NumberPainter(t, r)]
            for r, t in zip(results, tracks, strict=True)
        ]
        self._ground = self._labels()
        self._bar_ends = [self._scale_bar(self._ground, place) for place in self.places]

    def paint(self, frames: Sequence[tuple[int, NDArray[Any]]], time: float) -> NDArray[np.uint8]:
        """Paint one picture.

        Parameters
        ----------
        frames
            Number and grey values of the frame of each clip.
        time
            Time since the start of the steady part, s.

        Returns
        -------
        numpy.ndarray
            The picture (self.height, self.width, 3), uint8, BGR.
        """
        image = self._ground.copy()
        for i, (number, frame) in enumerate(frames):
            top, left = self.places[i]
            rows, columns = self.cell
            grey = toned(frame, self._curves[i].table(frame.dtype))
            kind = cv2.INTER_CUBIC if self._scale(i) > 1 else cv2.INTER_AREA
            turned = cv2.warpAffine(grey, self._matrices[i], (columns, rows), flags=kind, borderValue=(0.0,))
            picture = cv2.cvtColor(turned, cv2.COLOR_GRAY2BGR)
            canvas = FrameCanvas(picture, self._scale(i), 2, _SIZE, self._matrices[i])
            if self._annotated:
                for painter in self._painters[i]:
                    painter.draw(canvas, number)
                self._status(image, i, number)
            image[top : top + rows, left : left + columns] = picture
        text = f"  t = {1e3 * time:.3f} ms"
        put_number(
            image, text, (self.width - 12, _HEAD / 2), Type(_SIZE + 6, INK, PANEL, bold=True), (1, 0.5)
        )
        return image

    @staticmethod
    def _columns(count: int, span: NDArray[np.float64], width: int) -> int:
        """Columns that bring the sheet closest to the shape of a screen."""

        def height(columns: int) -> float:
            rows = -(-count // columns)
            return float(rows * (width / columns * span[1] / span[0] + _LABEL) + _HEAD)

        return min(range(1, min(count, 3) + 1), key=lambda n: abs(math.log(width / height(n) / 1.6)))

    def _matrix(
        self, result: ClipResult, low: NDArray[np.float64], high: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        axes = result.axes
        turn = axes.matrix * ([1.0], [-1.0]) * axes.mm_per_px * self.px_per_mm
        origin = np.array([-low[0], high[1]]) * self.px_per_mm
        return np.column_stack([turn, origin - turn @ (axes.origin_x, axes.origin_y)])

    def _scale(self, place: int) -> float:
        return float(self._results[place].axes.mm_per_px * self.px_per_mm)

    def _labels(self) -> NDArray[np.uint8]:
        image = np.full((self.height, self.width, 3), bgr(PANEL), np.uint8)
        unit = self._results[0].unit
        words = (
            f"slowed {self._slow:.3g}×, same {unit} scale, travel to the right, "
            "time from the start of each steady part"
        )
        room = self.width - width_of("  t = 00000.000 ms", _SIZE + 6, True) - 36
        if width_of(words, _SIZE - 3) > room:
            words = f"slowed {self._slow:.3g}×, same {unit} scale, steady parts"
        put_flat(
            image, fitted(words, _SIZE - 3, room), (12, _HEAD / 2), _SIZE - 3, INK_QUIET, PANEL, (0, 0.5)
        )
        for result, (top, left) in zip(self._results, self.places, strict=True):
            room = self.cell[1] - 24
            at = (left + 12, top + self.cell[0] + _ROW + 6)
            put_flat(image, fitted(title_words(result), _SIZE, room, True), at, _SIZE, INK, PANEL, bold=True)
            words = index_words(result) if self._indices else "index not comparable with the others'"
            words = fitted(words, _SIZE - 2, room)
            put_flat(image, words, (at[0], at[1] + 32), _SIZE - 2, INK_QUIET, PANEL)
            flags = flag_words(result, _SIZE - 2, room)
            if flags:
                put_flat(image, flags, (at[0], at[1] + 60), _SIZE - 2, FLAGGED, PANEL)
                corners = (left, top), (left + self.cell[1] - 1, top + self.cell[0] + self._label - _GAP)
                cv2.rectangle(image, *corners, bgr(FLAGGED), 3)
        return image

    def _scale_bar(self, image: NDArray[np.uint8], place: tuple[int, int]) -> float:
        """Draw the scale bar of a clip; gives where it ends, px."""
        length = nice_step(self.cell[1] / self.px_per_mm / 8)
        canvas = FrameCanvas(image, 1.0, 3, _SIZE)
        words = f"{digits(length, length)} {self._results[0].unit}"
        middle = place[0] + self.cell[0] + 0.5 * _ROW + 2
        return draw_bar(canvas, length * self.px_per_mm, words, (place[1] + 14.0, middle))

    def _status(self, image: NDArray[np.uint8], i: int, number: int) -> None:
        """Write why a frame was not measured, beside the scale bar."""
        words = status_words(self._results[i], number)
        top, left = self.places[i]
        right = left + self.cell[1] - 12
        room = round(right - self._bar_ends[i] - _SIZE)
        if words and room > 0:
            at = (right, top + self.cell[0] + 0.5 * _ROW + 2)
            put_flat(
                image, fitted(words, _SIZE - 4, room, True), at, _SIZE - 4, FLAGGED, PANEL, (1, 0.5), True
            )


def _window(
    results: Sequence[ClipResult], shapes: Sequence[tuple[int, int]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Low and high corner, mm in pool axes, that hold every field of view, cut to the pools' surroundings."""
    lows, highs, reach = [], [], 0.0
    for result, (height, width) in zip(results, shapes, strict=True):
        edge = np.array([[0, 0], [width, 0], [0, height], [width, height]]) - 0.5
        corners = result.axes.mm(edge)
        lows.append(corners.min(axis=0))
        highs.append(corners.max(axis=0))
        lengths = result.series("pool_length_mm")
        if np.isfinite(lengths).any():
            reach = max(reach, float(np.nanmax(lengths)))
    low, high = np.min(lows, axis=0), np.max(highs, axis=0)
    if reach > 0:
        low, high = np.maximum(low, (-2.2 * reach, -1.2 * reach)), np.minimum(high, 1.2 * reach)
    return low, high
