"""The simulated pool's outline: an egg curve with closed formulas.

In pool axes (u forward, v to the left, px, beam at 0), for t in [0, 2 pi)::

    u = c + a cos t
    v = b sin t (1 + k cos t) + s w²,   w = (front - u) / (2 a)

`a` is half the length, `k` the taper: 0 is an ellipse, towards 1 the tail (t = pi) grows thin. The sway `s`
is a shear: it moves the tail sideways and changes neither length nor area. Without it the width is
``2 b m(k)`` with ``m`` the maximum of sin t (1 + k cos t); the area is ``pi a b`` for every k, since the
integral of sin² t cos t vanishes.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

VERTICES = 1024
_T = np.arange(VERTICES) * (2 * math.pi / VERTICES)


def widest(taper: float) -> float:
    """Maximum of sin t (1 + k cos t): half width over b."""
    if taper == 0:
        return 1.0
    cosine = (-1 + math.sqrt(1 + 8 * taper**2)) / (4 * taper)
    return math.sqrt(1 - cosine**2) * (1 + taper * cosine)


def polygon(length: float, width: float, front: float, sway: float, taper: float) -> NDArray[np.float64]:
    """Vertices of the outline in pool axes, shape (1024, 2): (u, v) px.

    The polygon's area is 6e-6 of the area below the curve's, its extents at most 5e-6 of theirs.
    """
    a, b = length / 2, width / (2 * widest(taper))
    cosine, sine = np.cos(_T), np.sin(_T)
    behind = (1 - cosine) / 2
    return np.stack(
        [front - a + a * cosine, b * sine * (1 + taper * cosine) + sway * behind**2],
        axis=1,
    )


def half_width(
    u: NDArray[np.float64], length: NDArray[np.float64] | float, width: NDArray[np.float64] | float,
    front: NDArray[np.float64] | float, taper: float,
) -> NDArray[np.float64]:  # fmt: skip
    """Half width at `u`, px; below 0 where `u` lies ahead of the front or behind the tail."""
    cosine = (np.asarray(u) - front) / (np.asarray(length) / 2) + 1
    inside = np.abs(cosine) <= 1
    cosine = np.clip(cosine, -1, 1)
    half = np.asarray(width) / (2 * widest(taper)) * np.sqrt(1 - cosine**2) * (1 + taper * cosine)
    return np.where(inside, half, -1.0)


def extents_across(
    length: NDArray[np.float64], width: NDArray[np.float64], sway: NDArray[np.float64], taper: float
) -> NDArray[np.float64]:
    """Width across travel of every frame's outline, px, with the sway; shape as given."""
    result = np.array(width, dtype=np.float64)
    b = width / (2 * widest(taper))
    sine = np.sin(_T) * (1 + taper * np.cos(_T))
    behind = ((1 - np.cos(_T)) / 2) ** 2
    for i in np.flatnonzero(sway):
        v = b[i] * sine + sway[i] * behind
        result[i] = v.max() - v.min()
    return result


def areas(length: NDArray[np.float64], width: NDArray[np.float64], taper: float) -> NDArray[np.float64]:
    """Area of every frame's outline, px²: pi a b."""
    return np.asarray(math.pi * length / 2 * width / (2 * widest(taper)))
