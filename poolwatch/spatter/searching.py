"""One frame to its sightings: what `detect` does with each frame."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..model.pixels import Frames
from .facts import SpatterFacts, Work
from .filtering import level_at, residual_at
from .fitting import PARAMETERS, fit_sighting, soft_edge
from .profile import disc_table
from .records import BORDER, CROWDED, RIM, SATURATED, SOFT, UNFITTED
from .regions import FOOT, start_from_extent, within_another
from .segmenting import clear, find_regions
from .window import window

# A region with this many pixels above half its peak, in squared blurs, is a surface whose edge can be judged.
_SURFACE = 40.0
# Share of the squared slope of a sharp disc's edge below which an edge is soft.
_BLUNT = 0.15
# Columns of the table of sightings that the kernel fills, in order.
COLUMNS = 16


class FitLimits(NamedTuple):
    """Noise (variance = read + shot · working grey value), blur and largest extents of particles, px."""

    read: float
    shot: float
    blur: float
    max_diameter: float
    max_length: float


def search(
    frames: Frames,
    first: int,
    outlines: tuple[NDArray[np.float64], NDArray[np.int64]],
    facts: SpatterFacts,
    limits: FitLimits,
    work: Work,
    found: NDArray[np.float64],
) -> tuple[int, int]:
    """The next frame from `first` in which something stands out, found and fitted.

    Rows of `found` are in the order of `records.SIGHTING` after frame; `outlines` see `packed`. Returns the frame, or
    their number where none is left, and how many were found; where it is more than `found` has rows, only those were
    kept.
    """
    # All regions first, so that a fit knows its neighbours' pixels. Two kernels, not one around both: the compiler
    # would work through everything below once more.
    frame, gain, count, used = find_regions(frames, first, *outlines, facts, work)
    kept = 0
    if count > 0:
        kept = _measure(frames, frame, facts, gain, work, limits, disc_table(), used, count, found)
    clear(work.owner, work.pixels, used)
    return frame, kept


def packed(
    outlines: Sequence[NDArray[np.floating]] | None, number: int
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Outlines of `number` frames in one array, shape (m, 2), and where each starts, shape (number + 1,)."""
    starts = np.zeros(number + 1, dtype=np.int64)
    if outlines is None or not len(outlines):
        return np.zeros((0, 2)), starts
    starts[1:] = np.cumsum([len(each) for each in outlines])
    return np.concatenate(outlines, dtype=np.float64).reshape(-1, 2), starts


@njit(cache=True, nogil=True)
def _measure(
    frames: Frames,
    frame: int,
    facts: SpatterFacts,
    gain: float,
    work: Work,
    limits: FitLimits,
    table: NDArray,  # type: ignore[type-arg]
    used: int,
    count: int,
    found: NDArray,  # type: ignore[type-arg]
) -> int:
    left, right, calm, picture, owner, values = (
        work.canvas.left,
        work.canvas.right,
        work.canvas.calm,
        work.canvas.picture,
        work.owner,
        work.values,
    )
    ground, threshold = facts.ground, facts.threshold
    background, even, full = ground.background, ground.even, ground.full
    read, shot, blur, max_diameter, max_length = limits
    pixels = work.pixels[:used]
    h, w = picture.shape
    # Sums of each region: flux, x, y, xx, xy, yy; peak; mark; pixels.
    sums = np.zeros((count + 1, 6))
    peak = np.zeros(count + 1)
    signal = np.zeros(count + 1)
    mark = np.zeros(count + 1, dtype=np.int64)
    size = np.zeros(count + 1, dtype=np.int64)
    half = np.zeros(count + 1, dtype=np.int64)
    edge = np.zeros((count + 1, 2))
    origin = np.zeros((count + 1, 2))
    for i in range(pixels.size):
        y, x = pixels[i] // w, pixels[i] % w
        k = owner[y, x]
        if k <= 0:
            continue
        if size[k] == 0:
            origin[k, 0], origin[k, 1] = x, y
            peak[k] = picture[y, x]
            signal[k] = picture[y, x] / threshold[y, x] * facts.level_sigmas
        if picture[y, x] < FOOT * peak[k]:
            continue
        size[k] += 1
        v = min(
            max(residual_at(frames, frame, ground, gain, y, x) - level_at(calm, y, x), 0.0), 1.2 * peak[k]
        )
        half[k] += picture[y, x] > 0.5 * peak[k]
        _add_edge(picture, threshold, facts.level_sigmas, y, x, peak[k], edge[k])
        dx, dy = x - origin[k, 0], y - origin[k, 1]
        sums[k, 0] += v
        sums[k, 1] += v * dx
        sums[k, 2] += v * dy
        sums[k, 3] += v * dx * dx
        sums[k, 4] += v * dx * dy
        sums[k, 5] += v * dy * dy
        if x == 0 or y == 0 or x == w - 1 or y == h - 1:
            mark[k] |= BORDER
        for ny in range(max(0, y - 1), min(h, y + 2)):
            for nx in range(max(0, x - 1), min(w, x + 2)):
                if left[ny] <= nx <= right[ny]:
                    mark[k] |= RIM
                elif owner[ny, nx] > 0 and owner[ny, nx] != k:
                    mark[k] |= CROWDED
    # Extents in the principal frame of each region.
    boxes = np.zeros((count + 1, 8))
    for k in range(1, count + 1):
        f = max(sums[k, 0], 1e-9)
        mx, my = sums[k, 1] / f, sums[k, 2] / f
        cxx, cxy, cyy = sums[k, 3] / f - mx * mx, sums[k, 4] / f - mx * my, sums[k, 5] / f - my * my
        angle = 0.5 * math.atan2(2 * cxy, cxx - cyy)
        boxes[k, 0], boxes[k, 1] = origin[k, 0] + mx, origin[k, 1] + my
        boxes[k, 2], boxes[k, 3] = math.cos(angle), math.sin(angle)
        sums[k, 3], sums[k, 4], sums[k, 5] = cxx, cxy, cyy
    for i in range(pixels.size):
        y, x = pixels[i] // w, pixels[i] % w
        k = owner[y, x]
        if k <= 0 or picture[y, x] < FOOT * peak[k]:
            continue
        dx, dy = x - boxes[k, 0], y - boxes[k, 1]
        along = dx * boxes[k, 2] + dy * boxes[k, 3]
        across = dy * boxes[k, 2] - dx * boxes[k, 3]
        boxes[k, 4], boxes[k, 5] = min(boxes[k, 4], along), max(boxes[k, 5], along)
        boxes[k, 6], boxes[k, 7] = min(boxes[k, 6], across), max(boxes[k, 7], across)
    p, covariance = np.empty(PARAMETERS), np.empty((PARAMETERS, PARAMETERS))
    kept = 0
    around = 1.5 * blur + 1.5
    # A shadow may hold a light spot; a bright thing on an uneven ground is no part of what surrounds it.
    shadow = even and ground.sign < 0.0
    for k in range(1, count + 1):
        if shadow and within_another(boxes, k):
            continue
        if (
            boxes[k, 5] - boxes[k, 4] > max_length
            or boxes[k, 7] - boxes[k, 6] > 1.5 * max_diameter + 4 * blur
        ):
            continue
        # Plume and glare have no edge; no fit of a disc would tell anything of them.
        blunt = (
            not even
            and half[k] > _SURFACE * blur * blur
            and edge[k, 0] >= 12.0
            and edge[k, 1] * 2.0 * math.pi * (blur * blur + 0.5) < _BLUNT * edge[k, 0] * peak[k] * peak[k]
        )
        boxes[k, 4] -= around
        boxes[k, 5] += around
        boxes[k, 6] -= around
        boxes[k, 7] += around
        n = full_count = 0
        if blunt:
            mark[k] |= SOFT
        else:
            n, full_count = window(frames, frame, ground, gain, work, k, boxes[k], peak[k], shadow)
        if full_count > 0:
            mark[k] |= SATURATED
        p[0], p[1], p[2], p[3] = boxes[k, 0], boxes[k, 1], 1.15 * sums[k, 0], 0.0
        p[5], p[6] = 12.0 * (sums[k, 3] - sums[k, 5]), 24.0 * sums[k, 4]
        p[4] = max(0.5 * (sums[k, 3] + sums[k, 5]) * 1.1 - blur * blur, 0.1 * blur * blur)
        p[4] = max(p[4], math.hypot(p[5], p[6]) / 24.0)
        if half[k] > 40.0 * blur * blur:
            # Large enough for its area at half height, pi d²/4 + d L, to tell the diameter.
            streak = math.sqrt(math.hypot(p[5], p[6]))
            wide = (math.sqrt(streak * streak + math.pi * half[k]) - streak) * 2.0 / math.pi
            p[4] = wide * wide / 16.0 + streak * streak / 24.0
        if shadow:
            start_from_extent(boxes[k], around, peak[k], p)
        y, x = int(origin[k, 1]), int(origin[k, 0])
        around_noise = math.sqrt(max(read + shot * max(gain * background[y, x], 0.0), 1.0 / 12.0))
        reduced = -1.0
        if n > PARAMETERS:
            reduced, _n = fit_sighting(
                table, values[0, :n], values[1, :n], values[2, :n], values[3, :n], values[4, :n],
                blur, read, shot, around_noise, p, covariance,
            )  # fmt: skip
        disc = 16.0 * p[4] - 2.0 / 3.0 * math.hypot(p[5], p[6])
        if reduced >= 0 and disc > max_diameter * max_diameter:
            continue
        doubt = 1.0 + 4.0 * math.sqrt(2.0 / max(n, 1))
        judged = reduced > doubt and disc > (3.0 * blur) ** 2 and mark[k] & (BORDER | RIM | CROWDED) == 0
        if judged and soft_edge(
            table, values[0, :n], values[1, :n], values[2, :n], values[3, :n], values[4, :n],
            blur, read, shot, around_noise, p,
        ):  # fmt: skip
            mark[k] |= SOFT
        inside = boxes[k, 4] - around <= 0.0 and -5.0 - w < p[0] < 2 * w and -5.0 - h < p[1] < 2 * h
        if (
            reduced < 0
            or p[2] <= 0.0
            or not inside
            or math.hypot(p[0] - boxes[k, 0], p[1] - boxes[k, 1]) > max_length
        ):
            mark[k] |= UNFITTED
            p[0], p[1], p[2] = boxes[k, 0], boxes[k, 1], sums[k, 0]
            p[5], p[6] = 12.0 * (sums[k, 3] - sums[k, 5]), 24.0 * sums[k, 4]
            p[4] = max(0.5 * (sums[k, 3] + sums[k, 5]) - blur * blur, 0.0)
        if kept < found.shape[0]:
            row = found[kept]
            row[0], row[1], row[2], row[3], row[4], row[5] = p[0], p[1], p[2], p[4], p[5], p[6]
            row[9] = peak[k] / full
            row[13] = 0.0
            if mark[k] & UNFITTED:
                row[6] = row[7] = 1.0
                row[8] = 0.5
                row[10], row[11], row[12] = 0.5 * p[4] + 1.0, math.hypot(p[5], p[6]) + 12.0, 0.0
            else:
                inflate = max(1.0, reduced)
                length2 = math.hypot(p[5], p[6])
                cm, cn = (p[5] / length2, p[6] / length2) if length2 > 1e-9 else (1.0, 0.0)
                v_streak = (
                    cm * cm * covariance[5, 5] + cn * cn * covariance[6, 6] + 2 * cm * cn * covariance[5, 6]
                )
                c_streak = cm * covariance[4, 5] + cn * covariance[4, 6]
                slope = c_streak / v_streak if v_streak > 0.0 else 0.0
                pull_x, pull_y = _pull(values, n, p, blur)
                row[6] = math.sqrt(inflate * covariance[0, 0] + pull_x * pull_x)
                row[7] = math.sqrt(inflate * covariance[1, 1] + pull_y * pull_y)
                row[8] = math.sqrt(inflate * covariance[2, 2]) / p[2]
                row[10] = math.sqrt(inflate * max(covariance[4, 4] - slope * c_streak, 0.0))
                row[11] = math.sqrt(inflate * v_streak)
                row[12] = slope
                row[13] = math.sqrt(reduced)
            row[14] = signal[k]
            row[15] = mark[k]
        kept += 1
    return kept


@njit(cache=True, nogil=True)
def _add_edge(
    picture: NDArray,  # type: ignore[type-arg]
    threshold: NDArray,  # type: ignore[type-arg]
    level_sigmas: float,
    y: int,
    x: int,
    peak: float,
    edge: NDArray,  # type: ignore[type-arg]
) -> None:
    """Count a pixel of the flank, between a quarter and three quarters of the peak, and add its squared slope.

    What noise adds to the square on average is taken off: the smoothed picture's second neighbours share a sixth
    of their variance, so the difference of two has 5/3 of it.
    """
    h, w = picture.shape
    if picture[y, x] > 0.75 * peak or x < 1 or y < 1 or x > w - 2 or y > h - 2:
        return
    across, down = picture[y, x + 1] - picture[y, x - 1], picture[y + 1, x] - picture[y - 1, x]
    if abs(across) > 1e20 or abs(down) > 1e20:
        return
    noise = threshold[y, x] / level_sigmas
    edge[0] += 1.0
    edge[1] += 0.25 * (across * across + down * down - 2.0 * 5.0 / 3.0 * noise * noise)


@njit(cache=True, nogil=True)
def _pull(values: NDArray, n: int, p: NDArray, blur: float) -> tuple[float, float]:  # type: ignore[type-arg]
    """Doubt about a centre from the slope of the ground, px: which part of it lies behind, which before the particle?

    Half of the shift that hiding the ground makes: slope of the ground over surface brightness times variance.
    """
    sx = sy = sg = sxx = syy = sxg = syg = 0.0
    for i in range(n):
        dx, dy, g = values[0, i] - p[0], values[1, i] - p[1], values[3, i]
        sx, sy, sg = sx + dx, sy + dy, sg + g
        sxx, syy, sxg, syg = sxx + dx * dx, syy + dy * dy, sxg + dx * g, syg + dy * g
    slope_x = (sxg - sx * sg / n) / max(sxx - sx * sx / n, 1e-9)
    slope_y = (syg - sy * sg / n) / max(syy - sy * sy / n, 1e-9)
    disc = max(p[4] - math.hypot(p[5], p[6]) / 24.0, 0.0)
    # The disc's area over the flux is 1 over its surface brightness above the ground.
    share = 0.5 * 4.0 * math.pi * disc / max(p[2], 1e-9) * (disc + blur * blur)
    return abs(slope_x) * share, abs(slope_y) * share
