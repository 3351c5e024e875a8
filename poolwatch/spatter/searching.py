"""One frame to what stands out of it, and what is known of that before a fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..model.pixels import Frames
from .estimates import REGION, EstimateLimits
from .facts import Residual, SpatterFacts, Work
from .moments import SUMS, add_up, extend, to_moments
from .parameters import Imaging, Pixels, Record, pixels_for
from .records import SATURATED, SOFT
from .regions import start_from_extent, within_another
from .segmenting import clear, find_regions
from .window import BOX, window

# A region with this many pixels above half its peak, in squared blurs, is a surface whose edge can be judged, …
_SURFACE = 40.0
# … where so many pixels lie on its flank (see `moments`).
_FLANK = 12.0
# Share of the squared slope of a sharp disc's edge below which an edge is soft.
_BLUNT = 0.15
# The light above the foot is less than all: a fit starts with so many times the light and the variance.
_LIGHT_BELOW, _SPREAD_BELOW = 1.15, 1.1
# Least variance that a fit starts with, squared blurs.
_LEAST_SPREAD = 0.1


class Found(NamedTuple):
    """Room for the regions of some frames, which a search overwrites.

    Attributes
    ----------
    known
        What is known of each, dtype `estimates.REGION`.
    pixels
        The pixels of all, side by side.
    counts
        How many pixels each has.
    frames
        The frame of each.
    """

    known: NDArray[np.void]
    pixels: Pixels
    counts: NDArray[np.int64]
    frames: NDArray[np.int64]


def found_arrays(regions: int, pixels: int) -> Found:
    """Room for so many regions and pixels."""
    counts, frames = np.zeros(regions, dtype=np.int64), np.zeros(regions, dtype=np.int64)
    return Found(np.zeros(regions, dtype=REGION), pixels_for(pixels), counts, frames)


class SearchScene(NamedTuple):
    """What a search needs to know of a clip."""

    facts: SpatterFacts
    imaging: Imaging
    limits: EstimateLimits


def search(
    frames: Frames,
    first: int,
    outlines: tuple[NDArray[np.float64], NDArray[np.int64]],
    scene: SearchScene,
    work: Work,
    found: Found,
) -> tuple[int, int, int]:
    """What stands out in the frames from `first` on, and what its fits need, as far as `found` has room.

    `outlines` see `packed`; `found` is overwritten. Returns the frame that did not fit any more, or their number, how
    many regions were found in those before it and how many pixels they have.
    """
    kept = used = 0
    while True:
        # All regions first, so that a fit knows its neighbours' pixels. Two kernels, not one around both: the compiler
        # would work through everything below once more.
        first, gain, count, filled = find_regions(frames, first, *outlines, scene.facts, work)
        end, room = kept, used
        if count > 0:
            residual = Residual(frames, first, scene.facts.ground, gain)
            end, room = _measure(residual, scene, work, (filled, count), (kept, used), found)
        clear(work.owner, work.pixels, filled)
        if count == 0 or end > found.counts.size or room > found.pixels.x.size:
            return first, kept, used
        found.frames[kept:end] = first
        kept, used = end, room
        first += 1


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
    residual: Residual,
    scene: SearchScene,
    work: Work,
    there: tuple[int, int],
    before: tuple[int, int],
    found: Found,
) -> tuple[int, int]:
    """What is known of the regions of a frame, behind what `found` holds `before`: so many regions and pixels.

    `there` is how many pixels of `work.pixels` the regions take up, and how many they are. Returns what `found` holds
    then, or would if it had room.
    """
    facts, imaging = scene.facts, scene.imaging
    filled, count = there
    kept, used = before
    pixels = work.pixels[:filled]
    # Regions are numbered from 1.
    sums, boxes = np.zeros(count + 1, dtype=SUMS), np.zeros(count + 1, dtype=BOX)
    add_up(residual, facts, work, pixels, sums)
    for k in range(1, count + 1):
        to_moments(sums[k], boxes[k])
    extend(work, pixels, sums, boxes)
    room = np.zeros(1, dtype=REGION)
    around = 1.5 * imaging.blur + 1.5
    # A shadow may hold a light spot; a bright thing on an uneven ground is no part of what surrounds it.
    shadow = facts.ground.even and facts.ground.sign < 0.0
    for k in range(1, count + 1):
        region, box, own = sums[k], boxes[k], room[0]
        if (shadow and within_another(boxes, k)) or _too_large(box, imaging.blur, scene.limits):
            continue
        # Plume and glare have no edge; no fit of a disc would tell anything of them.
        blunt = not facts.ground.even and _blunt(region, imaging.blur)
        box.along_low -= around
        box.along_high += around
        box.across_low -= around
        box.across_high += around
        n = full_count = 0
        if blunt:
            region.mark |= SOFT
        else:
            n, full_count = window(residual, work, k, box, region.peak, shadow)
        if full_count > 0:
            region.mark |= SATURATED
        _start(region, box, imaging.blur, own)
        if shadow:
            start_from_extent(box, around, region.peak, own)
        y, x = int(region.y0), int(region.x0)
        ground = max(residual.gain * facts.ground.background[y, x], 0.0)
        own.noise = math.sqrt(max(imaging.read + imaging.shot * ground, 1.0 / 12.0))
        own.low = box.along_low - around
        own.half = 0.5 * (box.along_high - box.along_low) - around
        own.height = region.peak / facts.ground.full
        if kept < found.counts.size and used + n <= found.pixels.x.size:
            found.counts[kept] = n
            found.known[kept] = own
            _copy(work.values, n, found.pixels, used)
        used += n
        kept += 1
    return kept, used


@njit(cache=True, nogil=True)
def _too_large(box: Record, blur: float, limits: EstimateLimits) -> bool:
    """Whether a region is longer or wider than any particle's picture."""
    return bool(
        box.along_high - box.along_low > limits.max_length
        or box.across_high - box.across_low > 1.5 * limits.max_diameter + 4 * blur
    )


@njit(cache=True, nogil=True)
def _blunt(region: Record, blur: float) -> bool:
    """Whether a region is large and its edge softer than any disc's."""
    return bool(
        region.half > _SURFACE * blur * blur
        and region.edge >= _FLANK
        and region.slope2 * 2.0 * math.pi * (blur * blur + 0.5)
        < _BLUNT * region.edge * region.peak * region.peak
    )


@njit(cache=True, nogil=True)
def _start(region: Record, box: Record, blur: float, own: Record) -> None:
    """What the moments of a region say, into `own` (dtype `estimates.REGION`): start of the fit, centre, light."""
    own.x, own.y, own.flux = box.x, box.y, _LIGHT_BELOW * region.light
    own.streak_m, own.streak_n = 12.0 * (region.xx - region.yy), 24.0 * region.xy
    length2 = math.hypot(own.streak_m, own.streak_n)
    own.spread = max(0.5 * (region.xx + region.yy) * _SPREAD_BELOW - blur * blur, _LEAST_SPREAD * blur * blur)
    own.spread = max(own.spread, length2 / 24.0)
    if region.half > _SURFACE * blur * blur:
        # Large enough for its area at half height, pi d²/4 + d L, to tell the diameter.
        streak = math.sqrt(length2)
        wide = (math.sqrt(streak * streak + math.pi * region.half) - streak) * 2.0 / math.pi
        own.spread = wide * wide / 16.0 + streak * streak / 24.0
    own.centre_x, own.centre_y = box.x, box.y
    own.light, own.xx, own.xy, own.yy = region.light, region.xx, region.xy, region.yy
    own.signal, own.mark = region.signal, region.mark


@njit(cache=True, nogil=True)
def _copy(values: Pixels, n: int, side_by_side: Pixels, first: int) -> None:
    """Copy the first `n` of `values` to where `side_by_side` has room from `first` on."""
    _copy_one(values.x, n, side_by_side.x, first)
    _copy_one(values.y, n, side_by_side.y, first)
    _copy_one(values.value, n, side_by_side.value, first)
    _copy_one(values.ground, n, side_by_side.ground, first)
    _copy_one(values.limit, n, side_by_side.limit, first)


@njit(cache=True, nogil=True)
def _copy_one(values: NDArray[np.float64], n: int, room: NDArray[np.float64], first: int) -> None:
    for i in range(n):
        room[first + i] = values[i]
