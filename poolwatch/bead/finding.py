"""Where in a photo the bead lies: a long band with sharp edges, unlike the sheet, the same sheet on both sides.

Bands are looked for in all directions and widths, in blocks along them, and may drift sideways from block to block.
A strip of sheet between ruler and table is such a band, too, and so are colours of heat around a bead; both hold the
bead inside. Of bands inside one another the innermost is taken, unless what it lies in is rougher than what is around
that: then the outer one is a bead, and the inner one light that its crown throws back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from ..model.errors import MeasurementError
from .bands import BeadBand, bands_along
from .facts import Axis, Floats, Image, Mask

# Long side of the reduced picture in which directions are tried, and in which the best ones are looked at again, px.
_COARSE, _FINE = 400, 1000
_STEP_DEG = 4.0
# Narrowest bead that can be measured, px of the photo: scratches and the ticks of a ruler are narrower.
_MEASURABLE_PX = 10.0
# Evidence that a bead shows at least, and from which on it is no scratch, rolling mark or edge of a ruler.
_LEAST_EVIDENCE, _PLAIN_EVIDENCE = 1.5, 6.5
# Sheet between an inner band and the edges of the outer one, as a share of the outer width, at least.
_SHEET = 0.15
# Bands looked at again.
_AGAIN = 10
# Directions and widths that are those of one band, degrees and a factor.
_SAME_DEG, _SAME_WIDTH = 5.0, 1.5
# Evidence of a band inside another, as a share of that of the outer one, from which it counts.
_INNER = 0.4
# What an inner band lies in is bead where it is rougher than the surroundings by this factor.
_ROUGHER = 1.6
# Another band of this share of the evidence leaves doubt.
_DOUBT = 0.7
# It is as wide as the bead but for this factor, with so many widths of sheet between.
_ALIKE_WIDTH, _CLEAR = 2.0, 0.4


@dataclass(frozen=True)
class BeadFound:
    """The bead, and whether it may be something else.

    Attributes
    ----------
    axis
        Where it lies, px of the picture.
    doubtful
        It shows weakly, or another band is nearly as likely.
    """

    axis: Axis
    doubtful: bool


@dataclass(frozen=True)
class _Look:
    """A reduced picture: log light, log roughness, colours; and its size over the photo's."""

    image: Image
    factor: float


def find_bead(light: Image, *, widest: float, near: tuple[float, float] | None = None) -> BeadFound:
    """Find the bead.

    Parameters
    ----------
    light
        Shape (height, width, channels), linear in light.
    widest
        Widest bead that is looked for, px.
    near
        A place on the bead (x, y) px, where the picture holds several bands.

    Raises
    ------
    MeasurementError
        Nothing in the picture looks like a bead.
    """
    fine = _look(light, _FINE)
    coarse = _reduced(fine)
    bands: list[BeadBand] = []
    limits = _MEASURABLE_PX * coarse.factor, widest * coarse.factor
    for angle in np.arange(-90.0, 90.0, _STEP_DEG).tolist():
        bands += bands_along(coarse.image, angle, limits, near and _scaled(near, coarse.factor))
    again: list[BeadBand] = []
    for band in _distinct(bands)[:_AGAIN]:
        grown = fine.factor / coarse.factor
        width = band.axis.width * grown
        limits = max(0.65 * width, _MEASURABLE_PX * fine.factor), min(1.5 * width, widest * fine.factor)
        again += bands_along(fine.image, band.axis.direction_deg, limits, near and _scaled(near, fine.factor))
    kept = _distinct([band for band in again if band.score >= _LEAST_EVIDENCE])
    if not kept:
        raise MeasurementError(
            "no weld bead found: no long band with the same sheet on both sides. Fill the picture with the weld, light "
            "it from the side, or name a place on it with --near X,Y"
        )
    chosen, rivalled = _chosen(fine, kept)
    return BeadFound(_grown(chosen.axis, fine.factor), rivalled or chosen.score < _PLAIN_EVIDENCE)


def _scaled(near: tuple[float, float], factor: float) -> tuple[float, float]:
    return (near[0] + 0.5) * factor - 0.5, (near[1] + 0.5) * factor - 0.5


def _grown(axis: Axis, factor: float) -> Axis:
    x, y = ((value + 0.5) / factor - 0.5 for value in (axis.x, axis.y))
    return Axis(x, y, axis.direction_deg, axis.start / factor, axis.stop / factor, axis.width / factor)


def _look(light: Image, side: int) -> _Look:
    factor = min(1.0, side / max(light.shape[:2]))
    size = (max(8, round(light.shape[1] * factor)), max(8, round(light.shape[0] * factor)))
    grey = light.mean(axis=2) if light.shape[2] > 1 else light[..., 0]
    rough = np.abs(grey - cv2.blur(grey, (5, 5)))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA).reshape(size[1], size[0], -1)
    mean = small.mean(axis=2)
    floor = 0.02 * float(np.median(mean)) + 1e-4
    rough = cv2.blur(cv2.resize(rough, size, interpolation=cv2.INTER_AREA), (3, 3))
    channels = [np.log(mean + floor), 0.7 * np.log(rough / (mean + floor) + 1e-3)]
    if small.shape[2] == 3:
        channels += [np.log((small[..., k] + floor) / (small[..., 1] + floor)) for k in (0, 2)]
    return _Look(np.stack(channels, axis=-1).astype(np.float32), factor)


def _reduced(fine: _Look) -> _Look:
    """The look in which directions are tried, from the finer one."""
    height, width = fine.image.shape[:2]
    share = min(1.0, _COARSE / max(height, width))
    size = (max(8, round(width * share)), max(8, round(height * share)))
    small = cv2.resize(fine.image, size, interpolation=cv2.INTER_AREA)
    return _Look(np.asarray(small.reshape(size[1], size[0], -1)), fine.factor * share)


def _apart(one: Axis, other: Axis) -> tuple[float, float, float]:
    """Degrees between two bands; how far the middle of the shorter lies from the longer; shared part of the shorter."""
    turn = abs((one.direction_deg - other.direction_deg + 90) % 180 - 90)
    longer, shorter = sorted((one, other), key=lambda axis: axis.start - axis.stop)
    between = np.array([shorter.x - longer.x, shorter.y - longer.y])
    along, aside = float(between @ longer.along), abs(float(between @ longer.left))
    shared = min(along + shorter.stop, longer.stop) - max(along + shorter.start, longer.start)
    return turn, aside, shared / max(shorter.stop - shorter.start, 1e-9)


def _distinct(bands: list[BeadBand]) -> list[BeadBand]:
    """Best first, without those of about the same direction, place and width."""
    kept: list[BeadBand] = []
    for band in sorted(bands, key=lambda one: -one.score):
        if not any(_same(band.axis, other.axis) for other in kept):
            kept.append(band)
    return kept


def _same(one: Axis, other: Axis) -> bool:
    turn, aside, shared = _apart(one, other)
    ratio = max(one.width, other.width) / min(one.width, other.width)
    return (
        turn < _SAME_DEG
        and aside < 0.5 * max(one.width, other.width)
        and ratio < _SAME_WIDTH
        and shared > 0.3
    )


def _inside(inner: Axis, outer: Axis) -> bool:
    """Whether a band lies in another, along most of that."""
    turn, aside, shared = _apart(inner, outer)
    long_enough = (inner.stop - inner.start) > 0.5 * (outer.stop - outer.start)
    wide = _SAME_WIDTH * inner.width < outer.width and aside + inner.width / 2 < (0.5 - _SHEET) * outer.width
    return turn < _SAME_DEG and wide and shared > 0.7 and long_enough


def _beside(one: Axis, bead: Axis) -> bool:
    """Whether a band is about as wide as the bead, and clear sheet lies between: what touches it is sheet itself."""
    turn, aside, shared = _apart(one, bead)
    ratio = max(one.width, bead.width) / min(one.width, bead.width)
    clear = shared <= 0 or turn > _SAME_DEG or aside > (one.width + bead.width) / 2 + _CLEAR * bead.width
    return ratio < _ALIKE_WIDTH and clear


def _chosen(fine: _Look, bands: list[BeadBand]) -> tuple[BeadBand, bool]:
    """The bead, and whether another band may be it."""
    best, passed = bands[0], False
    while True:
        inner = [one for one in bands if _inside(one.axis, best.axis) and one.score > _INNER * best.score]
        if not inner:
            break
        next_ = max(inner, key=lambda one: one.score)
        rougher = _rougher(fine.image, next_.axis, best.axis)
        if rougher > _ROUGHER:
            passed = True
            break
        best, passed = next_, passed or rougher > math.sqrt(_ROUGHER)
    aside = any(one.score > _DOUBT * best.score and _beside(one.axis, best.axis) for one in bands[:_AGAIN])
    return best, passed or aside


def _rougher(look: Image, inner: Axis, outer: Axis) -> float:
    """Roughness of what an inner band lies in over that of what lies beside the outer band."""
    y, x = np.mgrid[: look.shape[0], : look.shape[1]]

    def away(axis: Axis) -> tuple[Floats, Mask]:
        dx, dy = x - axis.x, y - axis.y
        along = dx * axis.along[0] + dy * axis.along[1]
        return np.abs(dx * axis.left[0] + dy * axis.left[1]), (along > axis.start) & (along < axis.stop)

    (from_inner, there), (from_outer, _) = away(inner), away(outer)
    rim = 0.12 * outer.width + 1
    within = there & (from_inner > inner.width / 2 + rim) & (from_outer < outer.width / 2 - rim)
    around = there & (from_outer > outer.width / 2 + rim) & (from_outer < outer.width + rim)
    if within.sum() < 20 or around.sum() < 20:
        return 1.0
    # The look holds 0.7 of the logarithm of the roughness.
    return math.exp(float(np.median(look[within, 1]) - np.median(look[around, 1])) / 0.7)
