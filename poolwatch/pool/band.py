"""Pixels just outside the clipped part of a pool, each with its distance from a line of equal brightness."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .coarse import Grey
from .curve import Vertices, normals_curvature, resample, smooth_closed
from .profiles import profiles
from .step import _TAIL, _Z

# Brightness of the line, on the way from the surroundings to full scale: higher up a lossy codec bends what lies beside
# clipped pixels.
_LINE = 0.75
# Distance between vertices of the line, and how far they may lie from the coarse contour, px.
_SPACING = 1.5
_SEARCH = 10
# Where the surroundings begin, outwards of the clipping, px.
_OUT = 6
# A vertex further from its neighbours' middle than this is a particle or a speck, px.
_STRAY = 1.5
# Parts that the band is cut into along the outline: brightness and halo are even over each.
_PARTS = 32
# Smoothing of the line, vertices: what noise makes of it is common to the pixels it is made of, and looks like a
# steeper step.
_SMOOTH = 5.0
# Height of the step that straightens profiles well enough, over what is seen of it.
_TALL = 1.7


@dataclass(frozen=True)
class Band:
    """Pixels of one frame's band, sorted by their parts.

    Attributes
    ----------
    distance
        From the line of equal brightness, outwards, px, shape (n,).
    value
        Grey values over those of the surroundings, shape (n,).
    first
        Index of the first pixel of each part, and n, shape (parts + 1,).
    visible
        Grey values from the surroundings to the clipping.
    """

    distance: NDArray[np.float64]
    value: NDArray[np.float64]
    first: NDArray[np.int64]
    visible: float


def band_of(frame: Grey, contour: NDArray[np.float64], clipping: float, depth: float) -> Band | None:
    """The band along one outline; None where no line of equal brightness runs round the pool.

    Parameters
    ----------
    frame
        Grey values, shape (h, w).
    contour
        Coarse contour of the pool, px, shape (m, 2).
    clipping
        Grey value from which a pixel may be clipped.
    depth
        Width of the band, px.

    Notes
    -----
    Pixels are taken as they are: values interpolated between pixels are blurred by what depends on where between them
    they lie, which is as much as the foot of a step can bear.
    """
    around = np.hypot(*(np.roll(contour, -1, axis=0) - contour).T).sum()
    n = max(int(around / _SPACING), 48)
    x, y = resample(contour[:, 0].copy(), contour[:, 1].copy(), n)
    x, y, nx, ny, _ = normals_curvature(x, y, 3.0)
    across, seen = profiles(frame, x, y, nx, ny, _SEARCH, clipping)
    ground = _even(across[np.minimum(seen + _OUT, 2 * _SEARCH), np.arange(n)])
    usual = float(np.median(ground))
    if clipping <= usual:
        return None
    straight = _straightened(frame, usual, _TALL * (clipping - usual))
    across, _ = profiles(straight[frame], x, y, nx, ny, _SEARCH, 65535.0)
    level = np.interp(ground + _LINE * (clipping - ground), np.arange(len(straight)), straight)
    place = _crossings(across.T, level)
    place[~(np.abs(place - _middle(place)) < _STRAY)] = np.nan
    found = np.flatnonzero(np.isfinite(place))
    if len(found) < n / 2:
        return None
    place = np.interp(np.arange(n), found, place[found], period=n)
    x, y = resample(x + place * nx, y + place * ny, n)
    x, y = _without_noise(x), _without_noise(y)
    _, _, nx, ny, curvature = normals_curvature(x, y, 2.0)
    distance, value, vertex = _pixels(frame, x, y, nx, ny, curvature, depth, clipping)
    value -= ground[vertex]
    part = vertex * _PARTS // n
    order = np.argsort(part, kind="stable")
    return Band(
        distance=distance[order],
        value=value[order],
        first=np.searchsorted(part[order], np.arange(_PARTS + 1)),
        visible=clipping - usual,
    )


def _middle(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of each value of a closed sequence and three neighbours on either side, without those that are NaN."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        out: NDArray[np.float64] = np.nanmedian([np.roll(values, k) for k in range(-3, 4)], axis=0)
    return out


def _without_noise(along: Vertices) -> Vertices:
    """A closed line's coordinate smoothed in such a way that even bends stay where they are."""
    once = smooth_closed(along, _SMOOTH)
    out: Vertices = 2.0 * once - smooth_closed(once, _SMOOTH)
    return out


def _even(ground: NDArray[np.float64]) -> NDArray[np.float64]:
    """The surroundings' grey value at each vertex, without particles and noise."""
    out: NDArray[np.float64] = smooth_closed(_middle(ground), 3.0)
    return out


def _straightened(frame: Grey, ground: float, height: float) -> NDArray[np.uint16]:
    """A table of grey values in which a blurred step is a straight slope, so that interpolation does not bend it."""
    share = np.clip((np.arange(int(frame.max()) + 1) - ground) / height, 0.01, 0.99)
    z = np.interp(share, _TAIL[::-1], _Z[::-1])
    out: NDArray[np.uint16] = np.round((2.5 - z) * 13107.0).astype(np.uint16)
    return out


def _crossings(across: NDArray[np.float64], level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where profiles (n, 2 reach + 1) fall through their levels, nearest to their middle, px; NaN where they do not."""
    reach = across.shape[1] // 2
    rows = np.arange(len(across))
    falls = (across[:, :-1] >= level[:, None]) & (across[:, 1:] < level[:, None])
    first = np.where(falls, np.abs(np.arange(-reach, reach) + 0.5), np.inf).argmin(axis=1)
    before, after = across[rows, first], across[rows, first + 1]
    place = first - reach + (before - level) / np.where(before > after, before - after, 1.0)
    out: NDArray[np.float64] = np.where(falls.any(axis=1), place, np.nan)
    return out


@njit(cache=True, nogil=True)
def _pixels(
    frame: NDArray[np.generic],
    x: Vertices,
    y: Vertices,
    nx: Vertices,
    ny: Vertices,
    curvature: Vertices,
    depth: float,
    clipping: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Pixels in a band outside a closed line: distance from it, grey value, nearest vertex.

    A pixel is taken by its place, not by its value: which of them noise has darkened must not count.
    """
    h, w = frame.shape
    wide = depth + 2.0
    r0, c0 = max(int(y.min() - wide), 0), max(int(x.min() - wide), 0)
    rows, columns = min(int(y.max() + wide) + 2, h) - r0, min(int(x.max() + wide) + 2, w) - c0
    if rows <= 0 or columns <= 0:
        return np.empty(0), np.empty(0), np.empty(0, dtype=np.int64)
    near = np.full((rows, columns), wide * wide)
    vertex = np.full((rows, columns), -1)
    for j in range(x.size):
        for r in range(max(int(y[j] - wide), r0), min(int(y[j] + wide) + 2, r0 + rows)):
            for c in range(max(int(x[j] - wide), c0), min(int(x[j] + wide) + 2, c0 + columns)):
                square = (c - x[j]) ** 2 + (r - y[j]) ** 2
                if square < near[r - r0, c - c0]:
                    near[r - r0, c - c0] = square
                    vertex[r - r0, c - c0] = j
    most = 0
    for r in range(rows):
        for c in range(columns):
            if vertex[r, c] >= 0:
                most += 1
    distance, value, which = np.empty(most), np.empty(most), np.empty(most, dtype=np.int64)
    n = 0
    for r in range(rows):
        for c in range(columns):
            j = vertex[r, c]
            if j < 0 or frame[r + r0, c + c0] >= clipping:
                continue
            dx, dy = c + c0 - x[j], r + r0 - y[j]
            d = dx * nx[j] + dy * ny[j]
            along = dx * ny[j] - dy * nx[j]
            # The line bends away from its tangent.
            d += 0.5 * curvature[j] * along * along / max(1.0 + curvature[j] * d, 0.3)
            if 0.0 <= d <= depth:
                distance[n], value[n], which[n] = d, float(frame[r + r0, c + c0]), j
                n += 1
    return distance[:n], value[:n], which[:n]
