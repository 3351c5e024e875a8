"""Surface agitation: how fast the brightness pattern inside the pool changes.

At fixed places inside the pool the four pixels of a square are kept as two diagonal sums. Two moments a fixed time
apart are compared after each was divided by its own mean, which takes out flicker and gain. The noise of the two
sums is independent and their signal is not, so the mean product of their changes is the power of the change
without the noise.
"""

from __future__ import annotations

import math
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from .coarse import Grey
from .keyhole import Keyhole

_PLACES = 400


class Placed(Protocol):
    """Where the pool and its keyhole are; what both kinds of first look tell."""

    @property
    def x(self) -> float:
        """Place of the pool in the view, px."""
        ...

    @property
    def y(self) -> float:
        """Place of the pool in the view, px."""
        ...

    @property
    def size_px(self) -> float:
        """Square root of the pool's area, px."""
        ...

    @property
    def keyhole(self) -> Keyhole:
        """The keyhole region."""
        ...


def agitation_places(look: Placed, sigma: float, outline: NDArray[np.floating]) -> NDArray[np.int64]:
    """Places inside the pool, away from its edge and from the keyhole, as (row, column) relative to its centroid.

    Parameters
    ----------
    look
        The first look, of glowing or of illuminated footage.
    sigma
        Spread of the pool's edge, px.
    outline
        A typical outline, shape (k, 2), relative to its own centroid, px.

    Returns
    -------
    ndarray of int, shape (m, 2)
        At most about 400 places.
    """
    margin = max(3.0 * sigma, 0.08 * look.size_px)
    reach = int(np.abs(outline).max()) + 4
    mask = np.zeros((2 * reach + 1, 2 * reach + 1), dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(outline + reach).astype(np.int32)], 1)
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    rows, cols = np.nonzero(depth > margin)
    clear = np.ones(len(rows), dtype=np.bool_)
    for x, y in look.keyhole.spots - (look.x, look.y) + reach:
        clear &= np.hypot(cols - x, rows - y) > 2.5 * look.keyhole.radius_px
    rows, cols = rows[clear], cols[clear]
    step = max(2, round(math.sqrt(len(rows) / _PLACES)))
    keep = (rows % step == 0) & (cols % step == 0)
    return np.column_stack((rows[keep], cols[keep])).astype(np.int64) - reach


def agitation_sums(frame: Grey, places: NDArray[np.int64], row: int, col: int) -> NDArray[np.float32]:
    """Diagonal sums at the places of a pool whose centroid is at (row, col), divided by their mean: (2, m)."""
    h, w = frame.shape
    i = np.clip(places[:, 0] + row, 0, h - 2)
    j = np.clip(places[:, 1] + col, 0, w - 2)
    corners = [frame[i + a, j + b].astype(np.float32) for a, b in ((0, 0), (1, 1), (0, 1), (1, 0))]
    sums = np.stack((corners[0] + corners[1], corners[2] + corners[3]))
    mean = sums.mean()
    return sums / mean if mean > 0 else sums


def agitation_power(now: NDArray[np.float32], before: NDArray[np.float32]) -> float:
    """Power of the relative change of brightness between two moments, noise taken out; may be below 0 by chance."""
    change = now - before
    return float(np.mean(change[0] * change[1], dtype=np.float64))
