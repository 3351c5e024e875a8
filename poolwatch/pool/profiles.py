"""Brightness along the normals of an outline, and where it falls most steeply."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .curve import Vertices, normals_curvature


@njit(cache=True, nogil=True)
def profiles(
    frame: NDArray[np.generic],
    x: Vertices,
    y: Vertices,
    nx: Vertices,
    ny: Vertices,
    reach: int,
    clipping: float,
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Grey values along each normal from `-reach` (inside) to `+reach` (outside) in steps of 1 px, bilinear.

    One row an offset, one column a vertex: the compiler then works on several vertices at once. Samples outside the
    picture repeat the border. The second result is, for each vertex, the index of the first sample from which outwards
    no pixel at `clipping` or above takes part, 0 where none does at all. Nothing clips where `clipping` is infinite.
    """
    h, w = frame.shape
    n = x.size
    m = 2 * reach + 1
    out = np.empty((m, n))
    seen = np.zeros(n, dtype=np.int64)
    right, bottom = w - 1.001, h - 1.001
    flat = frame.reshape(h * w)
    corner = np.empty(n, dtype=np.int64)
    part_x, part_y = np.empty(n), np.empty(n)
    one, below = np.uint64(1), np.uint64(w)
    for k in range(m):
        row = out[k]
        for j in range(n):
            px = min(max(x[j] + (k - reach) * nx[j], 0.0), right)
            py = min(max(y[j] + (k - reach) * ny[j], 0.0), bottom)
            ix, iy = int(px), int(py)
            part_x[j], part_y[j] = px - ix, py - iy
            corner[j] = iy * w + ix
        for j in range(n):
            # Unsigned, so that the compiler sees no index below 0.
            i = np.uint64(corner[j])
            a, b = float(flat[i]), float(flat[i + one])
            c, d = float(flat[i + below]), float(flat[i + below + one])
            top = a + part_x[j] * (b - a)
            row[j] = top + part_y[j] * (c + part_x[j] * (d - c) - top)
        if clipping == np.inf:
            continue
        for j in range(n):
            i = np.uint64(corner[j])
            if max(max(flat[i], flat[i + one]), max(flat[i + below], flat[i + below + one])) >= clipping:
                seen[j] = k + 1
    return out, seen


@njit(cache=True, nogil=True)
def around(j: int, n: int) -> int:
    """`j` modulo `n`, at most one round off; a division takes many times as long."""
    if j < 0:
        return j + n
    return j - n if j >= n else j


@njit(cache=True, nogil=True)
def median_of(window: NDArray[np.float64], m: int) -> float:
    """Median of the first `m` values, which are put in order in place; the lower of two middles."""
    for i in range(1, m):
        v = window[i]
        k = i
        while k > 0 and window[k - 1] > v:
            window[k] = window[k - 1]
            k -= 1
        window[k] = v
    return float(window[(m - 1) // 2])


@njit(cache=True, nogil=True)
def _responses(profile: NDArray[np.float64], sigma: float) -> NDArray[np.float64]:
    """Fall of profiles (m, n), averaged over their neighbours, by a derivative-of-Gaussian filter; ends repeated."""
    m, n = profile.shape
    mean = np.empty((m, n))
    for k in range(m):
        row, out = profile[k], mean[k]
        left, right, inner, middle = row[: n - 2], row[2:], row[1:], out[1:]
        for j in range(n - 2):
            middle[j] = 0.25 * left[j] + 0.5 * inner[j] + 0.25 * right[j]
        out[0] = 0.25 * row[n - 1] + 0.5 * row[0] + 0.25 * row[1]
        out[n - 1] = 0.25 * row[n - 2] + 0.5 * row[n - 1] + 0.25 * row[0]
    r = max(int(math.ceil(2.0 * sigma)), 2)
    norm = 0.0
    for t in range(1, r + 1):
        norm += t * math.exp(-0.5 * (t / sigma) ** 2)
    response = np.zeros((m, n))
    # The weights are odd.
    for t in range(1, r + 1):
        weight = t * math.exp(-0.5 * (t / sigma) ** 2) / norm
        for k in range(m):
            before, after, out = mean[max(k - t, 0)], mean[min(k + t, m - 1)], response[k]
            for j in range(n):
                out[j] += weight * (before[j] - after[j])
    return response


@njit(cache=True, nogil=True)
def steepest(
    profile: NDArray[np.float64], reach: int, sigma: float
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Steepest fall along each profile (a column) near the coarse outline: offset (px, whole), size, offset with
    fraction.

    A derivative-of-Gaussian filter finds it on profiles averaged over neighbouring normals; a place at odds
    with its neighbours is looked for again near their median.
    """
    m, n = profile.shape
    response = _responses(profile, sigma)
    first = np.ones(n, dtype=np.int64)
    high = np.full(n, -np.inf)
    for k in range(1, m - 1):
        row, prior = response[k], math.exp(-0.5 * ((k - reach) / (0.6 * reach)) ** 2)
        for j in range(n):
            value = row[j] * prior
            if value > high[j]:
                first[j], high[j] = k, value
    best = first.copy()
    size = np.empty(n)
    exact = np.empty(n)
    window = np.empty(11)
    for j in range(n):
        least, most = first[j], first[j]
        for t in range(-5, 6):
            k = first[around(j + t, n)]
            window[t + 5] = k
            least, most = min(least, k), max(most, k)
        # Else none is far from the median.
        if most - least > 2:
            middle = int(median_of(window, window.size))
            if abs(first[j] - middle) > 2:
                top = middle
                for k in range(max(middle - 2, 1), min(middle + 3, m - 1)):
                    if response[k, j] > response[top, j]:
                        top = k
                best[j] = top
        k = best[j]
        size[j] = response[k, j]
        exact[j] = k - reach
        if 0 < k < m - 1:
            bend = response[k - 1, j] - 2.0 * response[k, j] + response[k + 1, j]
            if bend < 0.0:
                shift = 0.5 * (response[k - 1, j] - response[k + 1, j]) / bend
                exact[j] += min(max(shift, -0.5), 0.5)
    return best - reach, size, exact


def steps_along(frame: NDArray[np.generic], x: Vertices, y: Vertices, sigma: float) -> NDArray[np.float64]:
    """Fall of the brightness across a closed outline at each vertex, over two spreads and 1 px either way."""
    x, y, nx, ny, _ = normals_curvature(x, y, 2.0)
    across, _ = profiles(frame, x, y, nx, ny, math.ceil(2.0 * sigma + 1.0), np.inf)
    fall: NDArray[np.float64] = across[0] - across[-1]
    return fall


def falls_along(
    frame: NDArray[np.generic], x: Vertices, y: Vertices, sigma: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What `steps_along` gives, means over three vertices, and the fall over the same length beyond."""
    x, y, nx, ny, _ = normals_curvature(x, y, 2.0)
    reach = math.ceil(2.0 * sigma + 1.0)
    across, _ = profiles(frame, x, y, nx, ny, 3 * reach, np.inf)
    inside, outside, far = (
        (row + np.roll(row, 1) + np.roll(row, -1)) / 3.0 for row in across[[2 * reach, 4 * reach, 6 * reach]]
    )
    return inside - outside, outside - far
