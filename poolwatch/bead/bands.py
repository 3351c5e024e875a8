"""Long bands with sharp edges along one direction of a picture, unlike what lies beside them, alike on both sides."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .facts import Axis, Floats, Image

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
# Evidence is summed over blocks as if there were so many along the picture.
_UNIT = 16.0
# Width of the flanks in bands. How far unlike flanks, in the channel that shows the band and in others, take evidence.
_FLANK, _UNLIKE, _OTHERS = 0.4, 0.7, 0.5
# A band is this many widths long at least.
_LEAST_WIDTHS = 3.5


@dataclass(frozen=True)
class BeadBand:
    """A band, and the evidence for it: logarithms of noise levels, summed over sixteenths of the picture."""

    score: float
    axis: Axis


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


class _BlockMeans:
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


def bands_along(
    look: Image, angle: float, limits: tuple[float, float], near: tuple[float, float] | None
) -> list[BeadBand]:
    """The best band of each of a few widths along one direction.

    Parameters
    ----------
    look
        Shape (height, width, channels): logarithms of what may show a bead.
    angle
        Direction, degrees counter-clockwise, 0 = right.
    limits
        Narrowest and widest, px.
    near
        A place (x, y) that the band must hold, px.
    """
    turned = _BlockMeans(look, angle, _BLOCKS)
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
            found.append(BeadBand(score * turned.unit, _laid(turned, path + wide / 2, first, wide)))
    return found


def _reach(width: int) -> int:
    """Rows to each side of an edge that show it: few, for colours of heat change slowly."""
    return int(np.clip(width / 6, 1, 4))


def _value(turned: _BlockMeans, step: Floats, width: int) -> Floats:
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


def _unlike(turned: _BlockMeans, at: NDArray[np.int64], width: int, flank: int) -> Floats:
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
        at, now = divmod(int(best[k].argmax()), blocks)
        score = float(best[k, at, now])
        if score <= 0:
            continue
        path = []
        while True:
            path.append(at)
            step = int(came[k, at, now])
            if step == -100 or now == 0:
                break
            at, now = min(max(at + step, 0), rows - 1), now - 1
        found.append((np.array(path[::-1], dtype=np.float64), score, now, width))
    return found


def _laid(turned: _BlockMeans, middle: Floats, first: int, width: int) -> Axis:
    """The axis through the middles of blocks."""
    along = (first + np.arange(len(middle)) + 0.5) * turned.length - 0.5
    slope, offset = np.polyfit(along, middle - 0.5, 1)
    at = (along[0] + along[-1]) / 2
    back = np.linalg.inv(turned.matrix[:, :2])
    point = back @ (np.array([at, offset + slope * at]) - turned.matrix[:, 2])
    half = len(middle) * turned.length / 2 * math.hypot(1, slope)
    direction = (turned.angle - math.degrees(math.atan(slope)) + 90) % 180 - 90
    return Axis(float(point[0]), float(point[1]), direction, -half, half, float(width))
