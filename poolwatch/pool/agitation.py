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
from numba import njit
from numpy.typing import NDArray

from ..model.pixels import Frames, grey_at
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
        clear &= np.hypot(cols - x, rows - y) > 1.15 * look.keyhole.extent_px
    rows, cols = rows[clear], cols[clear]
    step = max(2, round(math.sqrt(len(rows) / _PLACES)))
    keep = (rows % step == 0) & (cols % step == 0)
    return np.column_stack((rows[keep], cols[keep])).astype(np.int64) - reach


@njit(cache=True, nogil=True)
def agitation_sums(
    frames: Frames,
    wanted: NDArray[np.bool_],
    places: NDArray[np.int64],
    anchors: NDArray[np.int64],
    out: NDArray[np.float32],
) -> None:
    """Diagonal sums at the places of the pools, divided by their mean, into `out`.

    Parameters
    ----------
    frames
        Grey values of n frames.
    wanted
        Shape (n,): the frames to look at.
    places
        Places relative to the anchor, shape (m, 2), row and column, px.
    anchors
        Row and column of the pool's centroid in each frame, shape (n, 2), px.
    out
        Shape (n, 2, m); other frames' rows stay as they are.
    """
    h, w = frames[0].shape[1:]
    for f in range(wanted.size):
        if not wanted[f]:
            continue
        sums, row, col = out[f], anchors[f, 0], anchors[f, 1]
        total = 0.0
        for k in range(places.shape[0]):
            i = min(max(places[k, 0] + row, 0), h - 2)
            j = min(max(places[k, 1] + col, 0), w - 2)
            down = float(grey_at(frames, f, i, j) + grey_at(frames, f, i + 1, j + 1))
            up = float(grey_at(frames, f, i, j + 1) + grey_at(frames, f, i + 1, j))
            sums[0, k], sums[1, k] = down, up
            total += down + up
        if total > 0.0:
            share = np.float32(2.0 * places.shape[0] / total)
            for k in range(places.shape[0]):
                sums[0, k] *= share
                sums[1, k] *= share


@njit(cache=True, nogil=True)
def agitation_powers(now: NDArray[np.float32], before: NDArray[np.float32], out: NDArray[np.float64]) -> None:
    """Power of the relative change of brightness between two moments, noise taken out; may be below 0 by chance.

    Parameters
    ----------
    now, before
        Diagonal sums at the two moments, shape (n, 2, m); NaN where not known.
    out
        Shape (n,); NaN where either moment is.
    """
    for f in range(now.shape[0]):
        total = 0.0
        for k in range(now.shape[2]):
            total += float(now[f, 0, k] - before[f, 0, k]) * float(now[f, 1, k] - before[f, 1, k])
        out[f] = total / now.shape[2]
