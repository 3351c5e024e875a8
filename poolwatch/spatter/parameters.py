"""What a fit of one sighting is about: its parameters, the pixels that it sees, and how the camera pictures things."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Parameters of a fit, a plain vector because its equations take it whole: centre, px; light, grey values summed over
# pixels; level of the ground, grey values; T = d²/16 + L²/24 and the streak's L² cos 2a and L² sin 2a, px² (see
# `records`).
X, Y, FLUX, GROUND, SPREAD, STREAK_M, STREAK_N, PARAMETERS = range(8)

# One row of a structured array, whose fields are attributes inside kernels.
Record = Any


class Pixels(NamedTuple):
    """Pixels for fits, one value a pixel in each array.

    Attributes
    ----------
    x, y
        Place, px.
    value
        Grey value above the ground.
    ground
        The ground's own grey value, which the noise goes by.
    limit
        Value above the ground from which the pixel is full.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    value: NDArray[np.float64]
    ground: NDArray[np.float64]
    limit: NDArray[np.float64]


class Imaging(NamedTuple):
    """How the camera pictures a particle.

    Attributes
    ----------
    table
        Light of a blurred disc, see `profile.disc_table`.
    blur
        Standard deviation of point spread and pixel together, px.
    read, shot
        Noise variance = read + shot · working grey value, squared grey values.
    """

    table: NDArray[np.float32]
    blur: float
    read: float
    shot: float


def pixels_for(n: int) -> Pixels:
    """Room for so many pixels."""
    return Pixels(np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n))


def pixels_at(pixels: Pixels, which: slice | NDArray[np.bool_]) -> Pixels:
    """Some of the pixels, in arrays of their own."""
    return Pixels(*(np.array(each[which]) for each in pixels))


@njit(cache=True, nogil=True)
def along_streak(m: float, n: float, covariance: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """Direction of a streak in (m, n), the variance of its L², and the covariance of that with T.

    `covariance` is that of all parameters, shape (`PARAMETERS`, `PARAMETERS`).
    """
    length2 = math.hypot(m, n)
    cm, cn = (m / length2, n / length2) if length2 > 1e-9 else (1.0, 0.0)
    variance = (
        cm * cm * covariance[STREAK_M, STREAK_M]
        + cn * cn * covariance[STREAK_N, STREAK_N]
        + 2.0 * cm * cn * covariance[STREAK_M, STREAK_N]
    )
    shared = cm * covariance[SPREAD, STREAK_M] + cn * covariance[SPREAD, STREAK_N]
    return cm, cn, variance, shared
