"""The picture of a glowing sphere: a disc, blurred by the point spread and drawn out by its flight.

A disc of radius R and unit light, convolved with a Gaussian of standard deviation 1, is tabulated once over
(R, r); every length is scaled by the width of the point spread. The exposure streak is a sum over places along
the flight. The pixel's own width enters as a Gaussian of variance 1/12 px².
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

STEP = 0.1
_R_MAX = 12.0
REACH = 4.5
PIXEL_VARIANCE = 1.0 / 12.0


@lru_cache(maxsize=1)
def disc_table() -> NDArray[np.float32]:
    """Light density of the blurred disc, shape (radii, places), both in steps of `STEP` standard deviations.

    The disc is a stack of rings; a ring of radius s, blurred, is s exp(-(r² + s²)/2) I0(r s) at r. Gauss and
    Legendre's places in each step of the radius give the sum over them to the last digit.
    """
    radii = np.arange(0, _R_MAX + STEP / 2, STEP)
    places = np.arange(0, _R_MAX + REACH + 4 * STEP, STEP)
    at, weights = np.polynomial.legendre.leggauss(4)
    rings = (radii[:-1, None] + 0.5 * STEP * (1.0 + at)).ravel()
    share = rings * np.tile(0.5 * STEP * weights, len(radii) - 1)
    light = np.i0(np.outer(rings, places)) * np.exp(-0.5 * (rings[:, None] ** 2 + places**2)) * share[:, None]
    table = np.empty((len(radii), len(places)))
    table[0] = np.exp(-0.5 * places**2) / (2 * np.pi)
    inside = light.reshape(len(radii) - 1, len(at), -1).sum(axis=1).cumsum(axis=0)
    table[1:] = inside / (np.pi * radii[1:, None] ** 2)
    # Straight lines between entries lie too high by a twelfth of the second difference on average where the curve
    # bends up, too low where it bends down; both axes are even at 0.
    around = np.pad(table, ((1, 0), (1, 0)), mode="reflect")
    around = np.pad(around, ((0, 1), (0, 1)), mode="edge")
    bend = around[2:, 1:-1] + around[:-2, 1:-1] + around[1:-1, 2:] + around[1:-1, :-2] - 4 * table
    bend[-1] = bend[-2]
    return np.ascontiguousarray(np.maximum(table - bend / 12, 0.0), dtype=np.float32)


# What `shape_of` prepares: radius and 1/width of the blur, the streak's direction and length, the panels that it is cut
# into (number, width, middle of the first) and the places in each with their weights (see `_LENGTHS`), and from `ROW`
# on the light of the blurred disc over the distance from its centre, from `START` on in steps of `STEP`. `slopes_of`
# adds rows of the same length: slope with the distance, over the distance; slope with the variance (spread T) of the
# disc; and curvature along the radius less that across it. Each ends in 0.
RADIUS, INVERSE, UX, UY, LENGTH, PANELS, WIDTH, FIRST, PLACES, START, COUNT = range(11)
_MOST = 10
PLACE, WEIGHT, ROW = 11, 11 + _MOST, 11 + 2 * _MOST
LONGEST = int((_R_MAX + REACH) / STEP) + 4
SLOPE, SPREAD, BEND = ROW + LONGEST, ROW + 2 * LONGEST, ROW + 3 * LONGEST
SHAPE = ROW + 4 * LONGEST
# Below this radius the disc's variance acts like the blur's; below this length the streak acts through the curvature.
_SMALL_RADIUS = 0.6
SHORT_STREAK = 0.7
# Longest streak for one, two, … places, standard deviations of the blur: by the rule of Gauss and Legendre they give
# the light of a streak to a fifth of a per cent of its middle, and from two on its length exactly.
_LENGTHS = np.array([1e-6, 1.3, 2.55, 3.8, 5.0, 6.15, 7.3, 8.45, 9.6, 10.7])
# Longer ones are cut into panels, most of which are out of reach of a pixel, of this many places.
_PANEL = 4
_RULES = np.zeros((2, _MOST + 1, _MOST))
for _n in range(1, _MOST + 1):
    _RULES[0, _n, :_n], _RULES[1, _n, :_n] = np.polynomial.legendre.leggauss(_n)


@njit(cache=True, nogil=True)
def shape_of(
    table: NDArray,  # type: ignore[type-arg]
    spread: float,
    m: float,
    n: float,
    blur: float,
    out: NDArray,  # type: ignore[type-arg]
) -> None:
    """Shape of a picture from its covariance without point spread: T, m, n as in `records`.

    Lengths in `out` are in standard deviations of the blur. A covariance smaller than that of a point narrows
    the blur instead: noise does not care about the bound.
    """
    length2 = math.sqrt(m * m + n * n)
    disc = spread - length2 / 24.0
    length = math.sqrt(length2)
    width, radius = blur, 0.0
    if disc >= 0:
        radius = 2.0 * math.sqrt(disc)
    else:
        width = math.sqrt(max(blur * blur + disc, 0.1 * blur * blur))
    length /= width
    out[RADIUS], out[INVERSE] = radius / width, 1.0 / width
    angle = 0.5 * math.atan2(n, m)
    out[UX], out[UY], out[LENGTH] = math.cos(angle), math.sin(angle), length
    panels, places = 1, 1
    if length > _LENGTHS[_MOST - 1]:
        places = _PANEL
        panels = int(math.ceil(length / _LENGTHS[places - 1]))
    else:
        while length > _LENGTHS[places - 1]:
            places += 1
    panel = length / panels
    out[PANELS], out[WIDTH], out[FIRST] = panels, max(panel, 1e-9), 0.5 * panel - 0.5 * length
    out[PLACES] = places
    for k in range(places):
        out[PLACE + k], out[WEIGHT + k] = 0.5 * panel * _RULES[0, places, k], 0.5 * _RULES[1, places, k]
    radius = out[RADIUS]
    start = 0.0
    if radius > _R_MAX - STEP:
        # The edge of a large disc is nearly straight; to first order its curvature scales the density.
        start = radius - REACH
        area = 1.0 / (math.pi * radius * radius)
        count = int(2.0 * REACH / STEP) + 2
        for k in range(count):
            t = k * STEP - REACH
            bell = 0.3989422804014327 * math.exp(-0.5 * t * t)
            out[ROW + k] = area * (0.5 * math.erfc(t * 0.7071067811865476) - 0.5 * bell / radius)
    else:
        i = int(radius / STEP)
        u = radius / STEP - i
        low, high = table[i], table[i + 1]
        count = int((radius + REACH) / STEP) + 2
        for k in range(count):
            out[ROW + k] = low[k] + u * (high[k] - low[k])
    # Nothing at its end, and one more for what reads on to the next.
    out[ROW + count] = out[ROW + count + 1] = 0.0
    out[START], out[COUNT] = start, count + 1


@njit(cache=True, nogil=True)
def slopes_of(table: NDArray, shape: NDArray) -> None:  # type: ignore[type-arg]
    """Add to a shape how its light changes with the distance and with what it is made of."""
    radius, count = shape[RADIUS], int(shape[COUNT])
    large = radius > _R_MAX - STEP
    area = 1.0 / (math.pi * max(radius, 1e-9) ** 2)
    i = 0 if large else int(radius / STEP)
    for k in range(count - 1, count + 1):
        shape[SLOPE + k] = shape[SPREAD + k] = shape[BEND + k] = 0.0
    for k in range(count - 1):
        here, after = shape[ROW + k], shape[ROW + k + 1]
        if k > 0:
            before = shape[ROW + k - 1]
        else:
            before = here if large else after
        slope = (after - before) * (0.5 / STEP)
        bend = (after - 2.0 * here + before) * (1.0 / (STEP * STEP))
        r = shape[START] + k * STEP
        across = slope / r if r > 0.0 else bend
        shape[SLOPE + k], shape[BEND + k] = across, bend - across
        if radius < _SMALL_RADIUS:
            # As heat spreads: half the Laplacian for each unit of variance.
            shape[SPREAD + k] = 0.5 * (bend + across)
        elif large:
            t = k * STEP - REACH
            bell = 0.3989422804014327 * math.exp(-0.5 * t * t)
            shape[SPREAD + k] = (area * bell - 2.0 * here / radius) * 2.0 / radius
        else:
            shape[SPREAD + k] = (table[i + 1, k] - table[i, k]) * (2.0 / (STEP * radius))


@njit(cache=True, nogil=True)
def _panels(shape: NDArray, a: float, c: float) -> tuple[int, int]:  # type: ignore[type-arg]
    """First and last panel of the streak from which a disc reaches (a, c)."""
    panels = int(shape[PANELS])
    if panels == 1:
        return 0, 0
    reach = shape[RADIUS] + REACH
    if abs(c) > reach:
        return 0, -1
    chord = math.sqrt(reach * reach - c * c)
    first = max(0, int(math.ceil((a - chord - shape[FIRST]) / shape[WIDTH] - 0.5)))
    last = min(panels - 1, int(math.floor((a + chord - shape[FIRST]) / shape[WIDTH] + 0.5)))
    return first, last


@njit(cache=True, nogil=True)
def density(dx: float, dy: float, shape: NDArray) -> float:  # type: ignore[type-arg]
    """Light per px² at (dx, dy) from the centre, for unit flux."""
    inverse = shape[INVERSE]
    a = (dx * shape[UX] + dy * shape[UY]) * inverse
    c = (dy * shape[UX] - dx * shape[UY]) * inverse
    first, last = _panels(shape, a, c)
    places = int(shape[PLACES])
    f = 0.0
    for i in range(first, last + 1):
        middle = a - (shape[FIRST] + i * shape[WIDTH])
        for k in range(places):
            t = middle - shape[PLACE + k]
            place = (math.sqrt(t * t + c * c) - shape[START]) * (1.0 / STEP)
            j = max(int(place), 0)
            if j + 1 < shape[COUNT]:
                low = shape[ROW + j]
                f += shape[WEIGHT + k] * (low + max(place - j, 0.0) * (shape[ROW + j + 1] - low))
    return float(f * inverse * inverse / shape[PANELS])


@njit(cache=True, nogil=True)
def densities(dx: float, dy: float, shape: NDArray, out: NDArray) -> None:  # type: ignore[type-arg]
    """`density` on a grid of pixels into `out`, whose first pixel lies at (dx, dy) from the centre."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            out[i, j] = density(dx + j, dy + i, shape)
