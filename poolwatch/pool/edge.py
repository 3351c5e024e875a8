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

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .curve import Vertices, normals_curvature, resample, resample_to_bends, smooth_closed, spacing_of
from .facts import OutlineFacts
from .look import _CLIPPING
from .matching import StepTable, match_place, match_slopes, samples_around, step_half
from .profiles import around, median_of, profiles, steepest
from .step import fit_step

# How well a clip's usual height of the step is known for a part of one outline, relative; for a vertex the height of
# its neighbourhood is known five times better.
_HEIGHT_U = 0.25
# A vertex nearer to the border than this, in spreads of the edge and in px, is not seen whole: what is missing of the
# foot moves it inwards, by a twentieth of a spread where it is as near, by half a spread at 0.4.
_FOOT = 1.5
_LEAST_PX = 0.75


@njit(cache=True, nogil=True)
def _slopes(
    profile: NDArray[np.float64],
    top: NDArray[np.float64],
    reach: int,
    table: StepTable,
    half: float,
    seen: NDArray[np.int64],
    height: float,
    trust: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Slopes on either side of the edge, and the height of the step, at each vertex (a row of `profile`).

    They change slowly along the outline: fitted to means over seven neighbouring profiles, and smoothed, they cost
    the place of the single vertex little of its precision.
    """
    n, m = profile.shape
    every = 4
    count = n // every
    inner = np.zeros(count)
    outer = np.zeros(count)
    tall = np.full(count, height)
    held = np.zeros(count, dtype=np.bool_)
    mean, room = np.empty(m), np.empty((7, 5))
    # True at run time only: Numba would compile `fit_step` once more for the constant.
    free = table.sigma > 0.0
    for k in range(count):
        j = k * every
        first = seen[j]
        for t in range(-3, 4):
            i = around(j + t, n)
            if seen[i] > 0:
                first = max(first, seen[i] - int(round(top[i] - top[j])))
        low, high, whole = samples_around(top[j], reach, table.half)
        clear = whole and first <= low
        if not clear:
            low, high = 0, m - 1
        mean[:] = 0.0
        for t in range(-3, 4):
            i = around(j + t, n)
            shift = int(round(top[i] - top[j]))
            if low + shift >= 0 and high + shift < m:
                there, sums = profile[i, low + shift : high + shift + 1], mean[low : high + 1]
                for q in range(sums.size):
                    sums[q] += there[q]
                continue
            for q in range(low, high + 1):
                mean[q] += profile[i, min(max(q + shift, 0), m - 1)]
        for q in range(m):
            mean[q] /= 7.0
        if clear:
            tall[k], held[k], inner[k], outer[k] = match_slopes(mean, top[j], reach, table, room)
        else:
            _, tall[k], _, held[k], inner[k], outer[k] = fit_step(
                mean, float(top[j]), reach, table.sigma, half, first, height, trust, 0.0, 0.0, free
            )
    sure = 0
    known_inner, known_outer = np.zeros(count), np.zeros(count)
    for k in range(count):
        if held[k]:
            known_inner[sure], known_outer[sure] = inner[k], outer[k]
            sure += 1
    middle_inner, middle_outer = 0.0, 0.0
    if sure > 0:
        middle_inner, middle_outer = median_of(known_inner, sure), median_of(known_outer, sure)
    for k in range(count):
        if not held[k]:
            inner[k] = middle_inner
            outer[k] = middle_outer
            tall[k] = height
    tall = smooth_closed(tall, 3.0)
    inner = smooth_closed(inner, 1.5)
    outer = smooth_closed(outer, 1.5)
    all_inner = np.empty(n)
    all_outer = np.empty(n)
    all_tall = np.empty(n)
    for j in range(n):
        place = j / every
        k = int(place)
        part = place - k
        a = around(k, count)
        b = around(k + 1, count)
        all_inner[j] = inner[a] + part * (inner[b] - inner[a])
        all_outer[j] = outer[a] + part * (outer[b] - outer[a])
        all_tall[j] = tall[a] + part * (tall[b] - tall[a])
    return all_inner, all_outer, all_tall


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
    n, tables = facts.vertices, facts.tables
    clipping = _CLIPPING * facts.full_scale
    if not _reaches(frame, clipping):
        clipping = np.inf
    for turn in range(2):
        fine = turn > 0
        x, y, found, tall = _pass(
            frame, x, y, n, 2 if fine else facts.reach, tables, clipping, facts.step, facts.noise,
            0.7 if fine else 2.0, fine,
        )  # fmt: skip
        if found < n // 3:
            return x, y, found, _beside(x, y, frame.shape, tables[0].sigma), tall
    spacing = spacing_of(x, y)
    sigma = tables[0].sigma
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
    n: int,
    reach: int,
    tables: tuple[StepTable, StepTable],
    clipping: float,
    height: float,
    noise: float,
    smoothing: float,
    fine: bool,
) -> tuple[Vertices, Vertices, int, NDArray[np.float64]]:
    """One pass: the contour smoothed by `smoothing` vertices, each vertex moved along its normal to the step.

    A fine pass has its vertices closer where the outline bends, and fits the model of the step; a coarse one takes the
    top of the filter's response.
    """
    x, y = resample_to_bends(cx, cy, n) if fine else resample(cx, cy, n)
    x, y, nx, ny, _ = normals_curvature(x, y, smoothing)
    sigma = tables[0].sigma
    # The model reaches further out than the filter.
    edge = int(math.ceil(2.5 * sigma + 3.5)) if fine else 0
    wide = reach + edge
    across, seen = profiles(frame, x, y, nx, ny, wide, clipping)
    _, size, top = steepest(across[edge : edge + 2 * reach + 1], reach, max(sigma, 1.0))
    # Every fourth vertex is enough for a middle.
    some = size[::4].copy()
    typical = median_of(some, some.size)
    tall = np.ones(n)
    for j in range(n):
        # A step that the sensor cuts off tells nothing.
        if seen[j] == 0:
            tall[j] = size[j] / max(typical, 1e-9)
    place = np.empty(n)
    good = np.zeros(n, dtype=np.bool_)
    if fine:
        profile = across.T.copy()
        half = step_half(sigma)
        trust = (noise / (_HEIGHT_U * height)) ** 2
        inner, outer, high = _slopes(profile, top, wide, tables[1], half + 1.0, seen, height, trust)
        for j in range(n):
            low, _, whole = samples_around(top[j], wide, tables[0].half)
            if whole and seen[j] <= low:
                s0, h, ok = match_place(profile[j], top[j], wide, tables[0], inner[j], outer[j])
            else:
                # A comparison, not a constant, for which Numba would compile the function once more.
                s0, h, _, ok, _, _ = fit_step(
                    profile[j], float(top[j]), wide, sigma, half, seen[j], high[j], 25.0 * trust, inner[j], outer[j],
                    sigma <= 0.0,
                )  # fmt: skip
            # Where the model does not hold, as beside a clipped inner side, the steepest place does.
            place[j] = s0 if ok and h > 0.0 else top[j]
            good[j] = size[j] > (0.08 if ok and h > 0.0 else 0.25) * typical
    else:
        for j in range(n):
            place[j] = top[j]
            good[j] = size[j] > 0.08 * typical
    # A place far off its neighbours' is a particle, a speck or a ripple, not the edge.
    window = np.empty(7)
    found = 0
    most = max(1.0, 1.2 * sigma)
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
    if found < n // 3:
        return x, y, found, tall
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
    # Smoothing over a pixel or two along the edge: neighbours share pixels, so nothing finer is known.
    place = smooth_closed(place, 1.0)
    return x + place * nx, y + place * ny, found, tall
