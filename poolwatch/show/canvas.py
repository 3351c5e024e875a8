"""A picture to draw on in the clip's own pixels, however far it is enlarged."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from .lettering import Anchor, put_haloed, text_mask
from .palette import BLACK, bgr

_SHIFT = 4  # OpenCV draws at sixteenths of a pixel
_CORNERS = np.array([[-1, -1], [-1, 1], [1, -1], [1, 1]], np.int32)


class Box(NamedTuple):
    """A part of the picture, px; the far ends are outside it."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box) -> bool:
        """Whether two boxes share a pixel."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )


class Spot(NamedTuple):
    """A place for a label: the point of the picture, px, at which its `anchor` is."""

    x: float
    y: float
    anchor: Anchor


@dataclass(frozen=True)
class FrameCanvas:
    """The enlarged picture, and how clip pixels map onto it.

    Attributes
    ----------
    image
        Shape (height, width, 3), uint8, BGR; drawn on in place.
    factor
        Picture pixels per clip pixel.
    pen
        Width of a main line, picture px.
    size
        Height of text, picture px.
    matrix
        Shape (2, 3): clip px to picture px where the clip is turned or shifted as well; None where it is only
        enlarged.
    taken
        What no label may cover: labels that are written, and what was reserved.
    """

    image: NDArray[np.uint8]
    factor: float
    pen: int = 2
    size: int = 20
    matrix: NDArray[np.float64] | None = None
    taken: list[Box] = field(default_factory=list)

    def at(self, points: NDArray[np.floating]) -> NDArray[np.float64]:
        """Clip points (..., 2) px to picture px; pixel centres are whole numbers in both."""
        points = np.asarray(points, dtype=np.float64)
        if self.matrix is not None:
            return np.asarray(points @ self.matrix[:, :2].T + self.matrix[:, 2])
        return np.asarray((points + 0.5) * self.factor - 0.5)

    def path(
        self,
        points: NDArray[np.floating],
        colour: str,
        *,
        closed: bool = False,
        pen: int | None = None,
        halo: bool = True,
    ) -> None:
        """Draw a line through clip points, shape (k, 2), with a dark rim."""
        self.strokes([points], colour, closed=closed, pen=pen, halo=halo)

    def strokes(
        self,
        paths: Iterable[NDArray[np.floating]],
        colour: str,
        *,
        closed: bool = False,
        pen: int | None = None,
        halo: bool = True,
    ) -> None:
        """Draw several lines of clip points, all rims first."""
        paths = [path for path in paths if len(path)]
        if not paths:
            return
        # All points in one go: most lines are a few points long, and calls cost more than their arithmetic.
        points = self.at(np.concatenate(paths) if len(paths) > 1 else paths[0])
        every = np.rint(np.clip(points, -1e6, 1e6) * (1 << _SHIFT)).astype(np.int32)[:, None]
        stops = list(itertools.accumulate(len(path) for path in paths))
        fixed = [every[stop - len(path) : stop] for path, stop in zip(paths, stops, strict=True)]
        width = self.pen if pen is None else pen
        if halo:
            # The rim may have stairs (it is dark and under a smooth line), which makes it several times cheaper.
            cv2.polylines(self.image, fixed, closed, bgr(BLACK), width + 3, cv2.LINE_8, _SHIFT)
        if width in (2, 3):
            # Four thin lines side by side look the same as OpenCV's thick smooth line at half its cost.
            aside = round((width - 1) / 2 * (1 << _SHIFT)) - 1
            shifted = [every + shift for shift in aside * _CORNERS]
            fixed = [
                part[stop - len(path) : stop]
                for part in shifted
                for path, stop in zip(paths, stops, strict=True)
            ]
            width = 1
        cv2.polylines(self.image, fixed, closed, bgr(colour), width, cv2.LINE_AA, _SHIFT)

    def corners(self, x: float, y: float, half: float, colour: str, *, pen: int | None = None) -> Box:
        """Draw the four corners of a square about a clip point; half a side is in picture px. Gives the square."""
        width = self.pen if pen is None else pen
        ground = FrameCanvas(self.image, 1.0, self.pen, self.size)
        middle = self.at(np.array([x, y]))
        arm = max(3.0, 0.6 * half)
        square = half * _CORNERS[[0, 1, 3, 2]]
        inward = -np.sign(square)
        ticks = [
            middle + corner + np.array([(arm * sign[0], 0.0), (0.0, 0.0), (0.0, arm * sign[1])])
            for corner, sign in zip(square, inward, strict=True)
        ]
        ground.strokes(ticks, colour, pen=width)
        reach = half + width
        return Box(middle[0] - reach, middle[1] - reach, middle[0] + reach, middle[1] + reach)

    def reserve(self, box: Box) -> None:
        """Keep labels off a part of the picture."""
        self.taken.append(box)

    def label(
        self, text: str, spots: Iterable[Spot], colour: str, *, size: float = 1.0, bold: bool = False
    ) -> bool:
        """Write at the first spot where the text is inside the picture and covers nothing that is taken.

        Returns
        -------
        bool
            Whether there was such a spot; else nothing is written.
        """
        height = max(9, round(self.size * size))
        rows, columns = text_mask(text, height, bold).shape
        for spot in spots:
            left, top = spot.x - spot.anchor[0] * columns, spot.y - spot.anchor[1] * rows
            box = Box(left, top, left + columns, top + rows)
            inside = box.left >= 0 and box.top >= 0
            inside = inside and box.right <= self.image.shape[1] and box.bottom <= self.image.shape[0]
            if inside and not any(box.meets(other) for other in self.taken):
                put_haloed(self.image, text, (left, top), height, colour, (0, 0), bold)
                self.taken.append(box)
                return True
        return False

    def write(
        self,
        text: str,
        place: tuple[float, float],
        colour: str,
        *,
        anchor: Anchor = (0, 0),
        offset: tuple[float, float] = (0, 0),
        size: float = 1.0,
        bold: bool = False,
    ) -> None:
        """Write at a clip point in any case; `offset` is in picture px, `size` a share of the canvas's text height."""
        left, top = self.at(np.array(place)) + offset
        height = max(9, round(self.size * size))
        rows, columns = text_mask(text, height, bold).shape
        x, y = left - anchor[0] * columns, top - anchor[1] * rows
        self.reserve(Box(x, y, x + columns, y + rows))
        put_haloed(self.image, text, (left, top), height, colour, anchor, bold)


class Painter(Protocol):
    """Draws one thing on a picture. `still` painters draw the same in every frame; labels keep off each other."""

    @property
    def still(self) -> bool:
        """Whether the drawing does not depend on the frame."""

    def draw(self, canvas: FrameCanvas, frame: int) -> None:
        """Draw what belongs to a frame (its number in the file)."""


class StillLayer:
    """What the still painters draw, drawn once.

    Drawn on black it gives the ink, drawn on white as well it gives how much ground shows through; the few
    pixels with ink are then laid over each frame.

    Parameters
    ----------
    painters
        Those that draw the same in every frame.
    canvas
        A canvas like those it will be laid on.
    place
        Row and column at which the canvas stands in the images it will be laid on.
    width
        Width of those images, px.
    """

    def __init__(
        self, painters: Iterable[Painter], canvas: FrameCanvas, place: tuple[int, int], width: int
    ) -> None:
        painters = list(painters)
        on_black, on_white = (
            FrameCanvas(np.full_like(canvas.image, ground), canvas.factor, canvas.pen, canvas.size)
            for ground in (0, 255)
        )
        for painter in painters:
            painter.draw(on_black, 0)
            painter.draw(on_white, 0)
        through = on_white.image.astype(np.int16) - on_black.image
        rows, columns = np.nonzero((through != 255).any(axis=2))
        # Most of the ink hides the ground whole and is only copied.
        part = (through[rows, columns] > 0).any(axis=1)
        places = (rows + place[0]) * width + columns + place[1]
        self._solid, self._places = places[~part], places[part]
        self._cover = on_black.image[rows, columns][~part].view("V3")[:, 0]
        rows, columns = rows[part], columns[part]
        self._ink = on_black.image[rows, columns].ravel()
        self._through = through[rows, columns].astype(np.uint16).ravel()

    def lay(self, image: NDArray[np.uint8]) -> None:
        """Draw over an image (height, width, 3), contiguous, in place."""
        pixels = image.reshape(-1, 3).view("V3")[:, 0]
        if self._solid.size:
            pixels[self._solid] = self._cover
        if self._places.size:
            ground = np.take(pixels, self._places).view(np.uint8) * self._through + 127
            ground //= 255
            pixels[self._places] = (self._ink + ground.astype(np.uint8)).view("V3")
