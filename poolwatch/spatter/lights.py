"""Light of a particle's picture at many pixels at once, and how it changes with all that the picture is made of.

Each loop goes over pixels and does one thing, so that the compiler works on several of them at once.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .profile import (
    BEND,
    COUNT,
    FIRST,
    INVERSE,
    LENGTH,
    LONGEST,
    PANELS,
    PLACE,
    PLACES,
    RADIUS,
    REACH,
    ROW,
    SHORT_STREAK,
    SLOPE,
    SPREAD,
    START,
    STEP,
    UX,
    UY,
    WEIGHT,
    WIDTH,
)

# Rows that `lights` fills: light per px² for unit flux; its slopes with x and y of the centre, and with T, m and n.
LIGHT, BY_X, BY_Y, BY_T, BY_M, BY_N, LIGHTS = range(7)
# Sums over the places of a streak: light; with the variance of the disc; slope over distance times distance along the
# streak, and by itself; both times the place.
_LIGHT, _VARIED, _ALONG, _ASIDE, _STRETCHED, _TURNED, _SUMS = range(7)


@njit(cache=True, nogil=True)
def _add_panel(
    a: NDArray,  # type: ignore[type-arg]
    square: NDArray,  # type: ignore[type-arg]
    shape: NDArray,  # type: ignore[type-arg]
    middle: float,
    slopes: bool,
    sums: NDArray,  # type: ignore[type-arg]
) -> None:
    """Add what pixels get from one panel, whose middle lies `middle` from the streak's.

    `a` and `square` are the pixels' distance along the streak and the square of that across it.
    """
    n = a.size
    apart, beyond = np.empty(n), np.empty(n)
    index = np.empty(n, dtype=np.uint32)
    start, last = shape[START], shape[COUNT] - 1.0
    row, after = shape[ROW : ROW + LONGEST - 1], shape[ROW + 1 : ROW + LONGEST]
    varied, varied_after = shape[SPREAD : SPREAD + LONGEST - 1], shape[SPREAD + 1 : SPREAD + LONGEST]
    steep, steep_after = shape[SLOPE : SLOPE + LONGEST - 1], shape[SLOPE + 1 : SLOPE + LONGEST]
    light, spread, along = sums[_LIGHT], sums[_VARIED], sums[_ALONG]
    aside, stretched, turned = sums[_ASIDE], sums[_STRETCHED], sums[_TURNED]
    for k in range(int(shape[PLACES])):
        s, weight = middle + shape[PLACE + k], shape[WEIGHT + k]
        for i in range(n):
            t = a[i] - s
            place = (math.sqrt(t * t + square[i]) - start) * (1.0 / STEP)
            place = place if place > 0.0 else 0.0
            place = place if place < last else last
            j = np.int32(place)
            apart[i], index[i], beyond[i] = t, j, place - j
        for i in range(n):
            low = row[index[i]]
            light[i] += weight * (low + beyond[i] * (after[index[i]] - low))
        if not slopes:
            continue
        for i in range(n):
            low = varied[index[i]]
            spread[i] += weight * (low + beyond[i] * (varied_after[index[i]] - low))
        for i in range(n):
            low = steep[index[i]]
            beyond[i] = weight * (low + beyond[i] * (steep_after[index[i]] - low))
        for i in range(n):
            aside[i] += beyond[i]
            turned[i] += s * beyond[i]
        for i in range(n):
            along[i] += beyond[i] * apart[i]
            stretched[i] += s * beyond[i] * apart[i]


@njit(cache=True, nogil=True)
def _add_panels(
    a: NDArray,  # type: ignore[type-arg]
    square: NDArray,  # type: ignore[type-arg]
    shape: NDArray,  # type: ignore[type-arg]
    slopes: bool,
    sums: NDArray,  # type: ignore[type-arg]
) -> None:
    """`_add_panel` for each panel of a long streak and the pixels within its reach."""
    n = a.size
    near = np.empty(n, dtype=np.int64)
    near_a, near_square, near_sums = np.empty(n), np.empty(n), np.empty((_SUMS, n))
    reach = shape[RADIUS] + REACH
    for panel in range(int(shape[PANELS])):
        middle = shape[FIRST] + panel * shape[WIDTH]
        m = 0
        for i in range(n):
            away = max(abs(a[i] - middle) - 0.5 * shape[WIDTH], 0.0)
            if away * away + square[i] < reach * reach:
                near[m], near_a[m], near_square[m] = i, a[i], square[i]
                m += 1
        rows = _SUMS if slopes else 1
        for q in range(rows):
            for k in range(m):
                near_sums[q, k] = 0.0
        _add_panel(near_a[:m], near_square[:m], shape, middle, slopes, near_sums)
        for q in range(rows):
            for k in range(m):
                sums[q, near[k]] += near_sums[q, k]


@njit(cache=True, nogil=True)
def lights(
    xs: NDArray,  # type: ignore[type-arg]
    ys: NDArray,  # type: ignore[type-arg]
    x: float,
    y: float,
    shape: NDArray,  # type: ignore[type-arg]
    slopes: bool,
    out: NDArray,  # type: ignore[type-arg]
) -> None:
    """Light at pixels (xs, ys) of a picture centred on (x, y), and where asked its slopes, into the rows of `out`.

    For slopes the shape needs `slopes_of`. T = R²/4 + L²/24 for each axis, m and n = L² times cosine and sine of twice
    the streak's angle. For a streak of some length they follow from how its places move; a short one adds m/48 and
    n/48 of the curvature along the radius less that across it, by cosine and sine of twice the angle to the centre.
    """
    n = xs.size
    inverse, ux, uy = shape[INVERSE], shape[UX], shape[UY]
    a, c, square = np.empty(n), np.empty(n), np.empty(n)
    sums = np.zeros((_SUMS, n))
    for i in range(n):
        dx, dy = (xs[i] - x) * inverse, (ys[i] - y) * inverse
        a[i], c[i] = dx * ux + dy * uy, dy * ux - dx * uy
        square[i] = c[i] * c[i]
    if shape[PANELS] > 1.0:
        _add_panels(a, square, shape, slopes, sums)
    else:
        _add_panel(a, square, shape, shape[FIRST], slopes, sums)
    scale = inverse * inverse / shape[PANELS]
    light, sum_light = out[LIGHT], sums[_LIGHT]
    for i in range(n):
        light[i] = sum_light[i] * scale
    if not slopes:
        return
    one, two = scale * inverse, scale * inverse * inverse
    by_x, by_y, by_t = out[BY_X], out[BY_Y], out[BY_T]
    along, aside, varied = sums[_ALONG], sums[_ASIDE], sums[_VARIED]
    for i in range(n):
        across = aside[i] * c[i]
        by_x[i] = -(along[i] * ux - across * uy) * one
        by_y[i] = -(along[i] * uy + across * ux) * one
        by_t[i] = varied[i] * two
    if shape[LENGTH] > SHORT_STREAK:
        _by_long_streak(c, shape, sums, two, out)
    else:
        _by_short_streak(xs, ys, x, y, shape, out)


@njit(cache=True, nogil=True)
def _by_long_streak(
    c: NDArray[np.float64],
    shape: NDArray[np.float64],
    sums: NDArray[np.float64],
    scale: float,
    out: NDArray[np.float64],
) -> None:
    """Slopes by a streak's length and direction from how its places move; `c` is how far a pixel lies aside."""
    ux, uy, length = shape[UX], shape[UY], shape[LENGTH]
    twice_cos, twice_sin = ux * ux - uy * uy, 2.0 * ux * uy
    half = 0.5 / (length * length)
    by_m, by_n = out[BY_M], out[BY_N]
    stretched, turned, varied = sums[_STRETCHED], sums[_TURNED], sums[_VARIED]
    for i in range(c.size):
        longer = -stretched[i] * half - varied[i] * (1.0 / 24.0)
        turn = -turned[i] * c[i] * half
        by_m[i] = (longer * twice_cos - turn * twice_sin) * scale
        by_n[i] = (longer * twice_sin + turn * twice_cos) * scale


@njit(cache=True, nogil=True)
def _by_short_streak(
    xs: NDArray[np.float64],
    ys: NDArray[np.float64],
    x: float,
    y: float,
    shape: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Slopes by the length and direction of a short streak, from the curvature; see `lights`."""
    inverse, ux, uy = shape[INVERSE], shape[UX], shape[UY]
    by_m, by_n = out[BY_M], out[BY_N]
    for i in range(xs.size):
        dx, dy = (xs[i] - x) * inverse, (ys[i] - y) * inverse
        along, aside = dx * ux + dy * uy, dy * ux - dx * uy
        r2 = along * along + aside * aside
        place = (math.sqrt(r2) - shape[START]) * (1.0 / STEP)
        j = max(int(place), 0)
        bend = 0.0
        if j + 1 < shape[COUNT] and r2 > 0.0:
            low = shape[BEND + j]
            bend = (low + max(place - j, 0.0) * (shape[BEND + j + 1] - low)) / (48.0 * r2)
        bend *= inverse**4
        by_m[i] = bend * (dx * dx - dy * dy)
        by_n[i] = bend * 2.0 * dx * dy
