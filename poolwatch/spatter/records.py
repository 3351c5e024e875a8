"""The compact record of one sighting, and the words that stand for it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Bits of `mark`.
SATURATED = 1
BORDER = 2
RIM = 4
CROWDED = 8
UNFITTED = 16
SOFT = 32
DARK = 64
SHADED = 128

# 48 bytes: 200,000 frames with 20 sightings each take 190 MB.
# `spread` is T = d²/16 + L²/24, half the trace of the picture's covariance without the point spread
# (diameter d, streak L); (streak_m, streak_n) = L² (cos 2a, sin 2a) for a streak at angle a in image axes.
# Both are linear in what noise does, also for round and tiny particles, so they may be averaged over a track.
SIGHTING = np.dtype(
    [
        ("frame", "<i4"),
        ("x", "<f4"),
        ("y", "<f4"),
        ("flux", "<f4"),
        ("spread", "<f4"),
        ("streak_m", "<f4"),
        ("streak_n", "<f4"),
        ("u_x", "<f2"),
        ("u_y", "<f2"),
        ("u_flux", "<f2"),
        ("peak", "<f2"),
        ("u_spread", "<f2"),
        ("u_streak", "<f2"),
        ("slope", "<f2"),
        ("misfit", "<f2"),
        ("signal", "<f2"),
        ("mark", "<u2"),
    ]
)

SIGHTING_FIELDS: dict[str, str] = {
    "frame": "frame, counted from the start of the block that was searched, or of the clip once gathered",
    "x": "place, px to the right, mid-exposure",
    "y": "place, px down, mid-exposure",
    "flux": "light above the ground, grey values summed over pixels",
    "spread": "T = d²/16 + L²/24, px²",
    "streak_m": "L² cos 2a, px²",
    "streak_n": "L² sin 2a, px²",
    "u_x": "standard uncertainty of x, px",
    "u_y": "standard uncertainty of y, px",
    "u_flux": "relative standard uncertainty of the flux",
    "peak": "brightest pixel above the ground, fraction of full scale",
    "u_spread": "standard uncertainty of T once the streak is known, px²",
    "u_streak": "standard uncertainty of L² along the streak, px²",
    "slope": "change of T with the streak's L²: covariance over variance",
    "misfit": "root of the reduced chi-square of the fit",
    "signal": "peak of the smoothed picture over its noise",
    "mark": (
        "bits: 1 saturated, 2 touches the border, 4 touches the pool's rim, 8 touches another, 16 "
        "not fitted, 32 soft edge, 64 darker than the ground, 128 its fit misses something: a shadow, marks"
    ),
}


def no_sightings() -> NDArray[np.void]:
    """An empty array of sightings."""
    return np.zeros(0, dtype=SIGHTING)
