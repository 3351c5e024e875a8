"""Pixels: exact area coverage of a polygon, the disc-streak, and the point spread.

Coverage is exact on a grid `fine` times finer than the pixels. The Gaussian point spread acts there, sampled at
3.5 fine cells or more per sigma, and fine cells are then averaged to pixels. What is aliased in that is below
0.01 px of edge position anywhere (see ``tests/simulate/test_raster.py``).
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

Image = NDArray[np.float32]


def fineness(psf_sigma_px: float) -> int:
    """Fine cells per pixel, even: at least 3.5 per sigma of the point spread where 12 are enough for that."""
    return 1 if psf_sigma_px == 0 else 2 * min(max(math.ceil(1.75 / psf_sigma_px), 1), 6)


def kernel(psf_sigma_px: float, fine: int) -> NDArray[np.float32]:
    """One-dimensional Gaussian on the fine grid, sum 1, cut at 5 sigma."""
    if psf_sigma_px == 0:
        return np.ones(1, dtype=np.float32)
    sigma = psf_sigma_px * fine
    reach = math.ceil(5 * sigma)
    values = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    taps: Image = (values / values.sum()).astype(np.float32)
    return taps


def margin(psf_sigma_px: float) -> int:
    """Pixels that the point spread can carry light to."""
    return math.ceil(5 * psf_sigma_px) + 1


def to_pixels(fine_image: Image, taps: NDArray[np.float32], fine: int) -> Image:
    """Spread by the point spread and average fine cells to pixels; dark beyond the borders."""
    pixels: Image = fine_image
    if fine > 1:
        # Both in one filter, worked out at the pixels alone.
        both = np.convolve(taps, np.full(fine, 1 / fine)).astype(np.float32)
        pixels = _filtered_at_pixels(fine_image, both, fine)
    return pixels


@njit(cache=True, nogil=True)
def _filtered_at_pixels(fine_image: Image, taps: NDArray[np.float32], fine: int) -> Image:
    """Separable filter, its middle on the middle of each pixel of `fine` x `fine` cells."""
    high, wide = fine_image.shape
    height, width = high // fine, wide // fine
    reach = (len(taps) - fine) // 2
    left = math.ceil(reach / fine)
    out = np.zeros((height, width), dtype=np.float32)
    row = np.empty(wide, dtype=np.float32)
    # Every fine-th cell of a row side by side, dark pixels at both ends: the inner loops run through memory.
    combs = np.zeros((fine, width + 2 * left), dtype=np.float32)
    for i in range(height):
        for k in range(wide):
            row[k] = 0
        for t in range(max(0, reach - i * fine), min(len(taps), high + reach - i * fine)):
            weight, cells = taps[t], fine_image[i * fine - reach + t]
            for k in range(wide):
                row[k] += weight * cells[k]
        for p in range(fine):
            for k in range(width):
                combs[p, left + k] = row[k * fine + p]
        for t in range(len(taps)):
            first, p = divmod(t - reach + left * fine, fine)
            weight, comb, pixels = taps[t], combs[p], out[i]
            for k in range(width):
                pixels[k] += weight * comb[first + k]
    return out


def stretched(field: Image, times: int) -> Image:
    """A smooth field on a grid `times` as fine, linear between points."""
    if times == 1:
        return field
    finer: Image = cv2.resize(field, None, fx=times, fy=times, interpolation=cv2.INTER_LINEAR)
    return finer


@njit(cache=True, nogil=True)
def coverage(x: NDArray[np.float64], y: NDArray[np.float64], height: int, width: int) -> Image:
    """Share of each unit cell that lies inside a closed polygon, exact.

    Cell (row i, column j) spans [j, j + 1) x [i, i + 1). The polygon must be inside the grid, at least one
    cell from its right border. Signed trapezoids under every edge are summed along rows.

    Parameters
    ----------
    x, y
        Vertices, shape (k,).
    height, width
        Size of the grid.
    """
    signed = np.zeros((height, width + 2))
    count = len(x)
    for e in range(count):
        x0, y0 = x[e], y[e]
        x1, y1 = x[(e + 1) % count], y[(e + 1) % count]
        if y0 == y1:
            continue
        sign = 1.0
        if y0 > y1:
            sign = -1.0
            x0, y0, x1, y1 = x1, y1, x0, y0
        slope = (x1 - x0) / (y1 - y0)
        here = x0
        for row in range(max(int(y0), 0), min(height, math.ceil(y1))):
            dy = min(row + 1.0, y1) - max(float(row), y0)
            there = here + slope * dy
            d = dy * sign
            left, right = (here, there) if here < there else (there, here)
            first = math.floor(left)
            last = math.ceil(right)
            if last <= first + 1:
                share = 0.5 * (left + right) - first
                signed[row, first] += d * (1 - share)
                signed[row, first + 1] += d * share
            else:
                per = 1.0 / (right - left)
                head = 0.5 * per * (first + 1 - left) ** 2
                tail = 0.5 * per * (right - (last - 1)) ** 2
                signed[row, first] += d * head
                if last == first + 2:
                    signed[row, first + 1] += d * (1 - head - tail)
                else:
                    second = per * (first + 1.5 - left)
                    signed[row, first + 1] += d * (second - head)
                    for column in range(first + 2, last - 1):
                        signed[row, column] += d * per
                    signed[row, last - 1] += d * (1 - second - (last - first - 3) * per - tail)
                signed[row, last] += d * tail
            here = there
    out = np.empty((height, width), dtype=np.float32)
    for row in range(height):
        total = 0.0
        for column in range(width):
            total += signed[row, column]
            out[row, column] = abs(total)
    return out


@njit(cache=True, nogil=True)
def disc_streak(x0: float, y0: float, x1: float, y1: float, radius: float, height: int, width: int) -> Image:
    """Mean over the exposure of the share of each unit cell that a disc covers.

    The disc moves evenly from (x0, y0) to (x1, y1), in cells as in `coverage`. Over the exposure a point is
    covered for the share of the path that lies within its chord, in closed form; each cell takes the mean of
    8 x 8 points. The sum is set to the disc's exact area, so that a streak keeps the disc's light.
    """
    out = np.zeros((height, width), dtype=np.float32)
    path = math.hypot(x1 - x0, y1 - y0)
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    ax, ay = (1.0, 0.0) if path == 0 else ((x1 - x0) / path, (y1 - y0) / path)
    total = 0.0
    sub = 8
    for row in range(height):
        for column in range(width):
            # Cells that cannot be touched are left early.
            px, py = column + 0.5 - cx, row + 0.5 - cy
            along, across = px * ax + py * ay, py * ax - px * ay
            if abs(across) > radius + 0.71 or abs(along) > path / 2 + radius + 0.71:
                continue
            value = 0.0
            for i in range(sub):
                for j in range(sub):
                    px = column + (j + 0.5) / sub - cx
                    py = row + (i + 0.5) / sub - cy
                    across = py * ax - px * ay
                    square = radius * radius - across * across
                    if square <= 0:
                        continue
                    half = math.sqrt(square)
                    along = px * ax + py * ay
                    if path < 1e-6:
                        if abs(along) < half:
                            value += 1.0
                    else:
                        low = max(along - half, -path / 2)
                        high = min(along + half, path / 2)
                        if high > low:
                            value += (high - low) / path
            out[row, column] = value / (sub * sub)
            total += value / (sub * sub)
    if total == 0:
        # Too small for the points: all of it lies in one cell.
        out[min(max(int(cy), 0), height - 1), min(max(int(cx), 0), width - 1)] = math.pi * radius * radius
    else:
        scale = math.pi * radius * radius / total
        for row in range(height):
            for column in range(width):
                out[row, column] *= scale
    return out
