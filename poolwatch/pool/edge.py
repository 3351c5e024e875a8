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

Vertices = NDArray[np.float64]

# Upper tail and density of the normal distribution at steps of 1/128 out to 7: linear interpolation errs by < 4e-6.
_PER_UNIT = 128
_LIMIT = 7.0
_Z = np.arange(-_LIMIT * _PER_UNIT, _LIMIT * _PER_UNIT + 2) / _PER_UNIT
_TAIL = np.array([0.5 * math.erfc(z / math.sqrt(2.0)) for z in _Z])
_DENSITY = np.exp(-0.5 * _Z**2) / math.sqrt(2.0 * math.pi)


@njit(cache=True, nogil=True)
def resample(cx: NDArray[np.float64], cy: NDArray[np.float64], n: int) -> tuple[Vertices, Vertices]:
    """Spread `n` vertices evenly along a closed polyline."""
    m = cx.size
    length = np.empty(m + 1)
    length[0] = 0.0
    for i in range(m):
        j = i + 1 if i + 1 < m else 0
        length[i + 1] = length[i] + math.hypot(cx[j] - cx[i], cy[j] - cy[i])
    total = length[m]
    x = np.empty(n)
    y = np.empty(n)
    i = 0
    for k in range(n):
        s = total * k / n
        while i < m - 1 and length[i + 1] < s:
            i += 1
        j = i + 1 if i + 1 < m else 0
        span = length[i + 1] - length[i]
        t = (s - length[i]) / span if span > 0 else 0.0
        x[k] = cx[i] + t * (cx[j] - cx[i])
        y[k] = cy[i] + t * (cy[j] - cy[i])
    return x, y


@njit(cache=True, nogil=True)
def smooth_closed(v: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
    """Gaussian smoothing along a closed sequence; `sigma` in samples."""
    n = v.size
    r = min(int(math.ceil(3.0 * sigma)), n // 2)
    w = np.empty(r + 1)
    total = 0.0
    for k in range(r + 1):
        w[k] = math.exp(-0.5 * (k / sigma) ** 2)
        total += w[k] if k == 0 else 2.0 * w[k]
    out = np.empty(n)
    for i in range(n):
        s = w[0] * v[i]
        for k in range(1, r + 1):
            s += w[k] * (v[(i + k) % n] + v[(i - k) % n])
        out[i] = s / total
    return out


@njit(cache=True, nogil=True)
def normals_curvature(
    x: Vertices, y: Vertices, sigma: float
) -> tuple[Vertices, Vertices, Vertices, Vertices, Vertices]:
    """Smoothed vertices, outward unit normals and curvature (1/px, positive where convex) of a closed outline."""
    n = x.size
    sx = smooth_closed(x, sigma)
    sy = smooth_closed(y, sigma)
    turn = 0.0
    for i in range(n):
        j = (i + 1) % n
        turn += sx[i] * sy[j] - sx[j] * sy[i]
    sign = 1.0 if turn > 0 else -1.0
    nx = np.empty(n)
    ny = np.empty(n)
    curvature = np.empty(n)
    for i in range(n):
        a = (i - 1) % n
        b = (i + 1) % n
        dx = 0.5 * (sx[b] - sx[a])
        dy = 0.5 * (sy[b] - sy[a])
        ddx = sx[b] - 2.0 * sx[i] + sx[a]
        ddy = sy[b] - 2.0 * sy[i] + sy[a]
        d = math.hypot(dx, dy)
        if d < 1e-9:
            nx[i] = 0.0
            ny[i] = 0.0
            curvature[i] = 0.0
            continue
        nx[i] = sign * dy / d
        ny[i] = -sign * dx / d
        curvature[i] = sign * (dx * ddy - dy * ddx) / (d * d * d)
    return sx, sy, nx, ny, curvature


@njit(cache=True, nogil=True)
def profiles(
    frame: NDArray[np.generic], x: Vertices, y: Vertices, nx: Vertices, ny: Vertices, reach: int
) -> tuple[NDArray[np.float64], int]:
    """Grey values along each normal from `-reach` (inside) to `+reach` (outside) in steps of 1 px, bilinear.

    Samples outside the picture repeat the border; the second result counts vertices that are themselves
    outside or on the border.
    """
    h, w = frame.shape
    n = x.size
    out = np.empty((n, 2 * reach + 1))
    outside = 0
    for j in range(n):
        if x[j] < 0.75 or y[j] < 0.75 or x[j] > w - 1.75 or y[j] > h - 1.75:
            outside += 1
        for k in range(2 * reach + 1):
            px = x[j] + (k - reach) * nx[j]
            py = y[j] + (k - reach) * ny[j]
            px = min(max(px, 0.0), w - 1.001)
            py = min(max(py, 0.0), h - 1.001)
            ix = int(px)
            iy = int(py)
            fx = px - ix
            fy = py - iy
            top = (1.0 - fx) * frame[iy, ix] + fx * frame[iy, ix + 1]
            low = (1.0 - fx) * frame[iy + 1, ix] + fx * frame[iy + 1, ix + 1]
            out[j, k] = (1.0 - fy) * top + fy * low
    return out, outside


@njit(cache=True, nogil=True)
def steepest(
    profile: NDArray[np.float64], reach: int, sigma: float
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Steepest fall along each profile near the coarse outline: offset (px, whole), size, offset with fraction.

    A derivative-of-Gaussian filter finds it on profiles averaged over neighbouring normals; a place at odds
    with its neighbours is looked for again near their median.
    """
    n, m = profile.shape
    r = max(int(math.ceil(2.0 * sigma)), 2)
    weight = np.empty(2 * r + 1)
    norm = 0.0
    for t in range(-r, r + 1):
        weight[t + r] = t * math.exp(-0.5 * (t / sigma) ** 2)
        if t > 0:
            norm += weight[t + r]
    for t in range(2 * r + 1):
        weight[t] /= norm
    response = np.zeros((n, m))
    for j in range(n):
        a = (j - 1) % n
        b = (j + 1) % n
        for k in range(m):
            g = 0.0
            for t in range(-r, r + 1):
                kk = min(max(k + t, 0), m - 1)
                g -= weight[t + r] * (0.25 * profile[a, kk] + 0.5 * profile[j, kk] + 0.25 * profile[b, kk])
            response[j, k] = g
    prior = np.empty(m)
    for k in range(m):
        prior[k] = math.exp(-0.5 * ((k - reach) / (0.6 * reach)) ** 2)
    best = np.empty(n, dtype=np.int64)
    size = np.empty(n)
    exact = np.empty(n)
    for j in range(n):
        top = 1
        for k in range(1, m - 1):
            if response[j, k] * prior[k] > response[j, top] * prior[top]:
                top = k
        best[j] = top
    first = best.copy()
    window = np.empty(11, dtype=np.int64)
    for j in range(n):
        for t in range(-5, 6):
            window[t + 5] = first[(j + t) % n]
        middle = int(np.sort(window)[5])
        if abs(first[j] - middle) > 2:
            top = middle
            for k in range(max(middle - 2, 1), min(middle + 3, m - 1)):
                if response[j, k] > response[j, top]:
                    top = k
            best[j] = top
        k = best[j]
        size[j] = response[j, k]
        exact[j] = k - reach
        if 0 < k < m - 1:
            bend = response[j, k - 1] - 2.0 * response[j, k] + response[j, k + 1]
            if bend < 0.0:
                shift = 0.5 * (response[j, k - 1] - response[j, k + 1]) / bend
                exact[j] += min(max(shift, -0.5), 0.5)
    return best - reach, size, exact


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
    full_scale: float,
    inner_slope: float,
    outer_slope: float,
    free: bool,
) -> tuple[float, float, float, bool, float, float]:
    """Fit the blurred step to one profile.

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
    full_scale
        Grey value at which the sensor clips.
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
    clipped = 0
    for k in range(low, high + 1):
        if profile[k] >= 0.995 * full_scale:
            clipped += 1
    o = min(profile[high], profile[max(high - 1, 0)])
    h = max(profile[low], profile[min(low + 1, 2 * reach)]) - o
    g = inner_slope
    f = outer_slope
    if h <= 0:
        return start, 0.0, 0.0, False, g, f
    # With the inner side clipped its slope cannot be seen, nor its height but through the foot of the step.
    blind = clipped >= 2
    size = 3
    if free:
        size = 4 if blind else 5
    if blind:
        g = 0.0
    s0 = start
    sse = 0.0
    used = 0
    move = 0.0
    a = np.zeros((5, 6))
    row = np.empty(5)
    for _ in range(15 if blind else 6):
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
            value = o + h * c + g * ramp + f * (s - ramp)
            if value >= full_scale:
                continue
            r = profile[k] - value
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
            # Weak pull of the unseen height towards twice the visible one keeps the foot's fit bounded.
            weight = 0.02
            a[1, 1] += weight
            a[1, size] += weight * (2.0 * (full_scale - o) - h)
        if not _solve(a, size):
            return start, h, 0.0, False, g, f
        move = min(max(a[2, size] / a[2, 2], -0.7), 0.7)
        o += a[0, size] / a[0, 0]
        h += a[1, size] / a[1, 1]
        if size > 3:
            f += a[3, size] / a[3, 3]
        if size > 4:
            g += a[4, size] / a[4, 4]
        s0 += move
        if abs(s0 - start) > 2.5 or h <= 0.0:
            return start, max(h, 0.0), 0.0, False, g, f
        if abs(move) < 3e-3:
            break
    return s0, h, sse / max(used, 1), abs(move) < 0.02, g, f


@njit(cache=True, nogil=True)
def _slopes(
    profile: NDArray[np.float64],
    top: NDArray[np.float64],
    reach: int,
    sigma: float,
    half: float,
    full_scale: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Slopes on either side of the edge at each vertex.

    They change slowly along the outline: fitted to means over seven neighbouring profiles, and smoothed, they cost
    the place of the single vertex little of its precision.
    """
    n, m = profile.shape
    every = 4
    count = n // every
    inner = np.zeros(count)
    outer = np.zeros(count)
    held = np.zeros(count, dtype=np.bool_)
    mean = np.empty(m)
    for k in range(count):
        j = k * every
        mean[:] = 0.0
        for t in range(-3, 4):
            i = (j + t) % n
            shift = int(round(top[i] - top[j]))
            for q in range(m):
                mean[q] += profile[i, min(max(q + shift, 0), m - 1)]
        for q in range(m):
            mean[q] /= 7.0
        _, _, _, held[k], inner[k], outer[k] = fit_step(
            mean, top[j], reach, sigma, half, full_scale, 0.0, 0.0, True
        )
    middle_inner = np.median(inner[held]) if held.any() else 0.0
    middle_outer = np.median(outer[held]) if held.any() else 0.0
    for k in range(count):
        if not held[k]:
            inner[k] = middle_inner
            outer[k] = middle_outer
    inner = smooth_closed(inner, 1.5)
    outer = smooth_closed(outer, 1.5)
    all_inner = np.empty(n)
    all_outer = np.empty(n)
    for j in range(n):
        place = j / every
        k = int(place)
        t = place - k
        a = k % count
        b = (k + 1) % count
        all_inner[j] = inner[a] + t * (inner[b] - inner[a])
        all_outer[j] = outer[a] + t * (outer[b] - outer[a])
    return all_inner, all_outer


@njit(cache=True, nogil=True)
def refine(
    frame: NDArray[np.generic],
    cx: NDArray[np.float64],
    cy: NDArray[np.float64],
    n: int,
    reach: int,
    sigma: float,
    full_scale: float,
) -> tuple[Vertices, Vertices, NDArray[np.float64], NDArray[np.bool_], int]:
    """Move a coarse contour onto the steepest step.

    Parameters
    ----------
    frame
        Grey values, shape (h, w).
    cx, cy
        Coarse closed contour, px.
    n
        Vertices wanted.
    reach
        How far from the contour to look, px.
    sigma
        Spread of the edge, px.
    full_scale
        Grey value at which the sensor clips.

    Returns
    -------
    tuple
        Vertices x and y (px), the size of the step at each (grey values), which were found at their own
        place rather than taken from neighbours, and how many lie on the border of the picture.
    """
    # The second pass starts on the edge itself, so that it need not smooth the contour's pixel steps away and
    # follows pointed ends.
    x, y, size, good, outside, found = _pass(frame, cx, cy, n, reach, sigma, full_scale, 2.0, False)
    if found < n // 3:
        return x, y, size, good, outside
    x, y, size, good, outside, found = _pass(frame, x, y, n, 2, sigma, full_scale, 0.7, True)
    if found < n // 3:
        return x, y, size, good, outside
    spacing = 0.0
    for j in range(n):
        i = (j + 1) % n
        spacing += math.hypot(x[i] - x[j], y[i] - y[j])
    spacing /= n
    _, _, nx, ny, curvature = normals_curvature(x, y, max(1.5 / spacing, 1.0))
    for j in range(n):
        k = min(max(curvature[j], -0.25 / sigma), 0.25 / sigma)
        x[j] += 0.5 * sigma * sigma * k * nx[j]
        y[j] += 0.5 * sigma * sigma * k * ny[j]
    return x, y, size, good, outside


@njit(cache=True, nogil=True)
def _pass(
    frame: NDArray[np.generic],
    cx: NDArray[np.float64],
    cy: NDArray[np.float64],
    n: int,
    reach: int,
    sigma: float,
    full_scale: float,
    smoothing: float,
    fine: bool,
) -> tuple[Vertices, Vertices, NDArray[np.float64], NDArray[np.bool_], int, int]:
    """One pass: the contour smoothed by `smoothing` vertices, each vertex moved along its normal to the step.

    A fine pass fits the model of the step; a coarse one takes the top of the filter's response.
    """
    x, y = resample(cx, cy, n)
    x, y, nx, ny, _ = normals_curvature(x, y, smoothing)
    edge = int(math.ceil(2.5 * sigma + 3.5))
    wide = reach + edge
    profile, outside = profiles(frame, x, y, nx, ny, wide)
    _, size, top = steepest(profile[:, edge : edge + 2 * reach + 1], reach, max(sigma, 1.0))
    typical = np.median(size)
    place = np.empty(n)
    good = np.zeros(n, dtype=np.bool_)
    half = 2.5 * sigma + 1.5
    if fine:
        inner, outer = _slopes(profile, top, wide, sigma, half + 1.0, full_scale)
        for j in range(n):
            s0, h, _, ok, _, _ = fit_step(
                profile[j], top[j], wide, sigma, half, full_scale, inner[j], outer[j], False
            )
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
    for j in range(n):
        if not good[j]:
            continue
        m = 0
        for t in range(-3, 4):
            i = (j + t) % n
            if good[i]:
                window[m] = place[i]
                m += 1
        if abs(place[j] - np.median(window[:m])) > max(1.0, 1.2 * sigma):
            good[j] = False
        else:
            found += 1
    if found < n // 3:
        return x, y, size, good, outside, found
    for j in range(n):
        if good[j]:
            continue
        a = 1
        while not good[(j - a) % n]:
            a += 1
        b = 1
        while not good[(j + b) % n]:
            b += 1
        place[j] = (b * place[(j - a) % n] + a * place[(j + b) % n]) / (a + b)
    # Smoothing over a pixel or two along the edge: neighbours share pixels, so nothing finer is known.
    place = smooth_closed(place, 1.0)
    return x + place * nx, y + place * ny, size, good, outside, found
