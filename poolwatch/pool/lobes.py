"""Lobes that a particle on the rim adds to an outline, taken off again."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Turn over four vertices that makes a hollow, radians; and most that the rim turns by itself behind a lobe: a tip that
# is covered is not guessed.
_HOLLOW = -0.2
_MOST_TURN = 1.2
_MOST_LOBES = 8


@njit(cache=True, nogil=True)
def cut_lobes(x: NDArray[np.float64], y: NDArray[np.float64], widest: float, least: float) -> int:
    """Take narrow lobes between two hollows off a closed outline, in place.

    A lobe rises from its foot by more than the rim would that runs on before and behind it: the arc that joins both
    tangents rises by d tan(turn / 4) / 2 over a chord d. A pointed tail turns by itself, has no hollows, and stays.

    Parameters
    ----------
    x, y
        Vertices of the outline, px, evenly spaced but for sharp bends.
    widest
        Greatest width of a lobe's foot, px.
    least
        Least rise beyond the rim's own that makes a lobe, px.

    Returns
    -------
    int
        Lobes cut.
    """
    n = x.size
    area = length = 0.0
    for i in range(n):
        j = (i + 1) % n
        area += x[i] * y[j] - x[j] * y[i]
        length += math.hypot(x[j] - x[i], y[j] - y[i])
    sign = 1.0 if area > 0.0 else -1.0
    span = min(int(math.ceil(4.0 * widest * n / length)), n // 3)
    hollow = np.zeros(n, dtype=np.bool_)
    cut = 0
    while cut < _MOST_LOBES:
        if not _find_hollows(x, y, sign, hollow):
            break
        rise, first, count = _highest(x, y, sign, hollow, span, widest)
        if rise < least:
            break
        _bridge(x, y, first, count)
        cut += 1
    return cut


@njit(cache=True, nogil=True)
def _find_hollows(
    x: NDArray[np.float64], y: NDArray[np.float64], sign: float, hollow: NDArray[np.bool_]
) -> bool:
    """Mark the vertices at which the outline turns inwards; whether there is one. `sign` is that of its area."""
    n = x.size
    some = False
    for i in range(n):
        a = (i - 2) % n
        b = (i + 2) % n
        ux, uy = x[i] - x[a], y[i] - y[a]
        vx, vy = x[b] - x[i], y[b] - y[i]
        hollow[i] = sign * (ux * vy - uy * vx) < _HOLLOW * math.hypot(ux, uy) * math.hypot(vx, vy)
        some = some or hollow[i]
    return some


@njit(cache=True, nogil=True)
def _highest(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    sign: float,
    hollow: NDArray[np.bool_],
    span: int,
    widest: float,
) -> tuple[float, int, int]:
    """The lobe that rises most: by how much beyond the rim's own, px, its first vertex and how many on it ends.

    It has at most `span` vertices and is at most `widest` px wide.
    """
    n = x.size
    best, first, count = 0.0, 0, 0
    for i in range(n):
        if not (hollow[i] or hollow[(i + 1) % n] or hollow[(i + 2) % n]):
            continue
        for k in range(3, span):
            j = (i + k) % n
            dx, dy = x[j] - x[i], y[j] - y[i]
            d = math.hypot(dx, dy)
            if d > widest or d < 0.5 or not (hollow[j] or hollow[(j - 1) % n] or hollow[(j - 2) % n]):
                continue
            a = (i - 3) % n
            b = (j + 3) % n
            ux, uy = x[i] - x[a], y[i] - y[a]
            vx, vy = x[b] - x[j], y[b] - y[j]
            turn = math.atan2(sign * (ux * vy - uy * vx), ux * vx + uy * vy)
            if abs(turn) > _MOST_TURN:
                continue
            rise = 0.0
            for t in range(1, k):
                p = (i + t) % n
                rise = max(rise, sign * ((x[p] - x[i]) * dy - (y[p] - y[i]) * dx) / d)
            rise -= 0.5 * d * math.tan(0.25 * turn) + 0.05 * d
            if rise > best:
                best, first, count = rise, i, k
    return best, first, count


@njit(cache=True, nogil=True)
def _bridge(x: NDArray[np.float64], y: NDArray[np.float64], first: int, count: int) -> None:
    """Put the vertices between one and the `count`th after it on a curve that goes on where the rim does."""
    n = x.size
    i = first
    j = (i + count) % n
    a = (i - 3) % n
    b = (j + 3) % n
    d = math.hypot(x[j] - x[i], y[j] - y[i])
    into = d / max(math.hypot(x[i] - x[a], y[i] - y[a]), 1e-9)
    out = d / max(math.hypot(x[b] - x[j], y[b] - y[j]), 1e-9)
    xi, yi, xj, yj = x[i], y[i], x[j], y[j]
    ux, uy = into * (xi - x[a]), into * (yi - y[a])
    vx, vy = out * (x[b] - xj), out * (y[b] - yj)
    for t in range(1, count):
        s = t / count
        # Cubic that leaves and meets the rim along its tangents (Hermite).
        p = (i + t) % n
        h1 = s * (1.0 - s) * (1.0 - s)
        h2 = s * s * (3.0 - 2.0 * s)
        h3 = s * s * (s - 1.0)
        x[p] = xi + h2 * (xj - xi) + h1 * ux + h3 * vx
        y[p] = yi + h2 * (yj - yi) + h1 * uy + h3 * vy
