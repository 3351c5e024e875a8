"""One frame to what stands out of it, and what is known of that before a fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..model.pixels import Frames
from .concluding import (
    CENTRE_X,
    CENTRE_Y,
    HALF,
    HEIGHT,
    KNOWN,
    LIGHT,
    LOW,
    MARK,
    NOISE,
    SIGNAL,
    START,
    XX,
    XY,
    YY,
)
from .facts import SpatterFacts, Work
from .filtering import level_at, residual_at
from .fitting import PARAMETERS
from .records import BORDER, CROWDED, RIM, SATURATED, SOFT
from .regions import FOOT, start_from_extent, within_another
from .segmenting import clear, find_regions
from .window import window

# A region with this many pixels above half its peak, in squared blurs, is a surface whose edge can be judged.
_SURFACE = 40.0
# Share of the squared slope of a sharp disc's edge below which an edge is soft.
_BLUNT = 0.15
# What is known of each region of a frame (columns of `concluding`), their pixels side by side, and how many each has.
Found = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]


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
    found: Found,
) -> tuple[int, int, int]:
    """The next frame from `first` in which something stands out, and what its fits need.

    `outlines` see `packed`; `found` (see `found_arrays`) is overwritten. Returns the frame, or their number where none
    is left, how many regions were found and how many pixels they have; where that is more than `found` has room for,
    not all were kept.
    """
    # All regions first, so that a fit knows its neighbours' pixels. Two kernels, not one around both: the compiler
    # would work through everything below once more.
    frame, gain, count, used = find_regions(frames, first, *outlines, facts, work)
    kept = room = 0
    if count > 0:
        kept, room = _measure(frames, frame, facts, gain, work, limits, used, count, found)
    clear(work.owner, work.pixels, used)
    return frame, kept, room


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
    filled: int,
    count: int,
    found: tuple[NDArray, NDArray, NDArray],  # type: ignore[type-arg]
) -> tuple[int, int]:
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
    pixels = work.pixels[:filled]
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
    own = np.empty(KNOWN)
    p = own[START : START + PARAMETERS]
    known, side_by_side, counts = found
    kept = used = 0
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
        own[NOISE] = math.sqrt(max(read + shot * max(gain * background[y, x], 0.0), 1.0 / 12.0))
        own[CENTRE_X], own[CENTRE_Y] = boxes[k, 0], boxes[k, 1]
        own[LOW], own[HALF] = boxes[k, 4] - around, 0.5 * (boxes[k, 5] - boxes[k, 4]) - around
        own[LIGHT], own[XX], own[XY], own[YY] = sums[k, 0], sums[k, 3], sums[k, 4], sums[k, 5]
        own[HEIGHT], own[SIGNAL], own[MARK] = peak[k] / full, signal[k], mark[k]
        if kept < counts.size and used + n <= side_by_side.shape[1]:
            counts[kept] = n
            for q in range(KNOWN):
                known[kept, q] = own[q]
            for q in range(5):
                for i in range(n):
                    side_by_side[q, used + i] = values[q, i]
        used += n
        kept += 1
    return kept, used


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


def found_arrays(regions: int, pixels: int) -> Found:
    """What `search` fills, with room for so many regions and pixels."""
    return np.zeros((regions, KNOWN)), np.zeros((5, pixels)), np.zeros(regions, dtype=np.int64)
