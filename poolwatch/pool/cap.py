"""Reach of a closed outline along one direction, from the cap of vertices around its furthest one."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Vertices in the cap, and on either side of its top, at least.
_CAP_VERTICES, _SIDE_VERTICES = 7, 2
# Vertices across the cap that are tried as its top before those around the best one are.
_TRIALS = 10

# A vertex of the cap: its place `s` across the direction from the furthest vertex, and sums over the vertices before
# it of powers of s, and of these times the reach v below the furthest vertex; px.
VERTEX = np.dtype(
    [(name, "f8") for name in ("s", "n", "s1", "s2", "s3", "s4", "v", "vs1", "vs2")], align=True
)


@njit(cache=True, nogil=True)
def support(p: NDArray[np.float64], q: NDArray[np.float64], depth: float) -> float:
    """Furthest reach of a smooth closed curve along one direction.

    The largest of many noisy vertices reaches too far, so two half parabolas that share their top are fitted to the
    cap of vertices around it. One parabola would not do: where the front of a pool is blunt and its rear slender, the
    flanks of its widest place bend differently, and one parabola cuts 0.1 to 0.2 px off.

    Parameters
    ----------
    p, q
        Vertices along the direction and across it, px, shape (n,).
    depth
        How far below the furthest vertex the cap reaches, px: several times the noise of a vertex.

    Returns
    -------
    float
        Reach along the direction, px.
    """
    n = p.size
    top = np.argmax(p)
    first, count = _cap(p, top, depth)
    cap = np.zeros(count + 1, dtype=VERTEX)
    for k in range(count):
        i = (first + k) % n
        _add(cap[k], cap[k + 1], q[i] - q[top], p[i] - p[top])
    start, stop = _SIDE_VERTICES, count - _SIDE_VERTICES
    if stop <= start:
        return float(p[top])
    stride = max((stop - start) // _TRIALS, 1)
    place = _best(cap, start, stop, stride)
    place = _best(cap, max(place - stride + 1, start), min(place + stride, stop), 1)
    s = cap[place].s
    if start <= place - 1 and place + 1 < stop:
        s = _lowest(cap, place)
    return float(p[top] + _fit(cap, place, s)[0])


@njit(cache=True, nogil=True)
def _cap(p: NDArray[np.float64], top: int, depth: float) -> tuple[int, int]:
    """First vertex and number of vertices of the cap around the furthest one, at most a third of the outline."""
    n = p.size
    left, right = 0, 0
    while left + right + 1 < n // 3:
        before, after = p[(top - left - 1) % n], p[(top + right + 1) % n]
        if max(before, after) <= p[top] - depth and left + right + 1 >= _CAP_VERTICES:
            break
        if before >= after:
            left += 1
        else:
            right += 1
    return (top - left) % n, left + right + 1


@njit(cache=True, nogil=True)
def _add(here: Any, behind: Any, s: float, v: float) -> None:
    """Sums up to one vertex more; writes `here` and `behind` in place."""
    here.s = s
    behind.n = here.n + 1.0
    behind.s1 = here.s1 + s
    behind.s2 = here.s2 + s * s
    behind.s3 = here.s3 + s * s * s
    behind.s4 = here.s4 + s * s * s * s
    behind.v = here.v + v
    behind.vs1 = here.vs1 + v * s
    behind.vs2 = here.vs2 + v * s * s


@njit(cache=True, nogil=True)
def _best(cap: NDArray[Any], start: int, stop: int, stride: int) -> int:
    """The vertex that fits best as the top, of every `stride`-th in a range."""
    least, place = np.inf, start
    for k in range(start, stop, stride):
        left_over = _fit(cap, k, cap[k].s)[1]
        if left_over < least:
            least, place = left_over, k
    return place


@njit(cache=True, nogil=True)
def _flank(a: Any, b: Any, s: float) -> tuple[float, float, float, float]:
    """Vertices from `a` to before `b`: their number, sums of d² and d⁴, and of d² v, with d counted from `s`."""
    n, s1, s2, s3, s4 = b.n - a.n, b.s1 - a.s1, b.s2 - a.s2, b.s3 - a.s3, b.s4 - a.s4
    squares = s2 - 2.0 * s * s1 + s * s * n
    fourths = s4 - 4.0 * s * s3 + 6.0 * s * s * s2 - 4.0 * s * s * s * s1 + s * s * s * s * n
    moments = (b.vs2 - a.vs2) - 2.0 * s * (b.vs1 - a.vs1) + s * s * (b.v - a.v)
    return n, squares, max(fourths, 1e-12), moments


@njit(cache=True, nogil=True)
def _fit(cap: NDArray[Any], k: int, s: float) -> tuple[float, float]:
    """Height of a top at `s`, one flank before vertex `k` and one from there on; squares left over, less those of v.

    A flank that would rise from the top is taken as level.
    """
    end = cap[cap.size - 1]
    n, squares, fourths, moments = _flank(cap[0], cap[k], s)
    m, squares_2, fourths_2, moments_2 = _flank(cap[k], end, s)
    bent, bent_2 = True, True
    height, bend, bend_2 = 0.0, 0.0, 0.0
    for _ in range(3):
        weight, value = n + m, end.v
        if bent:
            weight -= squares * squares / fourths
            value -= squares * moments / fourths
        if bent_2:
            weight -= squares_2 * squares_2 / fourths_2
            value -= squares_2 * moments_2 / fourths_2
        height = value / max(weight, 1e-9)
        bend = (moments - height * squares) / fourths if bent else 0.0
        bend_2 = (moments_2 - height * squares_2) / fourths_2 if bent_2 else 0.0
        if bend <= 0.0 and bend_2 <= 0.0:
            break
        bent, bent_2 = bent and bend <= 0.0, bent_2 and bend_2 <= 0.0
    return height, -(height * end.v + bend * moments + bend_2 * moments_2)


@njit(cache=True, nogil=True)
def _lowest(cap: NDArray[Any], place: int) -> float:
    """Where between its neighbours the vertex that fits best would fit better still: a parabola through the three."""
    x0, x1, x2 = cap[place - 1].s, cap[place].s, cap[place + 1].s
    y0, y1, y2 = _fit(cap, place - 1, x0)[1], _fit(cap, place, x1)[1], _fit(cap, place + 1, x2)[1]
    left, right = (x1 - x0) * (y1 - y2), (x1 - x2) * (y1 - y0)
    if left == right:
        return float(x1)
    at = x1 - 0.5 * ((x1 - x0) * left - (x1 - x2) * right) / (left - right)
    return float(min(max(at, min(x0, x2)), max(x0, x2)))
