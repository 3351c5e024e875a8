"""What a shadow beside a particle, or under it, leaves unknown of its size and speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .linking import Tracks
from .records import BORDER, CROWDED, DARK, RIM, SHADED, UNFITTED
from .sizing import Sizes

# Share by which a shadow that touches a particle puts its diameter out (rms over 8 clips drawn at random, by two
# generators: 0.026).
_BY_SHADOW = 0.03


@dataclass(frozen=True)
class ShadowDoubt:
    """Standard uncertainties by track: of the diameter, px, and of each part of the velocity, px a frame."""

    u_diameter: NDArray[np.float64]
    u_velocity: NDArray[np.float64]


def by_shadow(tracks: Tracks, sizes: Sizes, shadows: NDArray[np.bool_]) -> ShadowDoubt:
    """Doubt of tracks whose fits miss something that may be a shadow.

    It may be where the clip has shadows, and where a dark thing is drawn out by what lies under it. Elsewhere it is
    marks on the metal, which differ from frame to frame.

    What a shadow takes off one side makes the disc smaller by as much and moves its centre by half of that: as the
    shadow runs away, the diameter drifts, and the place by half as much.

    Parameters
    ----------
    tracks, sizes
        Tracks and their diameters.
    shadows
        Which tracks are shadows, shape (tracks,).
    """
    if not len(tracks):
        return ShadowDoubt(np.zeros(0), np.zeros(0))
    s, starts = tracks.sightings, tracks.starts
    fitted = (s["mark"] & (BORDER | RIM | CROWDED | UNFITTED)) == 0
    missed = fitted & ((s["mark"] & SHADED) != 0)
    if not shadows.any():
        drawn_out = ((s["mark"] & DARK) != 0) & (s["streak_m"] == 0) & (s["streak_n"] == 0)
        missed &= drawn_out

    def total(values: NDArray[np.generic]) -> NDArray[np.float64]:
        return np.asarray(np.add.reduceat(values.astype(np.float64), starts[:-1]))

    count = np.maximum(total(fitted), 1.0)
    share, of = total(missed) / count, np.repeat(np.arange(len(tracks)), np.diff(starts))
    size = np.where(fitted, sizes.sightings, 0.0)
    t = np.where(fitted, s["frame"] - (total(fitted * s["frame"]) / count)[of], 0.0)
    square = np.maximum(total(t * t), 1.0)
    drift = total(t * size) / square
    off = np.where(fitted, size - (total(size) / count)[of] - drift[of] * t, 0.0)
    # What noise alone would make it drift by is no shadow's.
    by_noise2 = total(off**2) / np.maximum(count - 2.0, 1.0) / square
    moved = 0.5 * np.sqrt(np.maximum(drift**2 - by_noise2, 0.0))
    return ShadowDoubt(_BY_SHADOW * share * sizes.diameter, np.where(share > 0, moved, 0.0))
