"""The pixels around one region that its fit sees."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from .facts import FIT_PIXELS, Residual, Work
from .filtering import level_at, residual_at, smoothed_at
from .parameters import Record

# From this many times as many, the edge is taken more densely than the rest. Not before: which pixels lie at the
# edge goes by their values, and to choose by values what is fitted is fair only far above the noise.
_HUGE = 4
# Width of the edge of a huge region, px.
_EDGE = 3.0
# Shares of the brightest between which a pixel lies at the edge.
_EDGE_LOW, _EDGE_HIGH = 0.1, 0.9
# Slant of the lattice that thins pixels out: the golden section, so that no direction is favoured.
_SLANT = 0.618
# As far as something of other sign is mixed into its neighbours by the lens, px.
_NEAR = 2
# Grey value of what lies behind that stands for the usual one.
_MIDDLE = 32767.5
# Part of an ellipse, by squared distance from its middle, that is left out of a hollow one.
_HOLLOW = 0.5

# A rectangle about a region: centre, direction, and reach along and across it, px.
BOX = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("cos", "f8"),
        ("sin", "f8"),
        ("along_low", "f8"),
        ("along_high", "f8"),
        ("across_low", "f8"),
        ("across_high", "f8"),
    ]
)


class _Lattice(NamedTuple):
    """Which pixels are taken: one in `thin`, and one in `edge` where the edge is; each by its own slant."""

    thin: int
    slant: int
    edge: int
    edge_slant: int


@njit(cache=True, nogil=True)
def _lattice_of(box: Record) -> _Lattice:
    """The lattice that leaves about `FIT_PIXELS` of a box."""
    long, wide = box.along_high - box.along_low, box.across_high - box.across_low
    thin = max(1, int(math.ceil(long * wide / FIT_PIXELS)))
    edge = thin
    if thin > _HUGE:
        rim = 2.0 * (long + box.across_high - box.across_low) * _EDGE
        edge = max(1, min(thin, int(math.ceil(rim / FIT_PIXELS))))
        thin *= 2
    return _Lattice(thin, max(1, int(_SLANT * thin)), edge, max(1, int(_SLANT * edge)))


@njit(cache=True, nogil=True)
def _reach_of(box: Record) -> tuple[float, float]:
    """How far a box reaches from its centre, px to the right and left and px up and down."""
    c, s = abs(box.cos), abs(box.sin)
    along, across = (
        max(abs(box.along_low), abs(box.along_high)),
        max(abs(box.across_low), abs(box.across_high)),
    )
    return along * c + across * s, along * s + across * c


@njit(cache=True, nogil=True)
def _inside(box: Record, x: float, y: float, hollow: bool) -> bool:
    """Whether a pixel lies in a box and, of a hollow one, not in the middle of the ellipse in it."""
    dx, dy = x - box.x, y - box.y
    along, across = dx * box.cos + dy * box.sin, dy * box.cos - dx * box.sin
    if along < box.along_low or along > box.along_high or across < box.across_low or across > box.across_high:
        return False
    if not hollow:
        return True
    off_along = along - 0.5 * (box.along_low + box.along_high)
    off_across = across - 0.5 * (box.across_low + box.across_high)
    half_along = max(0.5 * (box.along_high - box.along_low), 1.0)
    half_across = max(0.5 * (box.across_high - box.across_low), 1.0)
    return bool((off_along / half_along) ** 2 + (off_across / half_across) ** 2 >= _HOLLOW)


@njit(cache=True, nogil=True)
def _at_something_below(residual: Residual, y: int, x: int, limit: float) -> bool:
    """Whether a pixel or one near it lies below a residual of `limit`: a shadow, or another thing of other sign."""
    frames, frame, ground, gain = residual
    h, w = ground.background.shape
    for i in range(max(y - _NEAR, 0), min(y + _NEAR + 1, h)):
        reach = _NEAR - abs(i - y)
        for j in range(max(x - reach, 0), min(x + reach + 1, w)):
            if residual_at(frames, frame, ground, gain, i, j) < limit:
                return True
    return False


@njit(cache=True, nogil=True)
def window(
    residual: Residual, work: Work, number: int, box: Record, top: float, hollow: bool
) -> tuple[int, int]:
    """Pixels for the fit of one region, into `work.values`.

    Parameters
    ----------
    residual
        The frame.
    work
        Its smoothed picture and the owners of its pixels: those of other regions than `number` are left out.
    box
        Where to take pixels from (`BOX`).
    top
        Peak of the smoothed picture. Of a huge region mostly the edge is taken, where the picture is between a tenth
        and nine tenths of it: that is where its size is told.
    hollow
        Whether the inside is left out (a shadow with a light spot in it).

    Returns
    -------
    tuple
        How many pixels there are and how many of them are full.
    """
    frames, frame, ground, gain = residual
    background, calm = ground.background, work.canvas.calm
    xs, ys, value, grounds, limit = work.values
    h, w = background.shape
    left, right, owner = work.canvas.left, work.canvas.right, work.owner
    bound_x, bound_y = _reach_of(box)
    thin, slant, edge, edge_slant = _lattice_of(box)
    n = full_count = 0
    y_low, y_high = max(0, int(math.ceil(box.y - bound_y))), min(h - 1, int(math.floor(box.y + bound_y)))
    x_low, x_high = max(0, int(math.ceil(box.x - bound_x))), min(w - 1, int(math.floor(box.x + bound_x)))
    for y in range(y_low, y_high + 1):
        for x in range(x_low, x_high + 1):
            if left[y] <= x <= right[y]:
                continue
            if thin > 1 and (x + slant * y) % thin != 0:
                if edge == thin:
                    continue
                height = smoothed_at(residual, calm, y, x)
                at_edge = _EDGE_LOW * top <= height <= _EDGE_HIGH * top
                if not at_edge or (x + edge_slant * y) % edge != 0:
                    continue
            k = owner[y, x]
            if (k > 0 and k != number) or not _inside(box, x, y, hollow):
                continue
            if n >= xs.size:
                return n, full_count
            slow = level_at(calm, y, x)
            if ground.below < np.inf and _at_something_below(residual, y, x, slow - ground.below):
                continue
            base = gain * background[y, x] + ground.black * (1.0 - gain)
            xs[n], ys[n] = x, y
            value[n] = residual_at(frames, frame, ground, gain, y, x) - slow
            grounds[n] = base + slow
            if ground.behind.size > 0:
                grounds[n] += ground.sign * (ground.behind[frame, y, x] - _MIDDLE)
            limit[n] = ground.full - base - slow
            if value[n] >= limit[n]:
                full_count += 1
            n += 1
    return n, full_count
