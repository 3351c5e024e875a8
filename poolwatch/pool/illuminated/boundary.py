"""Where the unexplained region ends: a chain of places around the pool, each on its normal, found together.

Along a normal the difference to rigid motion is noise outside the pool and something large inside, with the
camera's blur between. For each place s0 the profile r(s), in units of its noise, costs

    outside (s > s0 + 2 b):    r² / 2, at most a cap, so that a particle cannot pull;
    at the edge:               the least of (r - C(z) (p + q (s - s0)))² / 2 (1 + (m C(z))²),  z = (s - s0) / b,
    deeper inside:             the cost of a sample of which nothing is known but that it is liquid,

with C the upper tail of the normal distribution, b the spread of the edge and m what the straight line leaves
over. So the edge is where the difference would reach half of what it is inside, which blur does not move. Costs
along the chain are joined with the cost of steps between neighbours, and the mean of each place's probability is
taken (forward and backward sums, Rabiner 1989, doi:10.1109/5.18626): that gives fractions of a pixel, an
uncertainty, and a bridge over places where the liquid happens to look like the metal.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..edge import _DENSITY, _LIMIT, _PER_UNIT, _TAIL, normals_curvature, resample

# Depth of the edge zone inside the step, px beyond the blur.
_DEPTH = 3.0
# Cost of a sample outside is capped here; that of a liquid sample of which nothing is known.
_CAP = 9.0
_LIQUID = 2.5
# Share of the difference that the straight line leaves over.
_MISFIT = 0.2
# Neighbouring samples share pixels and waves: this share of their evidence is new.
_NEW = 0.5

Places = NDArray[np.float64]


@njit(cache=True, nogil=True)
def sampled(
    field: NDArray[np.float32], x: Places, y: Places, nx: Places, ny: Places, reach: int
) -> NDArray[np.float64]:
    """Field along each normal from `-reach` (inside) to `+reach` in steps of 1 px, bilinear; 0 off the field."""
    h, w = field.shape
    n = x.size
    out = np.zeros((n, 2 * reach + 1))
    for j in range(n):
        for k in range(2 * reach + 1):
            px = x[j] + (k - reach) * nx[j]
            py = y[j] + (k - reach) * ny[j]
            if px < 0.0 or py < 0.0 or px >= w - 1.0 or py >= h - 1.0:
                continue
            ix = int(px)
            iy = int(py)
            fx = px - ix
            fy = py - iy
            out[j, k] = (1.0 - fy) * ((1.0 - fx) * field[iy, ix] + fx * field[iy, ix + 1]) + fy * (
                (1.0 - fx) * field[iy + 1, ix] + fx * field[iy + 1, ix + 1]
            )
    return out


@njit(cache=True, nogil=True)
def costs(
    profile: NDArray[np.float64], reach: int, search: float, step: float, sigma: float
) -> NDArray[np.float64]:
    """Cost of each place -search … search (in steps) on each normal, shape (n, places)."""
    n, m = profile.shape
    places = int(round(2 * search / step)) + 1
    out = np.empty((n, places))
    rim = 2.0 * sigma
    for j in range(n):
        for c in range(places):
            s0 = -search + c * step
            low = int(math.ceil(s0 - rim - _DEPTH))
            high = int(math.floor(s0 + rim))
            total = _LIQUID * (low + reach)
            a = 0.0
            b = 0.0
            d = 0.0
            u = 0.0
            v = 0.0
            q = 0.0
            strength = 0.0
            for s in range(low, high + 1):
                strength = max(strength, abs(profile[j, s + reach]))
            soft = _MISFIT * strength
            for s in range(low, high + 1):
                r = profile[j, s + reach]
                z = (s - s0) / sigma
                t = (min(max(z, -_LIMIT), _LIMIT) + _LIMIT) * _PER_UNIT
                i = int(t)
                t -= i
                tail = _TAIL[i] + t * (_TAIL[i + 1] - _TAIL[i])
                weight = 1.0 / (1.0 + soft * soft * tail * tail)
                f = tail
                g = tail * (s - s0)
                a += weight * f * f
                b += weight * f * g
                d += weight * g * g
                u += weight * f * r
                v += weight * g * r
                q += weight * r * r - math.log(weight)
            # The slope is held: the difference does not double within the zone.
            d += 0.25 * a * _DEPTH * _DEPTH + 1e-9
            a += 1e-9
            det = a * d - b * b
            if det > 0.0:
                q -= (u * (u * d - v * b) + v * (v * a - u * b)) / det
            total += 0.5 * max(q, 0.0)
            for s in range(high + 1, reach + 1):
                r = profile[j, s + reach]
                total += min(0.5 * r * r, _CAP)
            out[j, c] = total
    return out


@njit(cache=True, nogil=True)
def chain(cost: NDArray[np.float64], stiff: float) -> tuple[Places, Places]:
    """Mean and standard deviation of each place, in steps, of a closed chain.

    Parameters
    ----------
    cost
        Negative log-likelihood of each place, shape (n, places).
    stiff
        Standard deviation of a step between neighbours, in places.
    """
    n, m = cost.shape
    width = min(int(math.ceil(3.0 * stiff)) + 1, m - 1)
    hop = np.empty(2 * width + 1)
    for k in range(-width, width + 1):
        # Heavier than a Gaussian, so that the chain may step where the evidence is clear.
        hop[k + width] = math.exp(-0.5 * (k / stiff) ** 2) + 1e-4
    like = np.empty((n, m))
    for j in range(n):
        least = cost[j].min()
        for c in range(m):
            like[j, c] = math.exp(-_NEW * (cost[j, c] - least)) + 1e-12
    ahead = np.empty((n, m))
    back = np.empty((n, m))
    now = np.full(m, 1.0 / m)
    # Twice round: the first lap forgets where it began.
    for turn in range(2 * n):
        j = turn % n
        ahead[j] = now
        total = 0.0
        seen = now * like[j]
        for c in range(m):
            s = 0.0
            for k in range(max(-width, -c), min(width, m - 1 - c) + 1):
                s += hop[k + width] * seen[c + k]
            now[c] = s
            total += s
        now /= total
    now[:] = 1.0 / m
    for turn in range(2 * n):
        j = n - 1 - turn % n
        back[j] = now
        total = 0.0
        seen = now * like[j]
        for c in range(m):
            s = 0.0
            for k in range(max(-width, -c), min(width, m - 1 - c) + 1):
                s += hop[k + width] * seen[c + k]
            now[c] = s
            total += s
        now /= total
    mean = np.empty(n)
    spread = np.empty(n)
    for j in range(n):
        total = 0.0
        first = 0.0
        second = 0.0
        for c in range(m):
            p = ahead[j, c] * back[j, c] * like[j, c]
            total += p
            first += p * c
            second += p * c * c
        mean[j] = first / total
        spread[j] = math.sqrt(max(second / total - mean[j] ** 2, 0.0))
    return mean, spread


@njit(cache=True, nogil=True)
def bound(
    field: NDArray[np.float32],
    cx: Places,
    cy: Places,
    n: int,
    search: float,
    sigma: float,
) -> tuple[Places, Places, Places]:
    """Move a coarse contour onto the end of the unexplained region.

    Parameters
    ----------
    field
        Difference to rigid motion in units of its noise, shape (h, w).
    cx, cy
        Coarse closed contour, px.
    n
        Vertices wanted.
    search
        How far from the contour to look, px.
    sigma
        Spread of the edge, px.

    Returns
    -------
    tuple
        Vertices x and y and the standard deviation of each along its normal, px.
    """
    x, y = resample(cx, cy, n)
    spread = np.zeros(n)
    for turn in range(2):
        reach_of = search if turn == 0 else 2.5
        step = 1.0 if turn == 0 else 0.25
        spacing = _spacing(x, y)
        smoothing = (4.0 if turn == 0 else 1.5) / spacing
        x, y, nx, ny, _ = normals_curvature(x, y, max(smoothing, 0.5))
        reach = int(math.ceil(reach_of + 2.0 * sigma + _DEPTH)) + 2
        profile = sampled(field, x, y, nx, ny, reach)
        cost = costs(profile, reach, reach_of, step, sigma)
        # Neighbours part by a third of their distance, before smoothness the normals already took.
        mean, deviation = chain(cost, max(0.35 * spacing / step, 0.5))
        place = mean * step - reach_of
        spread = deviation * step
        x = x + place * nx
        y = y + place * ny
        x, y = _even(x, y, n)
    return x, y, spread


@njit(cache=True, nogil=True)
def _even(x: Places, y: Places, n: int) -> tuple[Places, Places]:
    return resample(x, y, n)


@njit(cache=True, nogil=True)
def _spacing(x: Places, y: Places) -> float:
    n = x.size
    total = 0.0
    for j in range(n):
        i = (j + 1) % n
        total += math.hypot(x[i] - x[j], y[i] - y[j])
    return total / n
