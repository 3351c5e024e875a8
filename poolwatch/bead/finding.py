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
from numpy.typing import NDArray

from ..model.errors import MeasurementError
from .facts import Axis, Floats, Image, Mask

# Long side of the reduced picture in which directions are tried, and in which the best ones are looked at again, px.
_COARSE, _FINE = 400, 1000
_STEP_DEG = 4.0
# Narrowest bead that can be measured, px of the photo: scratches and the ticks of a ruler are narrower.
_MEASURABLE_PX = 10.0
# Narrowest band, px of the reduced picture; widths that are tried grow by this factor.
_NARROWEST, _WIDER = 2, 1.25
# Blocks along the picture, and how far a band moves sideways from one to the next at most, as a slope.
_BLOCKS, _SLOPE = 24, 0.14
# A block of the band counts where both edges show by more than log(1 + noise levels) of this.
_COUNTS = 1.0
# Noise levels that a channel shows by chance.
_BY_CHANCE = 0.5
# From here on it shows plainly: more contrast makes it little more of a bead, or a tick of a ruler would outweigh one.
_PLAIN, _MORE = 2.0, 0.15
# Evidence (logarithms of noise levels, summed over sixteenths of the picture) that a bead shows at least.
_LEAST_EVIDENCE = 1.0
_UNIT = 16.0
# Width of the flanks in bands. How far unlike flanks, in the channel that shows the band and in others, take evidence.
_FLANK, _UNLIKE, _OTHERS = 0.4, 0.7, 0.5
# Sheet between an inner band and the edges of the outer one, as a share of the outer width, at least.
_SHEET = 0.15
# Bands looked at again; a bead is this many widths long at least.
_AGAIN, _LEAST_WIDTHS = 10, 3.5
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
class Found:
    """The bead, and whether another band is nearly as likely.

    Attributes
    ----------
    axis
        Where it lies, px of the picture.
    other
        Another band that may be the bead; None where there is none.
    """

    axis: Axis
    other: Axis | None


@dataclass(frozen=True)
class _Band:
    score: float
    axis: Axis


@dataclass(frozen=True)
class _Look:
    """A reduced picture: log light, log roughness, colours; and its size over the photo's."""

    image: Image
    factor: float


def find_bead(
    light: Image, *, widest: float, narrowest: float = 0.0, near: tuple[float, float] | None = None
) -> Found:
    """Find the bead.

    Parameters
    ----------
    light
        Shape (height, width, channels), linear in light.
    widest, narrowest
        Limits of its width, px.
    near
        A place on the bead (x, y) px, where the picture holds several bands.

    Raises
    ------
    MeasurementError
        Nothing in the picture looks like a bead.
    """
    narrowest = max(narrowest, _MEASURABLE_PX)
    fine = _look(light, _FINE)
    coarse = _reduced(fine)
    bands: list[_Band] = []
    limits = narrowest * coarse.factor, widest * coarse.factor
    for angle in np.arange(-90.0, 90.0, _STEP_DEG).tolist():
        bands += _bands(coarse.image, angle, limits, _BLOCKS, near and _scaled(near, coarse.factor))
    again: list[_Band] = []
    for band in _distinct(bands)[:_AGAIN]:
        grown = fine.factor / coarse.factor
        width = band.axis.width * grown
        limits = max(0.65 * width, narrowest * fine.factor), min(1.5 * width, widest * fine.factor)
        again += _bands(
            fine.image, band.axis.direction_deg, limits, _BLOCKS, near and _scaled(near, fine.factor)
        )
    kept = _distinct([band for band in again if band.score >= _LEAST_EVIDENCE])
    if not kept:
        raise MeasurementError(
            "no weld bead found: no long band with the same sheet on both sides. Fill the picture with the weld, light "
            "it from the side, or name a place on it with --near X,Y"
        )
    chosen, other = _chosen(fine, kept)
    return Found(_grown(chosen, fine.factor), None if other is None else _grown(other, fine.factor))


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


def _turn(shape: tuple[int, ...], angle: float) -> tuple[Floats, tuple[int, int]]:
    """Matrix that turns a picture so that `angle` points to the right, and the size (width, height) it then has."""
    height, width = shape[:2]
    turn = math.radians(angle)
    c, s = math.cos(turn), math.sin(turn)
    out = (int(abs(width * c) + abs(height * s)) + 2, int(abs(width * s) + abs(height * c)) + 2)
    # Along (c, -s), down (s, c) in image axes.
    matrix = np.array([[c, -s, 0.0], [s, c, 0.0]])
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    matrix[:, 2] = np.array([(out[0] - 1) / 2, (out[1] - 1) / 2]) - matrix[:, :2] @ middle
    return matrix, out


class _Blocks:
    """A look turned to a direction and averaged over blocks along it: sums down the rows, channels first."""

    def __init__(self, look: Image, angle: float, blocks: int) -> None:
        self.matrix, size = _turn(look.shape, angle)
        turned = cv2.warpAffine(look, self.matrix, size, flags=cv2.INTER_LINEAR)
        weight = cv2.warpAffine(np.ones(look.shape[:2], np.float32), self.matrix, size) > 0.99
        self.angle = angle
        self.length = max(6, max(look.shape[:2]) // blocks)
        self.unit = self.length * _UNIT / max(look.shape[:2])
        self.count, self.rows = turned.shape[1] // self.length, len(turned)
        shape = (self.rows, self.count, self.length)
        weight = weight[:, : self.count * self.length].astype(np.float32)
        share = weight.reshape(shape).mean(axis=2)
        self.inside = share > 0.5
        means = [
            (turned[:, : self.count * self.length, k] * weight).reshape(shape).mean(axis=2)
            for k in range(turned.shape[2])
        ]
        sums = np.cumsum(np.stack(means) / np.maximum(share, 1e-3), axis=1)
        self.total = np.concatenate([np.zeros_like(sums[:, :1]), sums], axis=1)
        self.seen = np.concatenate([np.zeros((1, self.count)), np.cumsum(self.inside, axis=0)])

    def mean(self, start: NDArray[np.int64], count: int) -> Floats:
        """Mean over `count` rows from each start; rows beyond the picture repeat."""
        last = self.rows - count
        start = np.clip(start, 0, last)
        return np.asarray((self.total[:, start + count] - self.total[:, start]) / count)

    def steps(self, reach: int) -> Floats:
        """Step down across the border in front of each row, over its usual size: (channels, rows + 1, blocks)."""
        at = np.arange(self.rows + 1)
        step = self.mean(at, reach) - self.mean(at - reach, reach)
        there = (self.seen[np.minimum(at + reach, self.rows)] - self.seen[np.maximum(at - reach, 0)]) >= (
            2 * reach - 0.5
        )
        step *= there
        noise = [1.4826 * np.median(np.abs(one[there])) if there.any() else 1.0 for one in step]
        self.noise = np.array(noise) + 0.004
        return np.asarray(step / self.noise[:, None, None])


def _bands(
    look: Image,
    angle: float,
    limits: tuple[float, float],
    blocks: int,
    near: tuple[float, float] | None,
) -> list[_Band]:
    """The best band of each of a few widths along one direction."""
    turned = _Blocks(look, angle, blocks)
    widths = []
    width = max(limits[0], float(_NARROWEST))
    while width <= max(limits[1], _NARROWEST + 1) and width < turned.rows / 2:
        widths.append(math.ceil(width - 0.25))
        width = max(width + 1, width * _WIDER)
    if not widths or turned.count < 3:
        return []
    steps = {reach: turned.steps(reach) for reach in {_reach(one) for one in widths}}
    value = np.stack([_value(turned, steps[_reach(one)], one) for one in widths])
    if near is not None:
        column, row = turned.matrix[:, :2] @ near + turned.matrix[:, 2]
        middle = np.arange(value.shape[1])[None, :] + np.array(widths)[:, None] / 2
        far = np.abs(middle - row) > np.array(widths)[:, None] / 2 + 2
        block = int(np.clip(column // turned.length, 0, turned.count - 1))
        value[..., block][far] = -1e3
    reach = max(1, math.ceil(_SLOPE * turned.length))
    found = []
    for path, score, first, wide in _paths(value, widths, reach):
        if len(path) > 1 and len(path) * turned.length >= _LEAST_WIDTHS * wide:
            found.append(_Band(score * turned.unit, _laid(turned, path + wide / 2, first, wide)))
    return found


def _reach(width: int) -> int:
    """Rows to each side of an edge that show it: few, for colours of heat change slowly."""
    return int(np.clip(width / 6, 1, 4))


def _value(turned: _Blocks, step: Floats, width: int) -> Floats:
    """What each block says for a band of a width from each row on, shape (rows, blocks)."""
    at = np.arange(turned.rows)
    first, second = step[:, at], -step[:, np.minimum(at + width, turned.rows)]
    both = np.maximum(np.minimum(first, second), np.minimum(-first, -second))
    flank = max(2, round(_FLANK * width))
    # The sheet is the same on both sides, in each channel: a line between two things is an edge, no bead.
    other = np.abs(_unlike(turned, at, width, flank)) / turned.noise[:, None, None]
    other = np.maximum(other, _OTHERS * other.max(axis=0))
    alike = np.clip(1 - _UNLIKE * other / np.maximum(both, 1e-6), 0, 1)
    value = np.log1p(np.sqrt(np.sum((alike * np.maximum(both - _BY_CHANCE, 0)) ** 2, axis=0)))
    value = np.minimum(value, _PLAIN) + _MORE * np.maximum(value - _PLAIN, 0) - _COUNTS
    whole = turned.seen[np.minimum(at + width + flank, turned.rows)] - turned.seen[np.maximum(at - flank, 0)]
    value[whole < width + 2 * flank - 0.5] = -2 * _COUNTS
    return np.asarray(value, dtype=np.float32)


def _unlike(turned: _Blocks, at: NDArray[np.int64], width: int, flank: int) -> Floats:
    """What lies below a band less what lies above it, but for light that goes on changing at one rate."""
    far, above = turned.mean(at - 2 * flank, flank), turned.mean(at - flank, flank)
    below, beyond = turned.mean(at + width, flank), turned.mean(at + width + flank, flank)
    first, second = above - far, beyond - below
    slope = np.where(first * second > 0, np.sign(first) * np.minimum(np.abs(first), np.abs(second)), 0.0)
    return np.asarray(below - above - slope * (width + flank) / flank)


def _paths(value: Floats, widths: list[int], reach: int) -> list[tuple[Floats, float, int, int]]:
    """Best run of blocks of each width that drifts by up to `reach` rows a block: rows, sum, first block, width."""
    count, rows, blocks = value.shape
    best, came = np.zeros(value.shape, np.float32), np.zeros(value.shape, np.int8)
    fee = (0.25 / reach) * np.abs(np.arange(-reach, reach + 1)).astype(np.float32)
    padded = np.zeros((count, rows + 2 * reach), np.float32)
    for block in range(blocks):
        padded[:, reach : reach + rows] = best[..., block - 1] if block else 0.0
        moved = np.stack([padded[:, k : k + rows] - one for k, one in enumerate(fee)])
        came[..., block] = moved.argmax(axis=0) - reach
        before = moved.max(axis=0)
        # A run begins where what came before is worth nothing.
        came[..., block][before <= 0] = -100
        best[..., block] = np.maximum(before, 0) + value[..., block]
    found = []
    for k, width in enumerate(widths):
        row, block = np.unravel_index(int(best[k].argmax()), best[k].shape)
        score = float(best[k, row, block])
        if score <= 0:
            continue
        path, at, now = [], int(row), int(block)
        while True:
            path.append(at)
            step = int(came[k, at, now])
            if step == -100 or now == 0:
                break
            at, now = int(np.clip(at + step, 0, rows - 1)), now - 1
        found.append((np.array(path[::-1], dtype=np.float64), score, now, width))
    return found


def _laid(turned: _Blocks, middle: Floats, first: int, width: int) -> Axis:
    """The axis through the middles of blocks."""
    along = (first + np.arange(len(middle)) + 0.5) * turned.length - 0.5
    slope, offset = np.polyfit(along, middle - 0.5, 1)
    at = (along[0] + along[-1]) / 2
    back = np.linalg.inv(turned.matrix[:, :2])
    point = back @ (np.array([at, offset + slope * at]) - turned.matrix[:, 2])
    half = len(middle) * turned.length / 2 * math.hypot(1, slope)
    direction = (turned.angle - math.degrees(math.atan(slope)) + 90) % 180 - 90
    return Axis(float(point[0]), float(point[1]), direction, -half, half, float(width))


def _apart(one: Axis, other: Axis) -> tuple[float, float, float]:
    """Degrees between two bands; how far the middle of the shorter lies from the longer; shared part of the shorter."""
    turn = abs((one.direction_deg - other.direction_deg + 90) % 180 - 90)
    longer, shorter = sorted((one, other), key=lambda axis: axis.start - axis.stop)
    between = np.array([shorter.x - longer.x, shorter.y - longer.y])
    along, aside = float(between @ longer.along), abs(float(between @ longer.left))
    shared = min(along + shorter.stop, longer.stop) - max(along + shorter.start, longer.start)
    return turn, aside, shared / max(shorter.stop - shorter.start, 1e-9)


def _distinct(bands: list[_Band]) -> list[_Band]:
    """Best first, without those of about the same direction, place and width."""
    kept: list[_Band] = []
    for band in sorted(bands, key=lambda one: -one.score):
        if not any(_same(band.axis, other.axis) for other in kept):
            kept.append(band)
    return kept


def _same(one: Axis, other: Axis) -> bool:
    turn, aside, shared = _apart(one, other)
    ratio = max(one.width, other.width) / min(one.width, other.width)
    return (
        turn < _SAME_DEG and aside < 0.5 * max(one.width, other.width) and ratio < _SAME_WIDTH and shared > 0.3
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


def _chosen(fine: _Look, bands: list[_Band]) -> tuple[Axis, Axis | None]:
    """The bead, and what else it may be."""
    best, passed = bands[0], None
    while True:
        inner = [one for one in bands if _inside(one.axis, best.axis) and one.score > _INNER * best.score]
        if not inner:
            break
        next_ = max(inner, key=lambda one: one.score)
        rougher = _rougher(fine.image, next_.axis, best.axis)
        if rougher > _ROUGHER:
            passed = next_
            break
        best, passed = next_, best if rougher > math.sqrt(_ROUGHER) else passed
    aside = [one for one in bands[:_AGAIN] if one.score > _DOUBT * best.score and _beside(one.axis, best.axis)]
    other = passed or (aside[0] if aside else None)
    return best.axis, None if other is None else other.axis


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
