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
# into (number, width, middle of the first) and the places in each with their weights (Gauss and Legendre: one to three
# of them give the light of a streak to a fifth of a per cent, and its length exactly), and from `ROW` on the light of the blurred disc over the distance from its centre, from `START` on in steps of `STEP`.
# `slopes_of` adds rows of the same length: slope with the distance; with the variance (spread T) of the disc; and
# curvature along the radius less that across it.
RADIUS, INVERSE, UX, UY, LENGTH, PANELS, WIDTH, FIRST, PLACES, START, COUNT = range(11)
_PLACE, _WEIGHT, ROW = 11, 14, 17
_LONGEST = int((_R_MAX + REACH) / STEP) + 4
_SLOPE, _SPREAD, _BEND = ROW + _LONGEST, ROW + 2 * _LONGEST, ROW + 3 * _LONGEST
SHAPE = ROW + 4 * _LONGEST
# Below this radius the disc's variance acts like the blur's; below this length the streak acts through the curvature.
_SMALL_RADIUS = 0.6
_SHORT_STREAK = 0.7
# Longest streak for two places, and longest panel with three, standard deviations of the blur.
_PAIR, _PANEL = 1.3, 2.7


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
    panels = max(1, int(math.ceil(length / _PANEL)))
    panel = length / panels
    out[PANELS], out[WIDTH], out[FIRST] = panels, max(panel, 1e-9), 0.5 * panel - 0.5 * length
    if length < 1e-6:
        out[PLACES], out[_PLACE], out[_WEIGHT] = 1, 0.0, 1.0
    elif length < _PAIR:
        out[PLACES] = 2
        out[_PLACE], out[_PLACE + 1] = -0.5 * panel / math.sqrt(3.0), 0.5 * panel / math.sqrt(3.0)
        out[_WEIGHT] = out[_WEIGHT + 1] = 0.5
    else:
        out[PLACES] = 3
        out[_PLACE], out[_PLACE + 1] = -0.5 * panel * math.sqrt(0.6), 0.0
        out[_PLACE + 2] = 0.5 * panel * math.sqrt(0.6)
        out[_WEIGHT] = out[_WEIGHT + 2] = 5.0 / 18.0
        out[_WEIGHT + 1] = 8.0 / 18.0
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
    out[START], out[COUNT] = start, count


@njit(cache=True, nogil=True)
def slopes_of(table: NDArray, shape: NDArray) -> None:  # type: ignore[type-arg]
    """Add to a shape how its light changes with the distance and with what it is made of."""
    radius, count = shape[RADIUS], int(shape[COUNT])
    large = radius > _R_MAX - STEP
    area = 1.0 / (math.pi * max(radius, 1e-9) ** 2)
    i = 0 if large else int(radius / STEP)
    for k in range(count):
        here = shape[ROW + k]
        after = shape[ROW + k + 1] if k + 1 < count else 0.0
        if k > 0:
            before = shape[ROW + k - 1]
        else:
            before = here if large else after
        slope = (after - before) * (0.5 / STEP)
        bend = (after - 2.0 * here + before) * (1.0 / (STEP * STEP))
        r = shape[START] + k * STEP
        across = slope / r if r > 0.0 else bend
        shape[_SLOPE + k], shape[_BEND + k] = slope, bend - across
        if radius < _SMALL_RADIUS:
            # As heat spreads: half the Laplacian for each unit of variance.
            shape[_SPREAD + k] = 0.5 * (bend + across)
        elif large:
            t = k * STEP - REACH
            bell = 0.3989422804014327 * math.exp(-0.5 * t * t)
            shape[_SPREAD + k] = (area * bell - 2.0 * here / radius) * 2.0 / radius
        else:
            shape[_SPREAD + k] = (table[i + 1, k] - table[i, k]) * (2.0 / (STEP * radius))


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
            t = middle - shape[_PLACE + k]
            place = (math.sqrt(t * t + c * c) - shape[START]) * (1.0 / STEP)
            j = max(int(place), 0)
            if j + 1 < shape[COUNT]:
                low = shape[ROW + j]
                f += shape[_WEIGHT + k] * (low + max(place - j, 0.0) * (shape[ROW + j + 1] - low))
    return float(f * inverse * inverse / shape[PANELS])


@njit(cache=True, nogil=True)
def densities(dx: float, dy: float, shape: NDArray, out: NDArray) -> None:  # type: ignore[type-arg]
    """`density` on a grid of pixels into `out`, whose first pixel lies at (dx, dy) from the centre."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            out[i, j] = density(dx + j, dy + i, shape)


@njit(cache=True, nogil=True)
def light(dx: float, dy: float, shape: NDArray, out: NDArray) -> float:  # type: ignore[type-arg]
    """`density` at (dx, dy), and in `out` its slopes with x and y of the centre and with T, m and n.

    The shape needs `slopes_of`. T = R²/4 + L²/24 for each axis, m and n = L² times cosine and sine of twice the
    streak's angle. For a streak of some length they follow from how its places move; a short one adds m/48 and n/48
    of the curvature along the radius less that across it, by cosine and sine of twice the angle to the centre.
    """
    inverse = shape[INVERSE]
    ux, uy = shape[UX], shape[UY]
    a = (dx * ux + dy * uy) * inverse
    c = (dy * ux - dx * uy) * inverse
    first, last = _panels(shape, a, c)
    places = int(shape[PLACES])
    f = fa = fc = ft = along = turned = 0.0
    for i in range(first, last + 1):
        middle = shape[FIRST] + i * shape[WIDTH]
        for k in range(places):
            s = middle + shape[_PLACE + k]
            t = a - s
            r = math.sqrt(t * t + c * c)
            place = (r - shape[START]) * (1.0 / STEP)
            j = max(int(place), 0)
            if j + 1 >= shape[COUNT]:
                continue
            v, weight = max(place - j, 0.0), shape[_WEIGHT + k]
            low = shape[ROW + j]
            f += weight * (low + v * (shape[ROW + j + 1] - low))
            low = shape[_SPREAD + j]
            ft += weight * (low + v * (shape[_SPREAD + j + 1] - low))
            if place >= 0.0:
                low = shape[_SLOPE + j]
                slope = weight * (low + v * (shape[_SLOPE + j + 1] - low)) / max(r, 1e-9)
                fa += slope * t
                fc += slope * c
                along += s * slope * t
                turned += s * slope * c
    scale = inverse * inverse / shape[PANELS]
    one, two = scale * inverse, scale * inverse * inverse
    out[0] = -(fa * ux - fc * uy) * one
    out[1] = -(fa * uy + fc * ux) * one
    out[2] = ft * two
    twice_cos, twice_sin = ux * ux - uy * uy, 2.0 * ux * uy
    length = shape[LENGTH]
    if length > _SHORT_STREAK:
        half = 0.5 / (length * length)
        longer, turn = -along * half - ft * (1.0 / 24.0), -turned * half
        out[3] = (longer * twice_cos - turn * twice_sin) * two
        out[4] = (longer * twice_sin + turn * twice_cos) * two
    else:
        r2 = a * a + c * c
        place = (math.sqrt(r2) - shape[START]) * (1.0 / STEP)
        j = max(int(place), 0)
        bend = 0.0
        if j + 1 < shape[COUNT] and r2 > 0.0:
            low = shape[_BEND + j]
            bend = (low + max(place - j, 0.0) * (shape[_BEND + j + 1] - low)) / (48.0 * r2)
        bend *= inverse**4
        x, y = dx * inverse, dy * inverse
        out[3] = bend * (x * x - y * y)
        out[4] = bend * 2.0 * x * y
    return float(f * scale)
