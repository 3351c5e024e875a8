"""Where in a photo the bead lies: a long band, unlike the sheet, with the same sheet on both sides."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError
from .facts import Axis, Floats, Image

# Long side of the reduced picture in which directions are tried, and in which the best ones are looked at again, px.
_COARSE, _FINE = 400, 1000
_STEP_DEG = 2.0
# Narrowest band, px of the reduced picture.
_NARROWEST = 3
# Blocks along the picture, in which a band is compared with what lies beside it.
_BLOCKS = 16
# Rows of a direction whose runs of blocks are looked at.
_RUNS = 12
# A block of the band counts where it differs from its flanks by more than log(1 + noise levels) of this.
_COUNTS = 0.9
# Evidence (logarithms of noise levels, summed over blocks) that a bead shows at least.
_LEAST_EVIDENCE = 4.0


@dataclass(frozen=True)
class _Band:
    score: float
    direction_deg: float
    row: int
    width: int
    first: int
    last: int


def find_bead(light: Image, *, widest: float, near: tuple[float, float] | None = None) -> Axis:
    """Find the bead.

    Parameters
    ----------
    light
        Shape (height, width, channels), linear in light.
    widest
        Widest bead, px.
    near
        A place on the bead (x, y) px, where the picture holds several bands.

    Raises
    ------
    MeasurementError
        Nothing in the picture looks like a bead.
    """
    fine, finer = _look(light, _FINE)
    look, factor = _reduced(fine, finer)
    place = None if near is None else _scaled(near, factor)
    bands: list[_Band] = []
    for angle in np.arange(-90.0, 90.0, _STEP_DEG):
        bands += _bands(look, float(angle), (_NARROWEST, widest * factor), place)
    place = None if near is None else _scaled(near, finer)
    again: list[_Band] = []
    for band in _distinct(bands)[:3]:
        width = band.width * finer / factor
        for turn in (-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5):
            again += _bands(fine, band.direction_deg + turn, (0.6 * width, 1.5 * width), place)
    if not again or (best := max(again, key=lambda band: band.score)).score < _LEAST_EVIDENCE:
        raise MeasurementError(
            "no weld bead found: no long band with the same sheet on both sides. Fill the picture with the weld, light "
            "it from the side, or name a place on it with --near X,Y"
        )
    return _axis(best, fine.shape[:2], finer)


def _scaled(near: tuple[float, float], factor: float) -> tuple[float, float]:
    return near[0] * factor, near[1] * factor


def _look(light: Image, side: int) -> tuple[Image, float]:
    """Reduced picture of what may tell a bead: log light, colours, log roughness."""
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
    return np.stack(channels, axis=-1).astype(np.float32), factor


def _reduced(fine: Image, finer: float) -> tuple[Image, float]:
    """The look in which directions are tried, from the finer one."""
    share = min(1.0, _COARSE / max(fine.shape[:2]))
    size = (max(8, round(fine.shape[1] * share)), max(8, round(fine.shape[0] * share)))
    small = cv2.resize(fine, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small.reshape(size[1], size[0], -1)), finer * share


def _turned(look: Image, angle: float) -> tuple[Image, NDArray[np.bool_]]:
    """The look turned so that `angle` points to the right; and where it shows the picture."""
    height, width = look.shape[:2]
    matrix, size = _turn(height, width, angle)
    turned = cv2.warpAffine(look, matrix, size, flags=cv2.INTER_LINEAR)
    inside = cv2.warpAffine(np.ones((height, width), np.float32), matrix, size, flags=cv2.INTER_LINEAR) > 0.99
    return np.asarray(turned), inside


def _turn(height: int, width: int, angle: float) -> tuple[Floats, tuple[int, int]]:
    turn = math.radians(angle)
    c, s = math.cos(turn), math.sin(turn)
    out = (int(abs(width * c) + abs(height * s)) + 2, int(abs(width * s) + abs(height * c)) + 2)
    # Along (c, -s), down (s, c) in image axes.
    matrix = np.array([[c, -s, 0.0], [s, c, 0.0]])
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    matrix[:, 2] = np.array([(out[0] - 1) / 2, (out[1] - 1) / 2]) - matrix[:, :2] @ middle
    return matrix, out


def _bands(
    look: Image, angle: float, widths: tuple[float, float], near: tuple[float, float] | None
) -> list[_Band]:
    """The best band of each of a few widths along one direction."""
    turned, inside = _turned(look, angle)
    block = max(8, turned.shape[1] // _BLOCKS)
    count = turned.shape[1] // block
    weight = inside[:, : count * block].astype(np.float32)
    share = weight.reshape(len(turned), count, block).mean(axis=2)
    # Means over blocks, then running sums down the rows, which give the mean of any run of rows; channels first.
    means = np.stack(
        [
            (turned[:, : count * block, k] * weight).reshape(len(turned), count, block).mean(axis=2)
            for k in range(turned.shape[2])
        ]
    ) / np.maximum(share, 1e-3)
    total = np.concatenate([np.zeros((len(means), 1, count)), np.cumsum(means, axis=1)], axis=1)
    whole = np.concatenate([np.zeros((1, count)), np.cumsum(share > 0.5, axis=0)])
    rows = total[:, 3:] - total[:, :-3]
    change, there = np.abs(rows[:, 3:] - rows[:, :-3]) / 3, (whole[6:] - whole[:-6]) > 5
    noise = 1.4826 * np.median(change[:, there], axis=1) + 0.004 if there.any() else np.ones(len(total))
    total = (total / noise[:, None, None]).astype(np.float32)
    found = []
    row = None
    if near is not None:
        matrix, _ = _turn(look.shape[0], look.shape[1], angle)
        row = float(matrix[1, :2] @ near + matrix[1, 2])
    width = max(widths[0], float(_NARROWEST))
    while width <= max(widths[1], _NARROWEST + 1) and width < len(turned) / 3:
        band = _best_of_width(total, whole, round(width), row)
        if band is not None:
            score, at, first, last = band
            # A block counts by its length, or short directions would weigh as much as long ones.
            score *= block * _BLOCKS / max(look.shape[:2])
            if (last - first + 1) * block >= 3.5 * width:
                found.append(_Band(score, angle, at, round(width), first * block, (last + 1) * block))
        width = max(width + 1, width * 1.3)
    return found


def _best_of_width(
    total: Floats, whole: Floats, width: int, row: float | None
) -> tuple[float, int, int, int] | None:
    """Score, first row, first and last block of the best band of a width."""
    flank = max(2, round(0.5 * width))
    rim = max(1, round(0.3 * width))
    rows = total.shape[1] - 1 - width - 2 * flank
    if rows < 1:
        return None
    at = np.arange(rows) + flank

    def mean(start: NDArray[np.int64], count: int) -> Floats:
        return np.asarray((total[:, start + count] - total[:, start]) / np.float32(count))

    above, below = mean(at - flank, flank), mean(at + width, flank)
    upper, lower = mean(at, rim), mean(at + width - rim, rim)
    there = (whole[at + width + flank] - whole[at - flank]) >= width + 2 * flank - 0.5
    first, second = upper - above, lower - below
    # The sheet is the same on both sides, and goes on beyond the flanks unless the picture ends there.
    last = total.shape[1] - 1
    other = np.abs(above - below) + np.maximum(
        np.abs(mean(np.maximum(at - 2 * flank, 0), flank) - above),
        np.abs(mean(np.minimum(at + width + flank, last - flank), flank) - below),
    )
    both = np.maximum(np.minimum(first, second), np.minimum(-first, -second))
    alike = np.clip(1 - 0.7 * other / np.maximum(both, 1e-6), 0, 1)
    value = (np.log1p(np.maximum(both, 0)) * alike).max(axis=0) - _COUNTS
    value[~there] = -2 * _COUNTS
    if row is not None:
        value[np.abs(at + width / 2 - row) > width / 2 + 2] = -2 * _COUNTS
    # No run of a row is worth more than all that counts in it.
    likely = np.argsort(-np.maximum(value, 0).sum(axis=1))[:_RUNS]
    score, begin, end = _longest_run(value[likely])
    top = int(np.argmax(score))
    return float(score[top]), int(at[likely[top]]), int(begin[top]), int(end[top])


def _longest_run(value: Floats) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64]]:
    """For every row the run of blocks with the largest sum (Kadane's algorithm): sum, first, last block."""
    rows, blocks = value.shape
    here, start = np.zeros(rows), np.zeros(rows, dtype=np.int64)
    best, begin, end = np.full(rows, -np.inf), np.zeros(rows, dtype=np.int64), np.zeros(rows, dtype=np.int64)
    for block in range(blocks):
        anew = here <= 0
        here = np.where(anew, value[:, block], here + value[:, block])
        start = np.where(anew, block, start)
        better = here > best
        best, begin, end = (
            np.where(better, here, best),
            np.where(better, start, begin),
            np.where(better, block, end),
        )
    return best, begin, end


def _distinct(bands: list[_Band]) -> list[_Band]:
    """Best first, without those of about the same direction and place."""
    kept: list[_Band] = []
    for band in sorted(bands, key=lambda one: -one.score):
        if all(
            abs((band.direction_deg - other.direction_deg + 90) % 180 - 90) > 2.5
            or abs(band.row - other.row) > 2 * max(band.width, other.width)
            for other in kept
        ):
            kept.append(band)
    return kept


def _axis(band: _Band, shape: tuple[int, ...], factor: float) -> Axis:
    matrix, _ = _turn(shape[0], shape[1], band.direction_deg)
    back = np.linalg.inv(matrix[:, :2])
    middle = (band.first + band.last) / 2
    point = back @ (np.array([middle, band.row + (band.width - 1) / 2]) - matrix[:, 2])
    point = (point + 0.5) / factor - 0.5
    half = (band.last - band.first) / 2 / factor
    axis = Axis(float(point[0]), float(point[1]), band.direction_deg, -half, half, band.width / factor)
    return replace(axis, direction_deg=(axis.direction_deg + 90) % 180 - 90)
