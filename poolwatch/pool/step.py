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
def _solve(a: NDArray[np.float64], size: int) -> bool:
    for col in range(size):
        pivot = col
        for row in range(col + 1, size):
            if abs(a[row, col]) > abs(a[pivot, col]):
                pivot = row
        if abs(a[pivot, col]) < 1e-12:
            return False
        if pivot != col:
            for c in range(size + 1):
                swap = a[col, c]
                a[col, c] = a[pivot, c]
                a[pivot, c] = swap
        for row in range(size):
            if row != col:
                f = a[row, col] / a[col, col]
                if f != 0.0:
                    for c in range(col, size + 1):
                        a[row, c] -= f * a[col, c]
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
    a = np.zeros((5, 6))
    row = np.empty(5)
    for _ in range(40 if blind else 6):
        a[:, :] = 0.0
        sse = 0.0
        used = 0
        for k in range(low, high + 1):
            s = k - reach - s0
            z = s / sigma
            t = (min(max(z, -_LIMIT), _LIMIT) + _LIMIT) * _PER_UNIT
            i = int(t)
            t -= i
            c = _TAIL[i] + t * (_TAIL[i + 1] - _TAIL[i])
            d = _DENSITY[i] + t * (_DENSITY[i + 1] - _DENSITY[i])
            ramp = s * c - sigma * d
            r = profile[k] - (o + h * c + g * ramp + f * (s - ramp))
            if k < seen and r <= 0.0:
                continue
            sse += r * r
            used += 1
            row[0] = 1.0
            row[1] = c
            row[2] = h * d / sigma - g * c - f * (1.0 - c)
            row[3] = s - ramp
            row[4] = ramp
            for p in range(size):
                for q in range(p, size):
                    a[p, q] += row[p] * row[q]
                a[p, size] += row[p] * r
        for p in range(size):
            for q in range(p):
                a[p, q] = a[q, p]
        if blind:
            a[1, 1] += trust
            a[1, size] += trust * (height - h)
        if not _solve(a, size):
            return start, h, 0.0, False, g, f
        move = a[2, size] / a[2, 2]
        rise = a[1, size] / a[1, 1]
        part = 1.0
        if blind:
            # Place and unseen height are bound by a curved valley: it is followed in short steps.
            part = 1.0 / max(1.0, abs(move) / 0.3, abs(rise) / (0.4 * h))
        move *= part
        o += part * a[0, size] / a[0, 0]
        h += part * rise
        if size > 3:
            f += part * a[3, size] / a[3, 3]
        if size > 4:
            g += part * a[4, size] / a[4, 4]
        move = min(max(move, -0.7), 0.7)
        s0 += move
        if abs(s0 - start) > 2.5 or h <= 0.0:
            return start, max(h, 0.0), 0.0, False, g, f
        if abs(move) < 3e-3:
            break
    return s0, h, sse / max(used, 1), abs(move) < 0.02, g, f


@njit(cache=True, nogil=True)
def fit_place(
    profile: NDArray[np.float64],
    start: float,
    reach: int,
    sigma: float,
    half: float,
    seen: int,
    height: float,
    trust: float,
    g: float,
    f: float,
) -> tuple[float, float, bool]:
    """`fit_step` with both slopes known, written out for where nothing is clipped: it runs for every vertex.

    Returns place, height and whether the fit held.
    """
    low = max(int(math.floor(start - half)) + reach, 0)
    high = min(int(math.ceil(start + half)) + reach, 2 * reach)
    if seen > low:
        # A comparison, not a constant, for which Numba would compile the function once more.
        s0, h, _, ok, _, _ = fit_step(
            profile, start, reach, sigma, half, seen, height, trust, g, f, sigma <= 0.0
        )
        return s0, h, ok
    o = min(profile[high], profile[max(high - 1, 0)])
    h = max(profile[low], profile[min(low + 1, 2 * reach)]) - o
    if h <= 0.0:
        return start, 0.0, False
    s0 = start
    move = 1.0
    n = float(high - low + 1)
    for _ in range(6):
        sc = scc = sm = smm = scm = sr = scr = smr = 0.0
        for k in range(low, high + 1):
            s = k - reach - s0
            t = (min(max(s / sigma, -_LIMIT), _LIMIT) + _LIMIT) * _PER_UNIT
            i = int(t)
            t -= i
            c = _TAIL[i] + t * (_TAIL[i + 1] - _TAIL[i])
            d = _DENSITY[i] + t * (_DENSITY[i + 1] - _DENSITY[i])
            ramp = s * c - sigma * d
            r = profile[k] - (o + h * c + g * ramp + f * (s - ramp))
            m = h * d / sigma - g * c - f * (1.0 - c)
            sc += c
            scc += c * c
            sm += m
            smm += m * m
            scm += c * m
            sr += r
            scr += c * r
            smr += m * r
        # Three normal equations, the level eliminated first.
        acc = scc - sc * sc / n
        acm = scm - sc * sm / n
        amm = smm - sm * sm / n
        bc = scr - sc * sr / n
        bm = smr - sm * sr / n
        det = acc * amm - acm * acm
        if det <= 1e-12 * acc * amm or acc <= 0.0:
            return start, h, False
        dh = (bc * amm - bm * acm) / det
        move = (bm * acc - bc * acm) / det
        o += (sr - sc * dh - sm * move) / n
        h += dh
        move = min(max(move, -0.7), 0.7)
        s0 += move
        if abs(s0 - start) > 2.5 or h <= 0.0:
            return start, max(h, 0.0), False
        if abs(move) < 3e-3:
            break
    return s0, h, abs(move) < 0.02
