"""Surface agitation: how fast the brightness pattern inside the pool changes.

At fixed places inside the pool the four pixels of a square are kept as two diagonal sums. Two moments a fixed time
apart are compared after each was divided by its own mean, which takes out flicker and gain. The noise of the two
sums is independent and their signal is not, so the mean product of their changes is the power of the change
without the noise.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from .look import PoolLook

_PLACES = 400


def agitation_places(look: PoolLook, outline: NDArray[np.floating]) -> NDArray[np.int64]:
    """Places inside the pool, away from its edge and from the keyhole, as (row, column) relative to its centroid.

    Parameters
    ----------
    look
        The first look.
    outline
        A typical outline, shape (k, 2), relative to its own centroid, px.

    Returns
    -------
    ndarray of int, shape (m, 2)
        At most about 400 places.
    """
    margin = max(3.0 * look.sigma, 0.08 * look.size_px)
    reach = int(np.abs(outline).max()) + 4
    mask = np.zeros((2 * reach + 1, 2 * reach + 1), dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(outline + reach).astype(np.int32)], 1)
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    rows, cols = np.nonzero(depth > margin)
    kx, ky = look.keyhole.x - look.x + reach, look.keyhole.y - look.y + reach
    clear = np.hypot(cols - kx, rows - ky) > 2.5 * look.keyhole.radius_px
    rows, cols = rows[clear], cols[clear]
    step = max(2, round(math.sqrt(len(rows) / _PLACES)))
    keep = (rows % step == 0) & (cols % step == 0)
    return np.column_stack((rows[keep], cols[keep])).astype(np.int64) - reach


@njit(cache=True, nogil=True)
def agitation_sums(
    frame: NDArray[np.generic], places: NDArray[np.int64], row: int, col: int
) -> NDArray[np.float32]:
    """Diagonal sums at the places of a pool whose centroid is at (row, col), each divided by its mean: (2, m)."""
    h, w = frame.shape
    m = places.shape[0]
    out = np.empty((2, m), dtype=np.float32)
    total = 0.0
    for k in range(m):
        i = min(max(places[k, 0] + row, 0), h - 2)
        j = min(max(places[k, 1] + col, 0), w - 2)
        a = np.float32(frame[i, j]) + np.float32(frame[i + 1, j + 1])
        b = np.float32(frame[i, j + 1]) + np.float32(frame[i + 1, j])
        out[0, k] = a
        out[1, k] = b
        total += a + b
    mean = total / (2 * m) if m else 1.0
    for k in range(m):
        out[0, k] /= mean
        out[1, k] /= mean
    return out


def agitation_power(now: NDArray[np.float32], before: NDArray[np.float32]) -> float:
    """Power of the relative change of brightness between two moments, noise taken out; may be below 0 by chance."""
    change = now - before
    return float(np.mean(change[0] * change[1], dtype=np.float64))
