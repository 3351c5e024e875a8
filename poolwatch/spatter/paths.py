"""Straight flight: a line through a track's sightings, and where it left the pool."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .ordering import middle_of

# Columns that `fly` fills, one row a track.
PATH_COLUMNS = ("t0", "x0", "y0", "vx", "vy", "u_x0", "u_y0", "u_vx", "u_vy", "scatter", "rms", "used")
# Scatter of a centre that no fit sees (rolling, changing shapes), px.
FLOOR = 0.004


@njit(cache=True, nogil=True)
def _line(t: NDArray, z: NDArray, w: NDArray) -> tuple[float, float, float, float, float]:  # type: ignore[type-arg]
    """Weighted line: mean time, value there, slope, and the variances of both."""
    total = t0 = z0 = 0.0
    for i in range(t.size):
        total += w[i]
        t0 += w[i] * t[i]
        z0 += w[i] * z[i]
    t0, z0 = t0 / total, z0 / total
    tt = tz = 0.0
    for i in range(t.size):
        tt += w[i] * (t[i] - t0) ** 2
        tz += w[i] * (t[i] - t0) * (z[i] - z0)
    return t0, z0, tz / tt, 1.0 / total, 1.0 / tt


@njit(cache=True, nogil=True)
def fly(
    frame: NDArray,  # type: ignore[type-arg]
    x: NDArray,  # type: ignore[type-arg]
    y: NDArray,  # type: ignore[type-arg]
    ux: NDArray,  # type: ignore[type-arg]
    uy: NDArray,  # type: ignore[type-arg]
    extra: NDArray,  # type: ignore[type-arg]
    starts: NDArray,  # type: ignore[type-arg]
    out: NDArray,  # type: ignore[type-arg]
) -> None:
    """Fit each track by weighted least squares, `extra` being what doubtful sightings have on top (variance,
    px²); outlying ones are weighted down.

    Uncertainties are those of least squares (for equal weights u(v) = u(x) sqrt(12/(N(N²-1)))), widened by the
    scatter about the line where that is larger than the sightings' own uncertainties say.
    """
    for k in range(starts.size - 1):
        a, b = starts[k], starts[k + 1]
        n = b - a
        t = np.empty(n)
        wx, wy = np.empty(n), np.empty(n)
        for i in range(n):
            t[i] = frame[a + i]
            more = FLOOR * FLOOR + extra[a + i]
            wx[i] = 1.0 / (ux[a + i] ** 2 + more)
            wy[i] = 1.0 / (uy[a + i] ** 2 + more)
        bx, by = wx.copy(), wy.copy()
        scatter, used = 1.0, float(n)
        for _ in range(6):
            t0, x0, vx, vxx, vvx = _line(t, x[a:b], wx)
            ty, y0, vy, vyy, vvy = _line(t, y[a:b], wy)
            chi = np.empty(n)
            for i in range(n):
                dx = x[a + i] - x0 - vx * (t[i] - t0)
                dy = y[a + i] - y0 - vy * (t[i] - ty)
                chi[i] = bx[i] * dx * dx + by[i] * dy * dy
            middle = max(middle_of(chi) / 1.386, 1.0)
            total = used = 0.0
            for i in range(n):
                # Weights of Geman and McClure: none left for what lies far off the line.
                share = 1.0 / (1.0 + chi[i] / (25.0 * middle)) ** 2
                wx[i], wy[i] = bx[i] * share, by[i] * share
                total += share * chi[i]
                used += share
            scatter = total / max(2.0 * used - 4.0, 1.0)
        # With few sightings the scatter itself is chancy: four more degrees of freedom at 1.
        free = max(2.0 * used - 4.0, 1.0)
        widen = max((free * scatter + 4.0) / (free + 4.0), 1.0)
        rms = total = 0.0
        for i in range(n):
            share = bx[i] + by[i]
            total += share
            rms += (
                share * (x[a + i] - x0 - vx * (t[i] - t0)) ** 2
                + share * (y[a + i] - y0 - vy * (t[i] - ty)) ** 2
            )
        out[k, 0], out[k, 1], out[k, 2] = t0, x0, y0 + vy * (t0 - ty)
        out[k, 3], out[k, 4] = vx, vy
        out[k, 5], out[k, 6] = math.sqrt(widen * vxx), math.sqrt(widen * vyy)
        out[k, 7], out[k, 8] = math.sqrt(widen * vvx), math.sqrt(widen * vvy)
        out[k, 9], out[k, 10], out[k, 11] = scatter, math.sqrt(rms / total), used


@njit(cache=True, nogil=True)
def trace_back(
    outline: NDArray,  # type: ignore[type-arg]
    x: float,
    y: float,
    vx: float,
    vy: float,
) -> tuple[float, float, float]:
    """Follow a path back to the outline.

    Returns frames back to the first crossing (NaN where the path misses the outline; negative where it lies
    ahead), how far the path passes the outline at its closest, px, and frames back to that place.
    """
    k = outline.shape[0]
    crossing, near, near_at = np.nan, 1e9, 0.0
    v2 = max(vx * vx + vy * vy, 1e-12)
    for i in range(k):
        j = i + 1 if i + 1 < k else 0
        ax, ay = outline[i, 0] - x, outline[i, 1] - y
        bx, by = outline[j, 0] - x, outline[j, 1] - y
        # Place p(s) = -s v; across = component perpendicular to the motion.
        ca, cb = (ax * vy - ay * vx), (bx * vy - by * vx)
        sa, sb = -(ax * vx + ay * vy) / v2, -(bx * vx + by * vy) / v2
        if (ca <= 0.0) != (cb <= 0.0):
            f = ca / (ca - cb)
            s = sa + f * (sb - sa)
            if not (crossing <= s):
                crossing = s
        away = abs(ca) / math.sqrt(v2) if sa >= 0.0 else math.hypot(ax, ay)
        if away < near:
            near, near_at = away, max(sa, 0.0)
    return crossing, near, near_at


@njit(cache=True, nogil=True)
def distance_outside(outline: NDArray, x: float, y: float) -> float:  # type: ignore[type-arg]
    """Distance of a point from the outline, px; negative inside."""
    k = outline.shape[0]
    best, inside = 1e18, False
    for i in range(k):
        j = i + 1 if i + 1 < k else 0
        ax, ay, bx, by = outline[i, 0], outline[i, 1], outline[j, 0], outline[j, 1]
        dx, dy = bx - ax, by - ay
        f = ((x - ax) * dx + (y - ay) * dy) / max(dx * dx + dy * dy, 1e-18)
        f = min(max(f, 0.0), 1.0)
        d = (x - ax - f * dx) ** 2 + (y - ay - f * dy) ** 2
        best = min(best, d)
        if (ay > y) != (by > y) and x < ax + (y - ay) / (by - ay) * dx:
            inside = not inside
    return -math.sqrt(best) if inside else math.sqrt(best)
