"""Extents, area and centroid of a closed outline of sub-pixel vertices."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .cap import support

# Depth of the cap whose top is an extent, px, and besides as a share of half the extent: little where vertices are
# sharp, for a wider cap is less of a parabola.
_DEPTH_PX = 1.0
SHARP, VAGUE = 0.02, 0.05


@njit(cache=True, nogil=True)
def area_centroid(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float, float]:
    """Area, and centroid of the area, of a closed polygon."""
    n = x.size
    area = 0.0
    cx = 0.0
    cy = 0.0
    x0 = x[0]
    y0 = y[0]
    for i in range(n):
        j = i + 1 if i + 1 < n else 0
        xi = x[i] - x0
        yi = y[i] - y0
        xj = x[j] - x0
        yj = y[j] - y0
        cross = xi * yj - xj * yi
        area += cross
        cx += (xi + xj) * cross
        cy += (yi + yj) * cross
    if area == 0.0:
        return 0.0, x0, y0
    return abs(0.5 * area), x0 + cx / (3.0 * area), y0 + cy / (3.0 * area)


@njit(cache=True, nogil=True)
def extents(
    x: NDArray[np.float64], y: NDArray[np.float64], ux: float, uy: float, vx: float, vy: float, share: float
) -> tuple[float, float, float, float]:
    """Reach of the outline forward, back, left and right.

    Parameters
    ----------
    x, y
        Vertices in the image, px.
    ux, uy, vx, vy
        What makes of image x and y the coordinate along travel, and the one to its left: unit vectors (y down) where
        the camera looks squarely at the weld.
    share
        `SHARP` or `VAGUE`: how well vertices are known.

    Returns
    -------
    tuple of float
        Greatest and least coordinate along travel, greatest and least coordinate to the left of travel,
        all from the image's origin, px.
    """
    p = x * ux + y * uy
    q = x * vx + y * vy
    depth_p = _DEPTH_PX + 0.5 * share * (p.max() - p.min())
    depth_q = _DEPTH_PX + 0.5 * share * (q.max() - q.min())
    return (
        support(p, q, depth_p),
        -support(-p, q, depth_p),
        support(q, p, depth_q),
        -support(-q, p, depth_q),
    )
