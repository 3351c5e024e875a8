"""Shading of liquid along its rim: a meniscus turns its slope to or from the light, by the side of the pool.

Towards the light the last pixels of liquid are nearly as bright as metal, and the rim would be taken for further in; on
the other side they are darker. How much brighter than usual liquid is at each depth, on each side, is learned from
the clip, and taken off along each normal before the rim is fitted.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..curve import normals_curvature, spacing_of
from .rim import Places, Rim, RimTone, Shading, sampled

# Directions of normals, and depths, px, at which shading is learned.
_SIDES, _DEPTHS = 8, 10
# Nearer to the rim than this there is metal in a pixel too: from the next few px on shading goes straight on, px.
_MIXED, _GOES_ON = 2, 3
# More than this share of the way from liquid to metal is no shading.
_SHARE = 0.25
# Fewer normals than this show no shading of a side.
_FEWEST = 30


def no_shading() -> Shading:
    """Liquid of the same tone on all sides."""
    return np.zeros((_SIDES, _DEPTHS), dtype=np.float32)


def shading_of(
    bright: list[NDArray[np.float32]],
    outlines: list[NDArray[np.float64]],
    liquid: RimTone,
    metal: RimTone,
    sigma: float,
) -> Shading:
    """How much brighter than `liquid` it is by direction of the normal and depth, shape (sides, depths).

    Medians over all normals of a side: a glint is at a place in few pictures. What an edge of spread `sigma` (px) lets
    through of metal is no shading.
    """
    sides: list[list[NDArray[np.float64]]] = [[] for _ in range(_SIDES)]
    for field, outline in zip(bright, outlines, strict=True):
        x, y = outline[:, 0].copy(), outline[:, 1].copy()
        x, y, nx, ny, _ = normals_curvature(x, y, max(1.2 / spacing_of(x, y), 0.5))
        inside = sampled(field, x, y, nx, ny, _DEPTHS - 1)[:, _DEPTHS - 1 :: -1]
        side = np.round(np.arctan2(ny, nx) / (2 * math.pi) * _SIDES).astype(int) % _SIDES
        for k in range(_SIDES):
            sides[k].extend(inside[side == k])
    depth = np.arange(_DEPTHS)
    apart = metal.level - liquid.level
    most = _SHARE * abs(apart)
    through = apart * np.array([0.5 * math.erfc(d / sigma / math.sqrt(2)) for d in depth])
    out = no_shading()
    for k, found in enumerate(sides):
        if len(found) < _FEWEST:
            continue
        more = np.median(found, axis=0) - liquid.at(depth.astype(np.float64)) - through
        near = slice(_MIXED, _MIXED + _GOES_ON)
        slope, level = np.polyfit(depth[near], more[near], 1)
        more[:_MIXED] = level + slope * depth[:_MIXED]
        out[k] = np.clip(more, -most, most)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def take_off_shading(bright: NDArray[np.float64], nx: Places, ny: Places, rim: Rim) -> None:
    """Take shading off samples along normals, shape (normals, samples), the rim about in the middle; in place."""
    n, m = bright.shape
    shading = rim.shading
    sides, depths = shading.shape
    middle = rim.weight.shape[1] // 2
    # As much as is liquid in each.
    share = rim.inner[:, middle] / rim.weight[:, middle]
    for j in range(n):
        turn = (math.atan2(ny[j], nx[j]) / (2.0 * math.pi) * sides) % sides
        first = int(turn) % sides
        part = turn - int(turn)
        one, two = shading[first], shading[(first + 1) % sides]
        for k in range(m):
            depth = min(max(m // 2 - k, 0), depths - 1)
            bright[j, k] -= share[k] * ((1.0 - part) * one[depth] + part * two[depth])
