"""What linking needs of a sighting, and what it says about the motion of a particle."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .parameters import Record
from .records import CROWDED, UNFITTED

# Irregular shapes: scatter of the centre, px, its share of the diameter and of the step.
_SCATTER, _SCATTER_SIZE, _SCATTER_STEP = 0.2, 0.04, 0.015
# A streak's length is doubtful by this share of its square and so many px², may be this many times the way between two
# frames squared, and costs at most so much.
_STREAK_SHARE, _STREAK_FLOOR, _STREAK_LONGEST, _STREAK_MOST = 0.15, 1.0, 1.2, 25.0

# What linking needs of a sighting: 40 bytes, as there may be millions.
LINK = np.dtype(
    [
        # Place, px, and its variance, px².
        ("x", "f4"),
        ("y", "f4"),
        ("variance", "f4"),
        # Diameter, px, and logarithm of the light.
        ("diameter", "f4"),
        ("log_light", "f4"),
        # Streak L² cos 2a and L² sin 2a, and its uncertainty, px²; 0 where it was not fitted.
        ("streak_m", "f4"),
        ("streak_n", "f4"),
        ("u_streak", "f4"),
        # 1 where it touches another.
        ("touching", "f4"),
        ("frame", "f4"),
    ]
)


@njit(cache=True, nogil=True)
def rough_place(diameter: float, step: float) -> float:
    """Scatter of the centre of an irregular shape that moves by `step` a frame, px."""
    return _SCATTER + _SCATTER_SIZE * diameter + _SCATTER_STEP * step


@njit(cache=True, nogil=True)
def scatter_of(sighting: Record, step: float) -> float:
    """Variance of a sighting's place for linking, px²."""
    rough = rough_place(sighting.diameter, step)
    return float(sighting.variance + rough * rough)


@njit(cache=True, nogil=True)
def streak_cost(sighting: Record, vx: float, vy: float) -> float:
    """Price of a streak that does not lie along the motion, or is longer than the way between two frames."""
    m, n = sighting.streak_m, sighting.streak_n
    v2 = vx * vx + vy * vy
    if v2 < 1e-12:
        along, across = math.hypot(m, n), 0.0
    else:
        c, d = (vx * vx - vy * vy) / v2, 2.0 * vx * vy / v2
        along, across = m * c + n * d, n * c - m * d
    length2 = math.hypot(m, n)
    sd = sighting.u_streak + _STREAK_SHARE * length2 + _STREAK_FLOOR
    price = min((across / sd) ** 2, _STREAK_MOST)
    if along < -sd:
        price += min((along / sd) ** 2, _STREAK_MOST)
    if along > _STREAK_LONGEST * v2 + sd:
        price += min(((along - _STREAK_LONGEST * v2) / sd) ** 2, _STREAK_MOST)
    return float(price)


def links_of(sightings: NDArray[np.void]) -> NDArray[np.void]:
    """What linking needs of sightings (dtype `records.SIGHTING`), shape (n,), dtype `LINK`."""
    s = np.empty(len(sightings), dtype=LINK)
    s["x"], s["y"], s["frame"] = sightings["x"], sightings["y"], sightings["frame"]
    u2 = (sightings["u_x"].astype(np.float32) ** 2 + sightings["u_y"].astype(np.float32) ** 2) / 2
    s["variance"] = np.minimum(u2, 9.0)
    s["diameter"] = np.minimum(4.0 * np.sqrt(np.maximum(sightings["spread"], 0.0)), 400.0)
    s["log_light"] = np.log(np.maximum(sightings["flux"], 1e-3))
    fitted = (sightings["mark"] & UNFITTED) == 0
    s["streak_m"], s["streak_n"] = (
        np.where(fitted, sightings[name], 0.0) for name in ("streak_m", "streak_n")
    )
    s["u_streak"] = sightings["u_streak"]
    s["touching"] = (sightings["mark"] & CROWDED) != 0
    return s
