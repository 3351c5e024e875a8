"""What of the picture is looked at: a region of interest, and what is hidden within it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from ..clips import Reader
from ..model.errors import MeasurementError, UsageError
from ..pool.coarse import Grey
from .settings import MeasureSettings, content_of

# Frames from which the ground is told that hidden pixels are filled with.
_FRAMES = 8
# Of the pixels in sight those of these ranks of brightness are ground.
_GROUND = (0.1, 0.4)
# Nothing narrower can hold a pool and its surroundings, px; regions of interest are no smaller either.
_LEAST_PX = 16
# An outline this close to hidden pixels may be their border, px.
_MARGIN_PX = 2


@dataclass(frozen=True)
class View:
    """The part of the picture that is looked at.

    Attributes
    ----------
    region
        Left, top, right, bottom, px in the picture, right and bottom excluded.
    hidden
        Shape (height, width) of the region, True where nothing is looked at; None: all is.
    near
        The same with a margin: where an outline is not to be trusted.
    places, donors
        Hidden pixels, and for each a pixel of the ground whose value it gets, as flat indices of the region.
    level
        Middle grey value of those pixels of the ground.
    """

    region: tuple[int, int, int, int]
    hidden: NDArray[np.bool_] | None = None
    near: NDArray[np.bool_] | None = None
    places: NDArray[np.intp] | None = None
    donors: NDArray[np.intp] | None = None
    level: int = 0

    def of(self, frames: Grey, *, noise: bool) -> Grey:
        """Frames (n, h, w) cut to the region, hidden pixels filled with ground.

        Parameters
        ----------
        frames
            Whole pictures; they are not changed.
        noise
            Fill with pixels of the ground in the same frame, so that noise, gain and flicker stay what they are;
            False: with one grey value, which does not move.
        """
        left, top, right, bottom = self.region
        cut = frames[:, top:bottom, left:right]
        if self.places is None:
            return cut
        filled: Grey = cut.copy()
        flat = filled.reshape(len(filled), -1)
        if noise:
            values = flat[:, self.donors]
            # A particle that passes over a pixel of the ground must not show in the hidden part.
            highest = np.percentile(values[:, :: max(values.shape[1] // 4096, 1)], 97.5, axis=1)
            flat[:, self.places] = np.minimum(values, highest[:, None].astype(values.dtype))
        else:
            flat[:, self.places] = self.level
        return filled

    def meets(self, outline: NDArray[np.floating]) -> bool:
        """Whether an outline (k, 2), px in the region, runs along hidden pixels."""
        if self.near is None or not len(outline):
            return False
        h, w = self.near.shape
        at = np.clip(np.round(outline).astype(np.intp), 0, (w - 1, h - 1))
        return bool(self.near[at[:, 1], at[:, 0]].any())


def region_of(reader: Reader, settings: MeasureSettings) -> tuple[int, int, int, int]:
    """The region of interest within the picture.

    Raises
    ------
    UsageError
        The region of interest reaches out of the picture.
    MeasurementError
        The pictures are too small to hold a pool.
    """
    facts = reader.facts
    if min(facts.width, facts.height) < _LEAST_PX:
        raise MeasurementError(
            f"{facts.path}: pictures of {facts.width} x {facts.height} px are too small to hold a pool and its "
            f"surroundings. Record at least {_LEAST_PX} px each way; if they are larger, check how the file is read"
        )
    region = settings.view.region
    if region is None:
        return 0, 0, facts.width, facts.height
    _, _, right, bottom = region
    if right > facts.width or bottom > facts.height:
        raise UsageError(
            f"view.region {region} reaches out of the picture of {facts.width} x {facts.height} px; "
            "give left, top, right, bottom within it"
        )
    return region


def view_of(reader: Reader, settings: MeasureSettings) -> View:
    """The view that the settings ask for.

    Raises
    ------
    UsageError
        Region, rectangles or mask do not fit the picture, or hide nearly all of it.
    MeasurementError
        The pictures are too small to hold a pool.
    """
    region = region_of(reader, settings)
    whole = _hidden(reader, settings)
    left, top, right, bottom = region
    if whole is None or not whole[top:bottom, left:right].any():
        return View(region)
    hidden = np.ascontiguousarray(whole[top:bottom, left:right])
    if hidden.mean() > 0.9:
        raise UsageError(
            f"view.mask and view.hide hide {hidden.mean():.0%} of the region of interest; hide less, or move the region"
        )
    frames = reader.frames(reader.cheap_frames(_FRAMES))[:, top:bottom, left:right]
    middle = np.median(frames, axis=0).ravel()
    visible = np.flatnonzero(~hidden.ravel())
    order = visible[np.argsort(middle[visible], kind="stable")]
    ground = order[int(_GROUND[0] * len(order)) : int(_GROUND[1] * len(order)) + 1]
    places = np.flatnonzero(hidden.ravel())
    # Any ground pixel will do; drawn with a fixed seed, so that a clip always gives the same figures.
    donors = ground[np.random.default_rng(0).integers(0, len(ground), len(places))]
    margin = np.ones((2 * _MARGIN_PX + 1, 2 * _MARGIN_PX + 1), dtype=np.uint8)
    near = cv2.dilate(hidden.astype(np.uint8), margin).astype(bool)
    return View(region, hidden, near, places, donors, int(np.median(middle[ground])))


def _hidden(reader: Reader, settings: MeasureSettings) -> NDArray[np.bool_] | None:
    """Pixels of the whole picture that are hidden; None where the settings hide nothing."""
    facts, view = reader.facts, settings.view
    if view.mask is None and not view.hide:
        return None
    hidden = np.zeros((facts.height, facts.width), dtype=np.bool_)
    for left, top, right, bottom in view.hide:
        if right > facts.width or bottom > facts.height:
            raise UsageError(
                f"view.hide {[left, top, right, bottom]} reaches out of the picture of {facts.width} x "
                f"{facts.height} px; give left, top, right, bottom within it"
            )
        hidden[top:bottom, left:right] = True
    if view.mask is not None:
        mask = read_mask(view.mask)
        if mask.shape != hidden.shape:
            height, width = mask.shape
            raise UsageError(
                f"view.mask {view.mask} is {width} x {height} px, the picture {facts.width} x "
                f"{facts.height} px; paint the mask over a still of the clip at its full size"
            )
        hidden |= mask
    return hidden


def read_mask(path: str | Path) -> NDArray[np.bool_]:
    """Read a mask from a picture: True where any channel is not 0 (transparency does not count).

    Raises
    ------
    UsageError
        The file is missing or is no picture.
    """
    content = content_of("view.mask", path)
    try:
        picture = cv2.imdecode(np.frombuffer(content, dtype=np.uint8), cv2.IMREAD_COLOR) if content else None
    except cv2.error:
        picture = None
    if picture is None:
        raise UsageError(
            f"view.mask {path}: is no picture that can be read; give a PNG, not 0 where it hides"
        )
    return np.asarray(picture.any(axis=2))
