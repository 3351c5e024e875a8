"""The edge in one frame: from a coarse contour to vertices on the steepest step, to a fraction of a pixel.

Along each normal of the coarse contour the brightness is modelled as a step blurred by a known spread, with a
slope on either side, and clipped at full scale:

    I(s) = o + h C(z) + g [(s - s0) C(z) - b N(z)] + f [(s - s0) C(-z) + b N(z)],    z = (s - s0) / b,

with C the upper tail and N the density of the normal distribution, b the spread in px. The place s0 is found by
least squares from the steepest step found first. The blur of a curved edge moves the step inward by b² / (2 R)
(R = radius of curvature), which is put back.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .curve import Vertices, normals_curvature, resample, resample_to_bends, smooth_closed, spacing_of
from .facts import OutlineFacts
from .look import _CLIPPING
from .matching import match_place, match_slopes, samples_around, step_half
from .profiles import around, median_of, profiles, steepest
from .step import StepTop, StepWindow, fit_step

# How well a clip's usual height of the step is known for a part of one outline, relative; for a vertex the height of
# its neighbourhood is known five times better.
_HEIGHT_U = 0.25
# A vertex nearer to the border than this, in spreads of the edge and in px, is not seen whole: what is missing of the
# foot moves it inwards, by a twentieth of a spread where it is as near, by half a spread at 0.4.
_FOOT = 1.5
_LEAST_PX = 0.75
# Slopes are fitted at every so many vertices.
_EVERY = 4


class _Normals(NamedTuple):
    """Grey values along the normals of an outline's n vertices.

    Attributes
    ----------
    values
        A row a vertex, at offsets -reach (inside) … reach, px.
    top
        Steepest place of each, px.
    seen
        Index of the first sample from inside with nothing clipped in it or beyond it; 0: nothing is clipped.
    reach
        Offset of the last sample, px.
    """

    values: NDArray[np.float64]
    top: NDArray[np.float64]
    seen: NDArray[np.int64]
    reach: int


@njit(cache=True, nogil=True)
def _slopes(
    normals: _Normals, facts: OutlineFacts, trust: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Slopes on either side of the edge, and the height of the step, at each vertex.

    They change slowly along the outline: fitted to means over seven neighbouring profiles, and smoothed, they cost
    the place of the single vertex little of its precision. `trust` see `StepTop`.
    """
    table, height = facts.tables[1], facts.step
    n, m = normals.values.shape
    count = n // _EVERY
    inner, outer, tall = np.zeros(count), np.zeros(count), np.full(count, height)
    held = np.zeros(count, dtype=np.bool_)
    mean, room = np.empty(m), np.empty((7, 5))
    # True at run time only: Numba would compile `fit_step` once more for the constant.
    free = table.sigma > 0.0
    for k in range(count):
        j = k * _EVERY
        start = float(normals.top[j])
        first = _first_seen(normals, j)
        low, high, whole = samples_around(start, normals.reach, table.half)
        clear = whole and first <= low
        if not clear:
            low, high = 0, m - 1
        _mean_around(normals, j, low, high, mean)
        if clear:
            tall[k], held[k], inner[k], outer[k] = match_slopes(mean, start, normals.reach, table, room)
        else:
            window = StepWindow(start, normals.reach, step_half(table.sigma) + 1.0, table.sigma)
            fit = fit_step(mean, window, StepTop(first, height, trust), (0.0, 0.0), free)
            tall[k], held[k], inner[k], outer[k] = fit.height, fit.held, fit.inner, fit.outer
    _middle_where_none(inner, held)
    _middle_where_none(outer, held)
    for k in range(count):
        if not held[k]:
            tall[k] = height
    return (
        _at_all(smooth_closed(inner, 1.5), n),
        _at_all(smooth_closed(outer, 1.5), n),
        _at_all(smooth_closed(tall, 3.0), n),
    )


@njit(cache=True, nogil=True)
def _first_seen(normals: _Normals, j: int) -> int:
    """`_Normals.seen` of the mean of seven profiles around vertex `j`."""
    first = normals.seen[j]
    for t in range(-3, 4):
        i = around(j + t, len(normals.values))
        if normals.seen[i] > 0:
            first = max(first, normals.seen[i] - int(round(normals.top[i] - normals.top[j])))
    return int(first)


@njit(cache=True, nogil=True)
def _mean_around(normals: _Normals, j: int, low: int, high: int, mean: NDArray[np.float64]) -> None:
    """Mean of seven profiles around vertex `j`, steepest places on one another, into `mean[low : high + 1]`."""
    n, m = normals.values.shape
    mean[:] = 0.0
    for t in range(-3, 4):
        i = around(j + t, n)
        shift = int(round(normals.top[i] - normals.top[j]))
        if low + shift >= 0 and high + shift < m:
            there, sums = normals.values[i, low + shift : high + shift + 1], mean[low : high + 1]
            for q in range(sums.size):
                sums[q] += there[q]
            continue
        for q in range(low, high + 1):
            mean[q] += normals.values[i, min(max(q + shift, 0), m - 1)]
    for q in range(m):
        mean[q] /= 7.0


@njit(cache=True, nogil=True)
def _middle_where_none(values: NDArray[np.float64], held: NDArray[np.bool_]) -> None:
    """Put the median of the values whose fit held in place of the others; 0 where none did."""
    known = values[held]
    middle = median_of(known, known.size) if known.size > 0 else 0.0
    for k in range(values.size):
        if not held[k]:
            values[k] = middle


@njit(cache=True, nogil=True)
def _at_all(values: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Values at each of `n` vertices from those at every `_EVERY`th, straight between them."""
    out = np.empty(n)
    for j in range(n):
        place = j / _EVERY
        k = int(place)
        a, b = around(k, values.size), around(k + 1, values.size)
        out[j] = values[a] + (place - k) * (values[b] - values[a])
    return out


@njit(cache=True, nogil=True)
def refine(
    frame: NDArray[np.generic], contour: NDArray[np.float64], facts: OutlineFacts
) -> tuple[Vertices, Vertices, int, int, NDArray[np.float64]]:
    """Move a coarse contour onto the steepest step.

    Parameters
    ----------
    frame
        Grey values, shape (h, w).
    contour
        Coarse closed contour, shape (m, 2), px.
    facts
        Vertices wanted, how far from the contour to look, the model of the step; where the inside is clipped its usual
        height and the noise stand in for what is not seen.

    Returns
    -------
    tuple
        Vertices x and y (px), how many were found at their own place rather than taken from neighbours, how many
        lie on the border of the picture or too near to it to be seen whole, and the height of the step that each sees
        relative to the outline's usual one, shape (n,); 1 where the sensor cuts it off.
    """
    # The second pass starts on the edge itself, so that it need not smooth the contour's pixel steps away and
    # follows pointed ends.
    x, y = contour[:, 0].copy(), contour[:, 1].copy()
    n, sigma = facts.vertices, facts.tables[0].sigma
    clipping = _CLIPPING * facts.full_scale
    if not _reaches(frame, clipping):
        clipping = np.inf
    for turn in range(2):
        fine = turn > 0
        x, y, found, tall = _pass(frame, x, y, facts, clipping, fine)
        if found < n // 3:
            return x, y, found, _beside(x, y, frame.shape, sigma), tall
    spacing = spacing_of(x, y)
    _, _, nx, ny, curvature = normals_curvature(x, y, max(1.5 / spacing, 1.0))
    for j in range(n):
        k = min(max(curvature[j], -0.25 / sigma), 0.25 / sigma)
        x[j] += 0.5 * sigma * sigma * k * nx[j]
        y[j] += 0.5 * sigma * sigma * k * ny[j]
    return x, y, found, _beside(x, y, frame.shape, sigma), tall


@njit(cache=True, nogil=True)
def _beside(x: Vertices, y: Vertices, shape: tuple[int, int], sigma: float) -> int:
    """How many vertices are outside a picture, or so near its border that the foot of the step is not seen."""
    h, w = shape
    near = max(_FOOT * sigma, _LEAST_PX)
    count = 0
    for j in range(x.size):
        if x[j] < near or y[j] < near or x[j] > w - 1.0 - near or y[j] > h - 1.0 - near:
            count += 1
    return count


@njit(cache=True, nogil=True)
def _reaches(frame: NDArray[np.generic], level: float) -> bool:
    """Whether any grey value is at a level or above it."""
    for y in range(frame.shape[0]):
        row = frame[y]
        some = False
        for x in range(row.size):
            some |= row[x] >= level
        if some:
            return True
    return False


@njit(cache=True, nogil=True)
def _pass(
    frame: NDArray[np.generic],
    cx: NDArray[np.float64],
    cy: NDArray[np.float64],
    facts: OutlineFacts,
    clipping: float,
    fine: bool,
) -> tuple[Vertices, Vertices, int, NDArray[np.float64]]:
    """One pass: the contour smoothed, each vertex moved along its normal to the step.

    A fine pass has its vertices closer where the outline bends, and fits the model of the step; a coarse one takes the
    top of the filter's response. `clipping` is the grey value from which a pixel may be clipped. Returns what `refine`
    does without the vertices on the border.
    """
    n, sigma = facts.vertices, facts.tables[0].sigma
    x, y = resample_to_bends(cx, cy, n) if fine else resample(cx, cy, n)
    x, y, nx, ny, _ = normals_curvature(x, y, 0.7 if fine else 2.0)
    reach = 2 if fine else facts.reach
    # The model reaches further out than the filter.
    edge = int(math.ceil(2.5 * sigma + 3.5)) if fine else 0
    across, seen = profiles(frame, x, y, nx, ny, reach + edge, clipping)
    _, size, top = steepest(across[edge : edge + 2 * reach + 1], reach, max(sigma, 1.0))
    # Every fourth vertex is enough for a middle.
    some = size[::_EVERY].copy()
    typical = median_of(some, some.size)
    tall = np.ones(n)
    for j in range(n):
        # A step that the sensor cuts off tells nothing.
        if seen[j] == 0:
            tall[j] = size[j] / max(typical, 1e-9)
    if fine:
        place, held = _fitted(_Normals(across.T.copy(), top, seen, reach + edge), facts)
    else:
        place, held = top.copy(), np.ones(n, dtype=np.bool_)
    good = np.empty(n, dtype=np.bool_)
    for j in range(n):
        good[j] = size[j] > (0.08 if held[j] else 0.25) * typical
    found = _leave_out_strays(place, good, max(1.0, 1.2 * sigma))
    if found < n // 3:
        return x, y, found, tall
    _fill_in(place, good)
    # Smoothing over a pixel or two along the edge: neighbours share pixels, so nothing finer is known.
    place = smooth_closed(place, 1.0)
    return x + place * nx, y + place * ny, found, tall


@njit(cache=True, nogil=True)
def _fitted(normals: _Normals, facts: OutlineFacts) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Place of the edge on each normal, px, and whether the model of the step held there."""
    table, reach = facts.tables[0], normals.reach
    trust = (facts.noise / (_HEIGHT_U * facts.step)) ** 2
    inner, outer, high = _slopes(normals, facts, trust)
    n = len(normals.values)
    place, held = np.empty(n), np.empty(n, dtype=np.bool_)
    for j in range(n):
        start, seen = float(normals.top[j]), normals.seen[j]
        low, _, whole = samples_around(start, reach, table.half)
        if whole and seen <= low:
            s0, h, ok = match_place(normals.values[j], start, reach, table, inner[j], outer[j])
        else:
            window = StepWindow(start, reach, step_half(table.sigma), table.sigma)
            known = StepTop(seen, high[j], 25.0 * trust)
            # A comparison, not a constant, for which Numba would compile the function once more.
            free = table.sigma <= 0.0
            fit = fit_step(normals.values[j], window, known, (inner[j], outer[j]), free)
            s0, h, ok = fit.place, fit.height, fit.held
        # Where the model does not hold, as beside a clipped inner side, the steepest place does.
        held[j] = ok and h > 0.0
        place[j] = s0 if held[j] else start
    return place, held


@njit(cache=True, nogil=True)
def _leave_out_strays(place: NDArray[np.float64], good: NDArray[np.bool_], most: float) -> int:
    """Unmark places further than `most` px off their neighbours': a particle, a speck or a ripple, not the edge.

    Returns how many are left.
    """
    n = place.size
    window = np.empty(7)
    found = 0
    for j in range(n):
        if not good[j]:
            continue
        m = 0
        near = True
        for t in range(-3, 4):
            i = around(j + t, n)
            if good[i]:
                window[m] = place[i]
                m += 1
                near = near and abs(place[i] - place[j]) <= most
        # Near all of them is near their median.
        if near or abs(place[j] - median_of(window, m)) <= most:
            found += 1
        else:
            good[j] = False
    return found


@njit(cache=True, nogil=True)
def _fill_in(place: NDArray[np.float64], good: NDArray[np.bool_]) -> None:
    """Places that are no good from the good ones on either side, straight between them."""
    n = place.size
    for j in range(n):
        if good[j]:
            continue
        a = 1
        while not good[around(j - a, n)]:
            a += 1
        b = 1
        while not good[around(j + b, n)]:
            b += 1
        place[j] = (b * place[around(j - a, n)] + a * place[around(j + b, n)]) / (a + b)
