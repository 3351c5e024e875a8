"""Straight flight: a line through a track's sightings, and where it left the pool."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .ordering import middle_of
from .parameters import Record

# Straight flight of a track.
PATH = np.dtype(
    [
        # A frame in the middle of the sightings, and place there, px.
        ("t0", "f8"),
        ("x0", "f8"),
        ("y0", "f8"),
        # Velocity, px/frame.
        ("vx", "f8"),
        ("vy", "f8"),
        # Standard uncertainties of place and velocity.
        ("u_x0", "f8"),
        ("u_y0", "f8"),
        ("u_vx", "f8"),
        ("u_vy", "f8"),
        # Chi-square over degrees of freedom, rms distance from the line, px, and how many sightings bear on it.
        ("scatter", "f8"),
        ("rms", "f8"),
        ("used", "f8"),
    ]
)
# Scatter of a centre that no fit sees (rolling, changing shapes), px.
FLOOR = 0.004
# Rounds of weighing down what lies off the line, and chi-square of two numbers, in medians, at which a weight is a
# quarter.
_ROUNDS, _OFF = 6, 25.0
# Median of chi-square of two degrees of freedom: 2 ln 2.
_MEDIAN = 1.386
# Degrees of freedom with a scatter of 1 that are added, for with few sightings the scatter itself is chancy.
_PRIOR = 4.0


class Places(NamedTuple):
    """Places of the sightings of tracks, one after the other, shape (n,) each.

    Attributes
    ----------
    frame
        Frame.
    x, y, u_x, u_y
        Place and its standard uncertainty, px.
    extra
        What doubtful ones have on top, variance, px².
    """

    frame: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    u_x: NDArray[np.float64]
    u_y: NDArray[np.float64]
    extra: NDArray[np.float64]


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
def fly(places: Places, starts: NDArray[np.int64], out: NDArray[np.void]) -> None:
    """Fit each track by weighted least squares, into `out` (dtype `PATH`); outlying sightings are weighted down.

    The sightings of track k are those from `starts[k]` to `starts[k + 1]`. Uncertainties are those of least squares
    (for equal weights u(v) = u(x) sqrt(12/(N(N²-1)))), widened by the scatter about the line where that is larger than
    the sightings' own uncertainties say.
    """
    for k in range(starts.size - 1):
        a, b = starts[k], starts[k + 1]
        own = Places(
            places.frame[a:b],
            places.x[a:b],
            places.y[a:b],
            places.u_x[a:b],
            places.u_y[a:b],
            places.extra[a:b],
        )
        _fly_one(own, out[k])


@njit(cache=True, nogil=True)
def _fly_one(places: Places, path: Record) -> None:
    """`fly` for one track."""
    t, x, y = places.frame, places.x, places.y
    n = t.size
    wx, wy = np.empty(n), np.empty(n)
    for i in range(n):
        more = FLOOR * FLOOR + places.extra[i]
        wx[i] = 1.0 / (places.u_x[i] ** 2 + more)
        wy[i] = 1.0 / (places.u_y[i] ** 2 + more)
    bx, by = wx.copy(), wy.copy()
    scatter, used = 1.0, float(n)
    chi = np.empty(n)
    for _ in range(_ROUNDS):
        t0, x0, vx, vxx, vvx = _line(t, x, wx)
        ty, y0, vy, vyy, vvy = _line(t, y, wy)
        for i in range(n):
            dx = x[i] - x0 - vx * (t[i] - t0)
            dy = y[i] - y0 - vy * (t[i] - ty)
            chi[i] = bx[i] * dx * dx + by[i] * dy * dy
        middle = max(middle_of(chi) / _MEDIAN, 1.0)
        total = used = 0.0
        for i in range(n):
            # Weights of Geman and McClure: none left for what lies far off the line.
            share = 1.0 / (1.0 + chi[i] / (_OFF * middle)) ** 2
            wx[i], wy[i] = bx[i] * share, by[i] * share
            total += share * chi[i]
            used += share
        scatter = total / max(2.0 * used - 4.0, 1.0)
    free = max(2.0 * used - 4.0, 1.0)
    widen = max((free * scatter + _PRIOR) / (free + _PRIOR), 1.0)
    rms = total = 0.0
    for i in range(n):
        share = bx[i] + by[i]
        total += share
        rms += share * (x[i] - x0 - vx * (t[i] - t0)) ** 2 + share * (y[i] - y0 - vy * (t[i] - ty)) ** 2
    path.t0, path.x0, path.y0 = t0, x0, y0 + vy * (t0 - ty)
    path.vx, path.vy = vx, vy
    path.u_x0, path.u_y0 = math.sqrt(widen * vxx), math.sqrt(widen * vyy)
    path.u_vx, path.u_vy = math.sqrt(widen * vvx), math.sqrt(widen * vvy)
    path.scatter, path.rms, path.used = scatter, math.sqrt(rms / total), used


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
    k = len(outline)
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
    k = len(outline)
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
