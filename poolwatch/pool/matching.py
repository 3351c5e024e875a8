"""The model of the blurred step laid out for one clip: sums over samples from tables, for where nothing is clipped.

With the spread and the samples around the edge the same for every vertex, all that a least-squares step needs of the
model (see `poolwatch.pool.edge`) are sums that can be worked out beforehand, for places of the edge on a fine grid; of
the profile it needs its products with two or three shapes. A step from the nearest place of the grid ends within
little more than half a step of it, where what is left out is under 5e-4 px.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .step import solve

# The grid: places of the edge from the middle sample, px, and steps to a pixel.
_FURTHEST = 3
_PER_PX = 32
_STEP = 1.0 / _PER_PX
# How far into the pool the fit of slopes may reach, as a share of its size.
_INWARDS = 0.2
# A step this short ends the fit, px: half a step of the grid and a little, or two places would take turns.
_NEAR = 0.75 * _STEP
# An edge further than this from its first guess is none, px.
_MOST = 2.5
# Shapes: level (1), upper tail, density, ramp inside, ramp outside; products of each with each.
_SHAPES = 5


class StepTable(NamedTuple):
    """Shapes and their sums; made by `step_tables`.

    Attributes
    ----------
    sigma
        Spread of the step, px.
    half
        Samples on either side of the middle one.
    shapes
        Tail, density and ramp inside at each sample for each place, shape (places, 2 · half + 1, 3).
    sums
        Sums over the samples of products of two shapes, shape (places, 5, 5).
    """

    sigma: float
    half: int
    shapes: NDArray[np.float64]
    sums: NDArray[np.float64]


@njit(cache=True, nogil=True)
def step_half(sigma: float) -> float:
    """How far on either side of the edge samples enter the fit of its place, px; of its slopes, 1 px further."""
    return 2.5 * sigma + 1.5


@njit(cache=True, nogil=True)
def samples_around(start: float, reach: int, half: int) -> tuple[int, int, bool]:
    """First and last index of the samples for an edge near `start` in offsets -reach … reach; whether all are there."""
    middle = int(math.floor(start + 0.5)) + reach
    return middle - half, middle + half, middle >= half and middle + half <= 2 * reach


@lru_cache(maxsize=8)
def step_tables(sigma: float, size: float) -> tuple[StepTable, StepTable]:
    """The models for the fit of places and for that of slopes, for a spread and a pool's size (root of its area), px.

    Slopes are told better by samples that reach 1 px further, but in a small pool these lie on the keyhole.
    """
    half = math.ceil(step_half(sigma))
    further = half + (half + 1 <= _INWARDS * size)
    return StepTable(*_step_table(sigma, half)), StepTable(*_step_table(sigma, further))


@njit(cache=True, nogil=True)
def _step_table(sigma: float, half: int) -> tuple[float, int, NDArray[np.float64], NDArray[np.float64]]:
    """Fields of a `StepTable` for a spread (px) and samples on either side."""
    places, n = 2 * _FURTHEST * _PER_PX + 1, 2 * half + 1
    shapes = np.empty((places, n, 3))
    sums = np.zeros((places, _SHAPES, _SHAPES))
    row = np.empty(_SHAPES)
    for q in range(places):
        for k in range(n):
            s = k - half + _FURTHEST - q / _PER_PX
            z = s / sigma
            tail = 0.5 * math.erfc(z / math.sqrt(2.0))
            density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
            ramp = s * tail - sigma * density
            shapes[q, k, 0], shapes[q, k, 1], shapes[q, k, 2] = tail, density, ramp
            row[0], row[1], row[2], row[3], row[4] = 1.0, tail, density, ramp, s - ramp
            for a in range(_SHAPES):
                for b in range(_SHAPES):
                    sums[q, a, b] += row[a] * row[b]
    return sigma, half, shapes, sums


@njit(cache=True, nogil=True)
def _nearest(place: float) -> int:
    """Number of the grid's place nearest to one."""
    q = int(math.floor((place + _FURTHEST) * _PER_PX + 0.5))
    return min(max(q, 0), 2 * _FURTHEST * _PER_PX)


@njit(cache=True, nogil=True)
def _with_shapes(samples: NDArray[np.float64], table: StepTable, q: int) -> tuple[float, float, float]:
    """Sums of a profile's samples, an odd number of them, and of their products with tail and density at place `q`."""
    # Two sums of each at once: one would wait for each addition.
    v = samples[0]
    p1, pc, pd = v, v * table.shapes[q, 0, 0], v * table.shapes[q, 0, 1]
    p1_odd = pc_odd = pd_odd = 0.0
    for k in range(1, samples.size, 2):
        v, w = samples[k], samples[k + 1]
        p1_odd += v
        pc_odd += v * table.shapes[q, k, 0]
        pd_odd += v * table.shapes[q, k, 1]
        p1 += w
        pc += w * table.shapes[q, k + 1, 0]
        pd += w * table.shapes[q, k + 1, 1]
    return p1 + p1_odd, pc + pc_odd, pd + pd_odd


@njit(cache=True, nogil=True)
def _with_all_shapes(samples: NDArray[np.float64], table: StepTable, q: int, p: NDArray[np.float64]) -> None:
    """Sums over a profile's samples of their products with all five shapes at place `q`, into `p`, shape (5,)."""
    place = q * _STEP - _FURTHEST
    p1 = ps = pc = pd = pv = 0.0
    for k in range(samples.size):
        v = samples[k]
        p1 += v
        ps += v * (k - table.half - place)
        pc += v * table.shapes[q, k, 0]
        pd += v * table.shapes[q, k, 1]
        pv += v * table.shapes[q, k, 2]
    p[0], p[1], p[2], p[3], p[4] = p1, pc, pd, pv, ps - pv


@njit(cache=True, nogil=True)
def match_place(
    profile: NDArray[np.float64], start: float, reach: int, table: StepTable, g: float, f: float
) -> tuple[float, float, bool]:
    """Fit level, height and place of the blurred step to one profile, both slopes known.

    Parameters
    ----------
    profile
        Grey values at offsets -reach … reach, px; nothing clipped.
    start
        First guess of the place, px.
    reach
        Offset of the last sample, px; the table's samples around `start` must be there.
    table
        The model.
    g, f
        Slopes of the brightness inside and outside, grey values per px.

    Returns
    -------
    tuple
        Place (px), height (grey values) and whether the fit held.
    """
    middle = int(math.floor(start + 0.5))
    first = middle + reach - table.half
    n = 2 * table.half + 1
    o = min(profile[first + n - 1], profile[first + n - 2])
    h = max(profile[first], profile[first + 1]) - o
    if h <= 0.0:
        return start, 0.0, False
    narrow = 1.0 / table.sigma
    s = start - middle
    seen = -1
    p1 = pc = pd = 0.0
    b, c, share = f - g, -f, 1.0 / n
    for turn in range(8):
        q = _nearest(s)
        if q != seen:
            p1, pc, pd = _with_shapes(profile[first : first + n], table, q)
            seen = q
        # Sums of products of level, tail and density (0, 1, 2): read one by one, for a view of a row costs as much.
        s00, s01, s02 = float(n), table.sums[q, 0, 1], table.sums[q, 0, 2]
        s11, s12, s22 = table.sums[q, 1, 1], table.sums[q, 1, 2], table.sums[q, 2, 2]
        # Sums of the residual with each.
        r1 = p1 - (o * s00 + h * s01 + g * table.sums[q, 0, 3] + f * table.sums[q, 0, 4])
        rc = pc - (o * s01 + h * s11 + g * table.sums[q, 1, 3] + f * table.sums[q, 1, 4])
        rd = pd - (o * s02 + h * s12 + g * table.sums[q, 2, 3] + f * table.sums[q, 2, 4])
        # The place's slope is a · density + b · tail + c.
        a = h * narrow
        rm = a * rd + b * rc + c * r1
        m1 = a * s02 + b * s01 + c * s00
        mc = a * s12 + b * s11 + c * s01
        md = a * s22 + b * s12 + c * s02
        mm = a * md + b * mc + c * m1
        # Three normal equations, the level eliminated first.
        acc = s11 - s01 * s01 * share
        acm = mc - s01 * m1 * share
        amm = mm - m1 * m1 * share
        bc = rc - s01 * r1 * share
        bm = rm - m1 * r1 * share
        det = acc * amm - acm * acm
        if det <= 1e-12 * acc * amm or acc <= 0.0:
            return start, h, False
        step = 1.0 / det
        dh = (bc * amm - bm * acm) * step
        move = (bm * acc - bc * acm) * step
        o += (r1 - s01 * dh - m1 * move) * share
        h += dh
        s = q * _STEP - _FURTHEST + min(max(move, -0.7), 0.7)
        if abs(s + middle - start) > _MOST or h <= 0.0:
            return start, max(h, 0.0), False
        # The first turn's slopes rest on a guessed height.
        if turn > 0 and abs(move) < _NEAR:
            return s + middle, h, True
    return s + middle, h, False


@njit(cache=True, nogil=True)
def match_slopes(
    profile: NDArray[np.float64], start: float, reach: int, table: StepTable, room: NDArray[np.float64]
) -> tuple[float, bool, float, float]:
    """Fit level, height, place and both slopes; profile, start, reach and table as for `match_place`.

    `room`, shape (7, 5), is overwritten: made anew for each call it would cost as much as the fit.

    Returns
    -------
    tuple
        Height (grey values), whether the fit held, slopes inside and outside (grey values per px).
    """
    middle = int(math.floor(start + 0.5))
    first = middle + reach - table.half
    n = 2 * table.half + 1
    o = min(profile[first + n - 1], profile[first + n - 2])
    h = max(profile[first], profile[first + 1]) - o
    g = f = 0.0
    if h <= 0.0:
        return 0.0, False, g, f
    narrow, s, seen = 1.0 / table.sigma, start - middle, -1
    p, x, equations = room[5], room[6], room[:5]
    for turn in range(8):
        q = _nearest(s)
        place = q * _STEP - _FURTHEST
        if q != seen:
            _with_all_shapes(profile[first : first + n], table, q, p)
            seen = q
        a, b, c = h * narrow, f - g, -f
        # Unknowns in the order level, tail, place (in the density's place), inner and outer slope.
        for i in range(_SHAPES):
            for j in range(i + 1):
                equations[i, j] = table.sums[q, i, j]
            x[i] = p[i] - (
                o * table.sums[q, i, 0]
                + h * table.sums[q, i, 1]
                + g * table.sums[q, i, 3]
                + f * table.sums[q, i, 4]
            )
        x[2] = a * x[2] + b * x[1] + c * x[0]
        s10, s20, s21 = equations[1, 0], equations[2, 0], equations[2, 1]
        m0 = a * s20 + b * s10 + c * n
        m1 = a * s21 + b * equations[1, 1] + c * s10
        m2 = a * equations[2, 2] + b * s21 + c * s20
        equations[2, 0], equations[2, 1] = m0, m1
        equations[2, 2] = a * m2 + b * m1 + c * m0
        for i in range(3, _SHAPES):
            equations[i, 2] = a * equations[i, 2] + b * equations[i, 1] + c * equations[i, 0]
        if not solve(equations, x, x.size):
            return h, False, g, f
        o += x[0]
        h += x[1]
        g += x[3]
        f += x[4]
        s = place + min(max(x[2], -0.7), 0.7)
        if abs(s + middle - start) > _MOST or h <= 0.0:
            return max(h, 0.0), False, g, f
        if turn > 0 and abs(x[2]) < _NEAR:
            return h, True, g, f
    return h, False, g, f
