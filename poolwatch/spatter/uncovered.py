"""The ground where particles flew during the first look: learned without them.

A pixel that slow particles cover in a tenth of the sample has a median above the ground, by a tenth of its noise or so.
That stands along their paths only, a few pixels wide, is taken off every picture of them, and makes it narrower: in
spread by some per cent, which in a small particle is a fifth of the diameter.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .fitting import blur_of

# A picture reaches this many standard deviations of the blur beyond the disc.
_REACH = 3.0
# Least share of the sample in which a pixel must be free of particles to be learned anew.
_FREE = 0.5


def covered(sightings: NDArray[np.void], shape: tuple[int, int, int], blur: float) -> NDArray[np.bool_]:
    """Where particles lie in a sample.

    Parameters
    ----------
    sightings
        Records of the sample (`records.SIGHTING`), fitted with a point spread of `blur` standard deviations, px.
    shape
        Frames, rows and columns.

    Returns
    -------
    ndarray
        Shape `shape`, True where a particle's picture reaches.
    """
    result = np.zeros(shape, dtype=np.bool_)
    for one in sightings:
        length2 = float(np.hypot(one["streak_m"], one["streak_n"]))
        reach = 2.0 * max(float(one["spread"]) - length2 / 24.0, 0.0) ** 0.5 + _REACH * blur
        half = 0.5 * length2**0.5
        angle = 0.5 * np.arctan2(float(one["streak_n"]), float(one["streak_m"]))
        x, y, around = float(one["x"]), float(one["y"]), reach + half
        if not np.isfinite(around + x + y):
            continue
        rows = np.arange(max(int(y - around), 0), min(int(y + around) + 2, shape[1]))
        columns = np.arange(max(int(x - around), 0), min(int(x + around) + 2, shape[2]))
        if not len(rows) or not len(columns):
            continue
        dx, dy = columns[None, :] - x, rows[:, None] - y
        along = np.abs(dx * np.cos(angle) + dy * np.sin(angle))
        across = dy * np.cos(angle) - dx * np.sin(angle)
        here = np.maximum(along - half, 0.0) ** 2 + across**2 <= reach**2
        result[one["frame"], rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] |= here
    return result


def uncovered_ground(
    sample: NDArray[np.unsignedinteger], ground: NDArray[np.float32], sightings: NDArray[np.void]
) -> NDArray[np.float32]:
    """The ground, as a mean of the middle half over time of the frames in which no particle lies there.

    Parameters
    ----------
    sample
        Shape (n, h, w), native grey values.
    ground
        Shape (h, w): the same over all frames, kept where no particle was or where too few frames are free of them.
    sightings
        Records of the sample, fitted with a point spread of 1 px.

    Returns
    -------
    ndarray
        Shape (h, w), grey values.
    """
    away = covered(sightings, sample.shape, blur_of(1.0))
    count = len(sample) - away.sum(axis=0)
    ys, xs = np.nonzero((count < len(sample)) & (count >= max(_FREE * len(sample), 4)))
    values = sample[:, ys, xs].astype(np.float32)
    values[away[:, ys, xs]] = np.inf
    values.sort(axis=0)
    free = count[ys, xs]
    place = np.arange(len(sample))[:, None]
    middle = (place >= free // 4) & (place < free - free // 4)
    result = ground.copy()
    result[ys, xs] = np.where(middle, values, 0.0).sum(axis=0, dtype=np.float64) / middle.sum(axis=0)
    return result
