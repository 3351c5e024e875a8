"""Closed contours: even spacing, smoothing, normals and curvature."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Vertices = NDArray[np.float64]
# From how many times the curvature of a circle vertices stand closer, and at most how many times as close.
_BEND = 3.0
_DENSEST = 4.0


@njit(cache=True, nogil=True)
def resample(cx: NDArray[np.float64], cy: NDArray[np.float64], n: int) -> tuple[Vertices, Vertices]:
    """Spread `n` vertices evenly along a closed polyline."""
    m = cx.size
    length = np.empty(m + 1)
    length[0] = 0.0
    for i in range(m):
        j = i + 1 if i + 1 < m else 0
        dx, dy = cx[j] - cx[i], cy[j] - cy[i]
        length[i + 1] = length[i] + math.sqrt(dx * dx + dy * dy)
    x, y = _spread(cx, cy, length, n)
    return x, y


@njit(cache=True, nogil=True)
def _spread(
    cx: NDArray[np.float64], cy: NDArray[np.float64], along: NDArray[np.float64], n: int
) -> tuple[Vertices, Vertices]:
    """Spread `n` vertices along a closed polyline, evenly in `along`, which rises from vertex to vertex and round."""
    m = cx.size
    total = along[m]
    x = np.empty(n)
    y = np.empty(n)
    i = 0
    for k in range(n):
        s = total * k / n
        while i < m - 1 and along[i + 1] < s:
            i += 1
        j = i + 1 if i + 1 < m else 0
        span = along[i + 1] - along[i]
        t = (s - along[i]) / span if span > 0 else 0.0
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
    # With the ends repeated, and over the sequence inside: the compiler then works on several places at once.
    round_it = np.empty(n + 2 * r)
    for i in range(r):
        round_it[i] = v[n - r + i]
        round_it[n + r + i] = v[i]
    for i in range(n):
        round_it[r + i] = v[i]
    out = np.empty(n)
    for i in range(n):
        out[i] = w[0] * v[i]
    for k in range(1, r + 1):
        ahead, behind, share = round_it[r + k :], round_it[r - k :], w[k]
        for i in range(n):
            out[i] += share * (ahead[i] + behind[i])
    for i in range(n):
        out[i] /= total
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
        j = i + 1 if i + 1 < n else 0
        turn += sx[i] * sy[j] - sx[j] * sy[i]
    sign = 1.0 if turn > 0 else -1.0
    nx = np.empty(n)
    ny = np.empty(n)
    curvature = np.empty(n)
    for i in range(n):
        a = i - 1 if i > 0 else n - 1
        b = i + 1 if i + 1 < n else 0
        dx = 0.5 * (sx[b] - sx[a])
        dy = 0.5 * (sy[b] - sy[a])
        ddx = sx[b] - 2.0 * sx[i] + sx[a]
        ddy = sy[b] - 2.0 * sy[i] + sy[a]
        d = math.sqrt(dx * dx + dy * dy)
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
def resample_to_bends(cx: Vertices, cy: Vertices, n: int) -> tuple[Vertices, Vertices]:
    """Spread `n` vertices along a smooth closed outline, up to four times as densely where it bends sharply.

    Evenly spread ones are smoothed over their neighbours across a pointed tail, and cut it short.
    """
    m = cx.size
    curvature = normals_curvature(cx, cy, 2.0)[4]
    length = np.empty(m)
    total = 0.0
    for i in range(m):
        j = i + 1 if i + 1 < m else 0
        dx, dy = cx[j] - cx[i], cy[j] - cy[i]
        length[i] = math.sqrt(dx * dx + dy * dy)
        total += length[i]
    # Curvature against that of a circle as long: 3 is the end of an ellipse twice as long as wide.
    circle = 2.0 * math.pi / max(total, 1e-9)
    dense = np.empty(m)
    for i in range(m):
        dense[i] = min(max(abs(curvature[i]) / (_BEND * circle), 1.0), _DENSEST)
    dense = smooth_closed(dense, 2.0)
    along = np.empty(m + 1)
    along[0] = 0.0
    for i in range(m):
        j = i + 1 if i + 1 < m else 0
        along[i + 1] = along[i] + 0.5 * (dense[i] + dense[j]) * length[i]
    x, y = _spread(cx, cy, along, n)
    return x, y


@njit(cache=True, nogil=True)
def spacing_of(x: Vertices, y: Vertices) -> float:
    """Mean distance of neighbouring vertices of a closed outline."""
    n = x.size
    total = 0.0
    for j in range(n):
        i = (j + 1) % n
        total += math.hypot(x[i] - x[j], y[i] - y[j])
    return total / n
