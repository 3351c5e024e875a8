"""The annotated video of one clip, and single annotated pictures."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..footage import BrowserEncoding, BrowserVideo, Loop, is_loop, open_browser_video, open_loop
from ..model.errors import ClipError, OutputError, UsageError
from ..model.files import written_whole
from .canvas import FrameCanvas, Painter, StillLayer
from .numbers import NumberPainter
from .overlay_head import ROWS, draw_foot, draw_head, draw_moment, drawn_words, foot_lines
from .painters import (
    AxesPainter,
    ExtentPainter,
    KeyholePainter,
    OutlinePainter,
    StatusPainter,
)
from .palette import PANEL, bgr
from .particles import ParticlePainter, TracksInFrame
from .result import ClipResult
from .segments import OverlayChoices, Segment, plan_loop, plan_overlay
from .strip import StripChart
from .surround import Surround
from .tone import ToneCurve, toned
from .turning import Turn

ReadFrames = Callable[[list[int]], Iterable[tuple[int, NDArray[Any]]]]
"""Gives frames of native depth with their numbers, in the order asked for; may leave some out."""

ENCODING = BrowserEncoding(preset="ultrafast", qp=27)
"""How videos are coded: larger files than slower presets give, at a third of their time, since writing must not
take longer than measuring. Grey values differ by about 2 of 255 (rms) from the painted picture."""
_TALLEST = 1100
_WIDEST = 1920
_STILL_WIDTH = 1440
_BARE = 27
"""Width of a bare picture in heights of its letters: the small ones have 9 px on a phone, 6 points in half a sheet."""


def enlargement(width: int, height: int, min_width: int) -> float:
    """How much a clip is enlarged: by halves of its size, or below 1 if it is larger than a screen."""
    halves = max(2, min(-(-2 * min_width // width), 2 * _TALLEST // height, 2 * _WIDEST // width))
    return halves / 2 if width <= 2 * _WIDEST else _WIDEST / width


class OverlayPainter:
    """Paints frames of one clip; what stays the same is drawn once.

    Parameters
    ----------
    result
        The measured clip.
    shape
        Height and width of its frames, px.
    choices
        What is shown.
    bare
        Leave out head, strip chart and foot, and write in larger letters: a picture for a page, which says the rest.

    Attributes
    ----------
    width, height
        Size of the pictures, px.
    factor
        Picture px a clip px.
    size
        Height of text, px; the smallest on a picture is 0.8 times as high.
    picture
        Height and width of the enlarged clip in them, px.
    annotated
        Row and column at which the annotated picture is in them, px.
    surround
        What is written around it, px.
    """

    def __init__(
        self,
        result: ClipResult,
        shape: tuple[int, int],
        choices: OverlayChoices | None = None,
        *,
        bare: bool = False,
    ) -> None:
        self._result, self._choices, self._bare = result, choices or OverlayChoices(), bare
        height, width = self._shape = shape
        self._tone = ToneCurve.for_sample(result.brightness_sample, result.full_scale)
        self._tables: dict[np.dtype[Any], NDArray[np.uint8]] = {}
        beside = self._choices.plain_beside
        # Wide pictures are stacked, tall ones stand side by side.
        self._stacked = beside and width >= 1.5 * height
        least = self._choices.min_width * (2 if beside and not self._stacked else 3) // 3
        self.factor = enlargement(width, height, least)
        self.picture = (round(height * self.factor), round(width * self.factor))
        self._grey = np.empty(self.picture, np.uint8)
        self._colour = np.empty((*self.picture, 3), np.uint8)
        pictures = self.picture[1] * (2 if beside and not self._stacked else 1)
        # What is written around a picture is sized by the video, which is as wide as the margin makes it.
        self.size = round(pictures / _BARE) if bare else int(np.clip(round(pictures / 42), 16, 30))
        self._surround = Surround(result, shape, self.factor, self.size, self._choices.layers)
        across = pictures + self._surround.left
        self.width = max(across + across % 2, 640)
        self._left = (self.width - across) // 2
        self._chart: StripChart | None = None
        self._chart_span = (-1, -1)
        self._top = round((0.6 if bare else ROWS) * self.size)
        below = self._top + self.picture[0] * (2 if self._stacked else 1) + self._surround.below
        self._chart_top = below + round(0.5 * self.size)
        strip = self._strip((0, 1))
        self._foot_top = self._chart_top + strip.height if strip else below
        self.height = self._foot_top + round((0.6 + 1.2 * len(self._foot())) * self.size)
        self.height += self.height % 2
        self.annotated = (self._top, self._left + self._surround.left)
        self._plain = self.annotated
        if self._stacked:
            self.annotated = (self._top + self.picture[0], self.annotated[1])
        elif beside:
            self._plain = (self._top, self._left)
            self.annotated = (self._top, self.annotated[1] + self.picture[1])
        canvas = self._canvas(np.zeros((*self.picture, 3), np.uint8))
        painters = self._painters()
        self._still = StillLayer([p for p in painters if p.still], canvas, self.annotated, self.width)
        self._moving = [p for p in painters if not p.still]
        self._blank = self._ground()
        # What stands in the image handed in last, so that only changes are painted.
        self._last_out: NDArray[np.uint8] | None = None
        self._last_segment: Segment | None = None
        self._last_number = 0

    def paint(
        self,
        frame: NDArray[Any],
        number: int,
        segment: Segment | None = None,
        out: NDArray[np.uint8] | None = None,
    ) -> NDArray[np.uint8]:
        """Paint one frame.

        Parameters
        ----------
        frame
            Grey values of native depth, shape (height, width).
        number
            Its number in the file.
        segment
            The stretch it is shown in; sets caption and time axis. None: the whole clip.
        out
            Image of shape (self.height, self.width, 3) to paint into; a new one if None. Handing in the
            same image again, unchanged, saves time.

        Returns
        -------
        numpy.ndarray
            The picture, uint8, BGR.

        Raises
        ------
        UsageError
            The frame has another size than the painter was made for.
        """
        if frame.shape != self._shape:
            raise UsageError(
                f"{self._result.name}: frame {number} is {frame.shape}, expected {self._shape} (height, width)"
            )
        again = out is not None and out is self._last_out and segment is self._last_segment
        image = self._blank.copy() if out is None else out
        if not again:
            image[:] = self._blank
        rows, columns = self.picture
        top, left = self._plain
        # Kept arrays: fresh ones of this size cost as much as filling them.
        tones = toned(frame, self._table(frame.dtype))
        grey = cv2.resize(tones, (columns, rows), self._grey, interpolation=self._kind)
        if self._choices.plain_beside:
            image[top : top + rows, left : left + columns] = grey[..., None]
        top, left = self.annotated
        drawn = image[top : top + rows, left : left + columns]
        if columns == self.width:
            cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR, dst=drawn)
        else:
            # OpenCV fills only whole rows in place; by way of another image is still quicker than NumPy's spreading.
            drawn[:] = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR, dst=self._colour)
        self._still.lay(image)
        canvas = self._canvas(drawn)
        for painter in self._moving:
            painter.draw(canvas, number)
        self._surround.clear_status(image, self._blank, self.annotated)
        self._surround.draw_status(image, self.annotated, number, self.surround)
        before = self._last_number if again else None
        chart = self._strip(self._span(segment))
        if chart is not None:
            chart.draw(image[self._chart_top : self._chart_top + chart.height], number, before)
        if not self._bare:
            draw_moment(image, self._result, number, segment, self.size, before)
        self._last_out, self._last_segment, self._last_number = out, segment, number
        return image

    @property
    def _kind(self) -> int:
        if self.factor <= 1:
            return cv2.INTER_AREA
        # Up to twice the size nobody tells them apart, and the linear one takes half the time.
        return cv2.INTER_LINEAR if self.factor <= 2 else cv2.INTER_CUBIC

    def _canvas(self, image: NDArray[np.uint8]) -> FrameCanvas:
        return FrameCanvas(image, self.factor, max(2, round(self.size / 11)), self.size)

    def _table(self, dtype: np.dtype[Any]) -> NDArray[np.uint8]:
        if dtype not in self._tables:
            self._tables[dtype] = self._tone.table(dtype)
        return self._tables[dtype]

    def _painters(self) -> list[Painter]:
        result, (height, width) = self._result, self._shape
        tracks = TracksInFrame(result, rejected="rejected" in self._choices.layers)
        named: list[tuple[str, Painter]] = [
            ("axes", AxesPainter(result, width, height)),
            ("keyhole", KeyholePainter(result)),
            ("outline", OutlinePainter(result)),
            ("extent", ExtentPainter(result)),
            ("particles", ParticlePainter(tracks)),
            ("status", StatusPainter(result)),
            ("particles", NumberPainter(tracks, result)),
        ]
        return [painter for name, painter in named if name in self._choices.layers]

    def _span(self, segment: Segment | None) -> tuple[int, int]:
        numbers = self._result.numbers if segment is None else segment.frames
        return int(numbers[0]), int(numbers[-1])

    def _strip(self, span: tuple[int, int]) -> StripChart | None:
        if self._bare or "strip" not in self._choices.layers:
            return None
        if self._chart is None or span != self._chart_span:
            self._chart = StripChart(self._result, span, self.width, self.size)
            self._chart_span = span
        return self._chart

    def _foot(self) -> list[str]:
        """Lines under the pictures: what is drawn, and how."""
        if self._bare:
            return []
        phrases = drawn_words(self._result, self._choices.layers)
        if "strip" in self._choices.layers:
            phrases += ["strip: lighter ground is the steady part, × is not measured"]
        phrases += [self._tone.words, *(["plain picture first"] if self._choices.plain_beside else [])]
        return foot_lines(phrases, self.width, self.size)

    def _ground(self) -> NDArray[np.uint8]:
        image = np.full((self.height, self.width, 3), bgr(PANEL), np.uint8)
        if not self._bare:
            draw_head(image, self._result, self.size)
        draw_foot(image, self._foot(), self._foot_top + 0.4 * self.size, self.size)
        self.surround = tuple(self._surround.draw(image, self.annotated))
        return image


def draw_overlay(
    path: str | Path,
    read: ReadFrames,
    result: ClipResult,
    choices: OverlayChoices | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Segment]:
    """Write the annotated video.

    Parameters
    ----------
    path
        File to write: ``.mp4``; or ``.gif`` or ``.webp``, a short loop for slides.
    read
        Gives the frames asked for; called once a segment.
    result
        The measured clip.
    choices
        What is shown.
    progress
        Called with pictures written and pictures planned.

    Returns
    -------
    list of Segment
        What the video really shows, in order; each starts where the one before ends.

    Raises
    ------
    UsageError
        The chosen part holds no frame.
    ClipError
        None of the chosen frames could be read.
    OutputError
        The file cannot be written.
    """
    choices = choices or OverlayChoices()
    if is_loop(path):
        planned, choices = plan_loop(result, choices)
    else:
        planned = plan_overlay(result, choices)
    total = sum(segment.pictures for segment in planned)
    done = 0
    shown: list[list[int]] = [[] for _ in planned]
    with contextlib.ExitStack() as stack:
        painter: OverlayPainter | None = None
        for place, segment in enumerate(planned):
            for number, frame in read([int(f) for f in segment.frames]):
                if painter is None:
                    turn = _turn(result, frame, choices)
                    result = result if turn is None else turn.result(result)
                    shape = (frame.shape[0], frame.shape[1]) if turn is None else turn.shape
                    painter = OverlayPainter(result, shape, choices)
                    size = (painter.width, painter.height)
                    video = stack.enter_context(opened(path, size, choices.playback_rate_hz))
                    out = np.empty((painter.height, painter.width, 3), np.uint8)
                shown_frame = frame if turn is None else turn.picture(frame)
                picture = painter.paint(shown_frame, number, segment, out)
                for _ in range(segment.hold):
                    video.write(picture)
                shown[place].append(number)
                done += segment.hold
                if progress is not None:
                    progress(done, total)
        if painter is None:
            raise ClipError(
                f"{result.name}: none of the frames to show could be read; is the recording still there?"
            )
    return _as_shown(planned, shown)


def opened(
    path: str | Path, size: tuple[int, int], rate_hz: float
) -> contextlib.AbstractContextManager[BrowserVideo | Loop]:
    """The file to write, as its ending asks."""
    if not is_loop(path) and Path(path).suffix.lower() != ".mp4":
        raise UsageError(f"{path}: give a name that ends in .mp4, or in .gif or .webp for a short loop")
    return (
        open_loop(path, rate_hz)
        if is_loop(path)
        else open_browser_video(path, *size, rate_hz, encoding=ENCODING)
    )


def _turn(result: ClipResult, frame: NDArray[Any], choices: OverlayChoices) -> Turn | None:
    """How the pictures are turned; None where they stay as they are."""
    if not choices.turn:
        return None
    return Turn.to_the_right(result.axes, (frame.shape[0], frame.shape[1]))


def _as_shown(planned: Iterable[Segment], shown: Iterable[list[int]]) -> list[Segment]:
    """Segments with the frames that were really shown; those without any are left out."""
    return [
        replace(segment, frames=np.array(frames, dtype=np.int64))
        for segment, frames in zip(planned, shown, strict=True)
        if frames
    ]


def draw_still(
    path: str | Path,
    frame: NDArray[Any],
    number: int,
    result: ClipResult,
    choices: OverlayChoices | None = None,
) -> None:
    """Write one annotated frame as PNG, for slides: about twice as wide as in the video unless chosen otherwise.

    Raises
    ------
    UsageError
        The name does not end in ``.png``.
    OutputError
        The file cannot be written.
    """
    if Path(path).suffix.lower() != ".png":
        raise UsageError(f"{path}: the still is a PNG; give a name that ends in .png")
    choices = choices or OverlayChoices()
    if "min_width" not in choices.model_fields_set:
        choices = choices.model_copy(update={"min_width": _STILL_WIDTH})
    turn = _turn(result, frame, choices)
    if turn is not None:
        result, frame = turn.result(result), turn.picture(frame)
    picture = OverlayPainter(result, (frame.shape[0], frame.shape[1]), choices).paint(frame, number)
    done, data = cv2.imencode(".png", picture)
    if not done:
        raise OutputError(f"{path}: the picture could not be made into a PNG")
    with written_whole(path) as beside:
        beside.write_bytes(data.tobytes())
