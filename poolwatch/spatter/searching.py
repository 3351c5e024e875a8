"""One frame to what stands out of it, and what is known of that before a fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..model.pixels import Frames
from .estimates import REGION, Limits
from .facts import Residual, SpatterFacts, Work
from .filtering import level_at, residual_at
from .parameters import Imaging, Pixels, Record, pixels_for
from .records import BORDER, CROWDED, RIM, SATURATED, SOFT
from .regions import FOOT, start_from_extent, within_another
from .segmenting import clear, find_regions
from .window import BOX, window

# A region with this many pixels above half its peak, in squared blurs, is a surface whose edge can be judged, …
_SURFACE = 40.0
# … where so many pixels lie on its flank …
_FLANK = 12.0
# … between these shares of its peak (see `_add_edge`).
_FLANK_TOP = 0.75
# Share of the squared slope of a sharp disc's edge below which an edge is soft.
_BLUNT = 0.15
# A pixel counts with this many times the region's peak at most: single hot pixels do not pull the centre.
_HOTTEST = 1.2
# The light above the foot is less than all: a fit starts with so many times the light and the variance.
_LIGHT_BELOW, _SPREAD_BELOW = 1.15, 1.1
# Least variance that a fit starts with, squared blurs.
_LEAST_SPREAD = 0.1
# A hidden pixel of the smoothed picture lies far below this.
_HIDDEN = 1e20

# Sums over the pixels of a region, and what is seen on the way.
SUMS = np.dtype(
    [
        # Place of its first pixel, px, from which the moments are counted.
        ("x0", "f8"),
        ("y0", "f8"),
        # Peak of the smoothed picture, grey values, and that over the noise.
        ("peak", "f8"),
        ("signal", "f8"),
        # Bits, see `records`.
        ("mark", "i8"),
        # Pixels above the foot, and above half the peak.
        ("size", "i8"),
        ("half", "i8"),
        # Pixels on its flank, and the sum of the squared slope there.
        ("edge", "f8"),
        ("slope2", "f8"),
        # Light and its first and second moments; after `_to_moments` the second are variances.
        ("light", "f8"),
        ("x", "f8"),
        ("y", "f8"),
        ("xx", "f8"),
        ("xy", "f8"),
        ("yy", "f8"),
    ]
)


class Found(NamedTuple):
    """Room for the regions of a frame, which a search overwrites.

    Attributes
    ----------
    known
        What is known of each, dtype `estimates.REGION`.
    pixels
        The pixels of all, side by side.
    counts
        How many pixels each has.
    """

    known: NDArray[np.void]
    pixels: Pixels
    counts: NDArray[np.int64]


def found_arrays(regions: int, pixels: int) -> Found:
    """Room for so many regions and pixels."""
    return Found(np.zeros(regions, dtype=REGION), pixels_for(pixels), np.zeros(regions, dtype=np.int64))


class Scene(NamedTuple):
    """What a search needs to know of a clip."""

    facts: SpatterFacts
    imaging: Imaging
    limits: Limits


def search(
    frames: Frames,
    first: int,
    outlines: tuple[NDArray[np.float64], NDArray[np.int64]],
    scene: Scene,
    work: Work,
    found: Found,
) -> tuple[int, int, int]:
    """The next frame from `first` in which something stands out, and what its fits need.

    `outlines` see `packed`; `found` is overwritten. Returns the frame, or their number where none
    is left, how many regions were found and how many pixels they have; where that is more than `found` has room for,
    not all were kept.
    """
    # All regions first, so that a fit knows its neighbours' pixels. Two kernels, not one around both: the compiler
    # would work through everything below once more.
    frame, gain, count, used = find_regions(frames, first, *outlines, scene.facts, work)
    kept = room = 0
    if count > 0:
        kept, room = _measure(
            Residual(frames, frame, scene.facts.ground, gain), scene, work, used, count, found
        )
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
    residual: Residual, scene: Scene, work: Work, filled: int, count: int, found: Found
) -> tuple[int, int]:
    """What is known of the `count` regions of a frame, whose pixels are the first `filled` of `work.pixels`.

    Writes `found`; returns how many regions there are to fit and how many pixels they have.
    """
    facts, imaging = scene.facts, scene.imaging
    pixels = work.pixels[:filled]
    # Regions are numbered from 1.
    sums, boxes = np.zeros(count + 1, dtype=SUMS), np.zeros(count + 1, dtype=BOX)
    _add_up(residual, facts, work, pixels, sums)
    for k in range(1, count + 1):
        _to_moments(sums[k], boxes[k])
    _extend(work, pixels, sums, boxes)
    room = np.zeros(1, dtype=REGION)
    kept = used = 0
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
def _add_up(
    residual: Residual,
    facts: SpatterFacts,
    work: Work,
    pixels: NDArray[np.int32],
    sums: NDArray[np.void],
) -> None:
    """Sums over the pixels (flat places, each region's brightest first) of each region into `sums` (dtype `SUMS`)."""
    picture, owner, threshold = work.canvas.picture, work.owner, facts.threshold
    left, right, calm = work.canvas.left, work.canvas.right, work.canvas.calm
    h, w = picture.shape
    for i in range(pixels.size):
        y, x = pixels[i] // w, pixels[i] % w
        k = owner[y, x]
        if k <= 0:
            continue
        region = sums[k]
        if region.size == 0:
            region.x0, region.y0 = x, y
            region.peak = picture[y, x]
            region.signal = picture[y, x] / threshold[y, x] * facts.level_sigmas
        if picture[y, x] < FOOT * region.peak:
            continue
        region.size += 1
        region.half += picture[y, x] > 0.5 * region.peak
        _add_edge(picture, threshold[y, x] / facts.level_sigmas, y, x, region)
        v = max(residual_at(residual, y, x) - level_at(calm, y, x), 0.0)
        v = min(v, _HOTTEST * region.peak)
        dx, dy = x - region.x0, y - region.y0
        region.light += v
        region.x += v * dx
        region.y += v * dy
        region.xx += v * dx * dx
        region.xy += v * dx * dy
        region.yy += v * dy * dy
        if x == 0 or y == 0 or x == w - 1 or y == h - 1:
            region.mark |= BORDER
        for ny in range(max(0, y - 1), min(h, y + 2)):
            for nx in range(max(0, x - 1), min(w, x + 2)):
                if left[ny] <= nx <= right[ny]:
                    region.mark |= RIM
                elif owner[ny, nx] > 0 and owner[ny, nx] != k:
                    region.mark |= CROWDED


@njit(cache=True, nogil=True)
def _add_edge(picture: NDArray[np.float32], noise: float, y: int, x: int, region: Record) -> None:
    """Count a pixel of the flank, between a quarter and three quarters of the peak, and add its squared slope.

    What noise adds to the square on average is taken off; `noise` is its standard deviation in the smoothed picture,
    whose second neighbours share a sixth of their variance, so the difference of two has 5/3 of it.
    """
    h, w = picture.shape
    if picture[y, x] > _FLANK_TOP * region.peak or x < 1 or y < 1 or x > w - 2 or y > h - 2:
        return
    across, down = picture[y, x + 1] - picture[y, x - 1], picture[y + 1, x] - picture[y - 1, x]
    if abs(across) > _HIDDEN or abs(down) > _HIDDEN:
        return
    region.edge += 1.0
    region.slope2 += 0.25 * (across * across + down * down - 2.0 * 5.0 / 3.0 * noise * noise)


@njit(cache=True, nogil=True)
def _to_moments(region: Record, box: Record) -> None:
    """From sums to variances, in place, and the centre and principal direction of a region, into `box`."""
    f = max(region.light, 1e-9)
    mx, my = region.x / f, region.y / f
    cxx, cxy, cyy = region.xx / f - mx * mx, region.xy / f - mx * my, region.yy / f - my * my
    angle = 0.5 * math.atan2(2 * cxy, cxx - cyy)
    box.x, box.y = region.x0 + mx, region.y0 + my
    box.cos, box.sin = math.cos(angle), math.sin(angle)
    region.xx, region.xy, region.yy = cxx, cxy, cyy


@njit(cache=True, nogil=True)
def _extend(work: Work, pixels: NDArray[np.int32], sums: NDArray[np.void], boxes: NDArray[np.void]) -> None:
    """Extents of each region along and across its direction, into `boxes`."""
    picture, owner = work.canvas.picture, work.owner
    _h, w = picture.shape
    for i in range(pixels.size):
        y, x = pixels[i] // w, pixels[i] % w
        k = owner[y, x]
        if k <= 0 or picture[y, x] < FOOT * sums[k].peak:
            continue
        box = boxes[k]
        dx, dy = x - box.x, y - box.y
        along = dx * box.cos + dy * box.sin
        across = dy * box.cos - dx * box.sin
        box.along_low, box.along_high = min(box.along_low, along), max(box.along_high, along)
        box.across_low, box.across_high = min(box.across_low, across), max(box.across_high, across)


@njit(cache=True, nogil=True)
def _too_large(box: Record, blur: float, limits: Limits) -> bool:
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
