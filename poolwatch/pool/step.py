"""One profile across the edge: the model of the blurred step, fitted (see `poolwatch.pool.edge`)."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Upper tail and density of the normal distribution at steps of 1/128 out to 7: linear interpolation errs by < 4e-6.
_PER_UNIT = 128
_LIMIT = 7.0
_Z = np.arange(-_LIMIT * _PER_UNIT, _LIMIT * _PER_UNIT + 2) / _PER_UNIT
_TAIL = np.array([0.5 * math.erfc(z / math.sqrt(2.0)) for z in _Z])
_DENSITY = np.exp(-0.5 * _Z**2) / math.sqrt(2.0 * math.pi)


@njit(cache=True, nogil=True)
def solve(a: NDArray[np.float64], x: NDArray[np.float64], size: int) -> bool:
    """Solve symmetric positive equations by elimination (LDLᵀ), `a` and the right side `x` in place.

    Only the lower triangle of `a` is read; False where it is not positive.
    """
    for j in range(size):
        top = a[j, j]
        for k in range(j):
            top -= a[j, k] * a[j, k] * a[k, k]
        # What is left of a square after all else explains it: nothing, where two slopes are one.
        if top <= 1e-11 * a[j, j] or top < 1e-12:
            return False
        a[j, j] = top
        for i in range(j + 1, size):
            below = a[i, j]
            for k in range(j):
                below -= a[i, k] * a[j, k] * a[k, k]
            a[i, j] = below / top
    for i in range(1, size):
        for k in range(i):
            x[i] -= a[i, k] * x[k]
    for i in range(size):
        x[i] /= a[i, i]
    for i in range(size - 1, -1, -1):
        for k in range(i + 1, size):
            x[i] -= a[k, i] * x[k]
    return True


@njit(cache=True, nogil=True)
def fit_step(
    profile: NDArray[np.float64],
    start: float,
    reach: int,
    sigma: float,
    half: float,
    seen: int,
    height: float,
    trust: float,
    inner_slope: float,
    outer_slope: float,
    free: bool,
) -> tuple[float, float, float, bool, float, float]:
    """Fit the blurred step to one profile, whose inner part may be clipped.

    A clipped sample is a lower limit: it enters only while the model lies below it. The step's height is then
    seen through its foot alone, and is drawn towards what is known of it from elsewhere.

    Parameters
    ----------
    profile
        Grey values at offsets -reach … reach, px.
    start
        First guess of the place, px.
    reach
        Offset of the last sample, px.
    sigma
        Spread of the step, px.
    half
        Samples within this distance of `start` enter, px.
    seen
        Index of the first sample from inside with nothing clipped in it or beyond it; 0: nothing is clipped.
    height
        Height to expect where it is not seen, grey values.
    trust
        Weight of that expectation against the square of a residual, 1 / grey value² apart from noise²:
        (noise / uncertainty of the height)².
    inner_slope, outer_slope
        Slopes of the brightness on either side, grey values per px.
    free
        Whether the slopes are fitted as well, from those given.

    Returns
    -------
    tuple
        Place (px), height (grey values), mean square residual, whether the fit held, inner and outer slope.
    """
    low = max(int(math.floor(start - half)) + reach, 0)
    high = min(int(math.ceil(start + half)) + reach, 2 * reach)
    o = min(profile[high], profile[max(high - 1, 0)])
    h = max(profile[low], profile[min(low + 1, 2 * reach)]) - o
    g = inner_slope
    f = outer_slope
    if h <= 0:
        return start, 0.0, 0.0, False, g, f
    blind = seen > low
    if blind:
        h = max(height, h)
        if high - max(seen, low) < 2:
            return start, h, 0.0, False, g, f
    size = 3
    if free:
        # The slope inside is unseen as well.
        size = 4 if blind else 5
    s0 = start
    sse = 0.0
    used = 0
    move = 0.0
    a = np.empty((5, 5))
    x = np.empty(5)
    narrow = 1.0 / sigma
    for _ in range(40 if blind else 6):
        sse = 0.0
        used = 0
        sc = sm = su = sv = scc = scm = scu = scv = smm = smu = smv = suu = suv = svv = 0.0
        sr = scr = smr = sur = svr = 0.0
        for k in range(low, high + 1):
            s = k - reach - s0
            t = (min(max(s * narrow, -_LIMIT), _LIMIT) + _LIMIT) * _PER_UNIT
            i = int(t)
            t -= i
            c = _TAIL[i] + t * (_TAIL[i + 1] - _TAIL[i])
            d = _DENSITY[i] + t * (_DENSITY[i + 1] - _DENSITY[i])
            v = s * c - sigma * d
            u = s - v
            r = profile[k] - (o + h * c + g * v + f * u)
            if k < seen and r <= 0.0:
                continue
            m = h * d * narrow - g * c - f * (1.0 - c)
            used += 1
            sse += r * r
            sc, sm, su, sv = sc + c, sm + m, su + u, sv + v
            scc, scm, scu, scv = scc + c * c, scm + c * m, scu + c * u, scv + c * v
            smm, smu, smv = smm + m * m, smu + m * u, smv + m * v
            suu, suv, svv = suu + u * u, suv + u * v, svv + v * v
            sr, scr, smr, sur, svr = sr + r, scr + c * r, smr + m * r, sur + u * r, svr + v * r
        # Level, height, place, outer and inner slope.
        a[0, 0], x[0] = used, sr
        a[1, 0], a[1, 1], x[1] = sc, scc, scr
        a[2, 0], a[2, 1], a[2, 2], x[2] = sm, scm, smm, smr
        a[3, 0], a[3, 1], a[3, 2], a[3, 3], x[3] = su, scu, smu, suu, sur
        a[4, 0], a[4, 1], a[4, 2], a[4, 3], a[4, 4], x[4] = sv, scv, smv, suv, svv, svr
        if blind:
            a[1, 1] += trust
            x[1] += trust * (height - h)
        if not solve(a, x, size):
            return start, h, 0.0, False, g, f
        move = x[2]
        part = 1.0
        if blind:
            # Place and unseen height are bound by a curved valley: it is followed in short steps.
            part = 1.0 / max(1.0, abs(move) / 0.3, abs(x[1]) / (0.4 * h))
        move *= part
        o += part * x[0]
        h += part * x[1]
        if size > 3:
            f += part * x[3]
        if size > 4:
            g += part * x[4]
        move = min(max(move, -0.7), 0.7)
        s0 += move
        if abs(s0 - start) > 2.5 or h <= 0.0:
            return start, max(h, 0.0), 0.0, False, g, f
        # Where the inside is cut off the steps shrink slowly, and what is still to come is many times the last one.
        if abs(move) < (3e-3 if blind else 1e-2):
            break
    return s0, h, sse / max(used, 1), abs(move) < 0.02, g, f
