"""Bumps on an outline that are particles on the rim, levelled; and tips that are the pool's own."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..curve import normals_curvature, resample, spacing_of

# A bump ends where it stands out by less than this share of the limit.
_FLANK = 0.4

Places = NDArray[np.float64]


@njit(cache=True, nogil=True)
def level_bumps(place: Places, spacing: float, width: float, limit: Places) -> Places:
    """Replace places that stand out of their surroundings: a particle on the rim, not the rim.

    Parameters
    ----------
    place
        Places along a closed chain, px, outward.
    spacing
        Distance of neighbours, px.
    width
        Widest bump, px: the median is taken over one and a half times that to either side.
    limit
        How far each place may stand out of the median, px, shape of `place`.
    """
    n = place.size
    half = min(int(math.ceil(1.5 * width / spacing)), n // 4)
    # Kept in order from place to place: one value leaves, one comes.
    window = np.full(2 * half + 1, np.inf)
    for t in range(-half, half + 1):
        _replace(window, np.inf, place[t % n])
    above = np.empty(n)
    for j in range(n):
        if j > 0:
            _replace(window, place[(j - 1 - half) % n], place[(j + half) % n])
        above[j] = place[j] - window[half]
    good = np.ones(n, dtype=np.bool_)
    for j in range(n):
        if above[j] > limit[j]:
            # Its flanks rise with it: as far as they are clearly higher, and two more.
            good[j] = False
            for side in (-1, 1):
                t = 1
                while t < half and above[(j + side * t) % n] > _FLANK * limit[j]:
                    t += 1
                for k in range(1, t + 2):
                    good[(j + side * k) % n] = False
    bad = 0
    for j in range(n):
        bad += 0 if good[j] else 1
    out = place.copy()
    if bad == 0 or bad > n // 2:
        return out
    for j in range(n):
        if good[j]:
            continue
        a = 1
        while not good[(j - a) % n]:
            a += 1
        b = 1
        while not good[(j + b) % n]:
            b += 1
        out[j] = (b * place[(j - a) % n] + a * place[(j + b) % n]) / (a + b)
    return out


@njit(cache=True, nogil=True)
def _replace(ordered: Places, old: float, new: float) -> None:
    """Put a value in the place of another, the order kept."""
    k = 0
    while ordered[k] != old:
        k += 1
    while k + 1 < ordered.size and ordered[k + 1] < new:
        ordered[k] = ordered[k + 1]
        k += 1
    while k > 0 and ordered[k - 1] > new:
        ordered[k] = ordered[k - 1]
        k -= 1
    ordered[k] = new


def tips_of(outline: NDArray[np.float64], bump: float, forward: tuple[float, float]) -> NDArray[np.float64]:
    """Where an outline is more pointed, ahead or behind, than a disc: outward unit vectors, shape (m, 2).

    Parameters
    ----------
    outline
        Vertices x, y, shape (k, 2), px.
    bump
        Width of the disc, px.
    forward
        Unit vector along travel in the image.
    """
    x, y = resample(outline[:, 0].copy(), outline[:, 1].copy(), len(outline))
    _, _, nx, ny, curvature = normals_curvature(x, y, max(1.2 / spacing_of(x, y), 0.5))
    sharpest = (curvature >= np.roll(curvature, 1)) & (curvature >= np.roll(curvature, -1))
    along = np.abs(nx * forward[0] + ny * forward[1])
    found = np.flatnonzero(sharpest & (curvature > 2.0 / bump) & (along > 0.5))
    return np.column_stack((nx[found], ny[found]))
