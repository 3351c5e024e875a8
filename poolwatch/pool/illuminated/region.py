"""The pool in one frame at pixel level: where it lies, and a coarse contour of what looks liquid."""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..coarse import cut_necks
from .discs import closed_by, disc, opened_by
from .metal import Box, Field, Grey

# Unexplained share of its surroundings above which a pixel is liquid, before the clip's own spreads are known.
SHARE = 0.3
# Gaps up to about this width are closed: places where liquid happens to look like metal, px.
_GAP = 7


def contour_of(
    liquid: NDArray[np.bool_] | NDArray[np.uint8], neck: int, near: tuple[float, float] | None = None
) -> tuple[NDArray[np.float64], float]:
    """Contour of the largest liquid region, gaps and holes closed, without what hangs on a neck.

    Parameters
    ----------
    liquid
        Which pixels look liquid, shape (h, w).
    neck
        Width of the widest neck that is cut and of the widest bump that is shaved off, px; 0: none is.
    near
        A place (x, y) px; a region that holds it is preferred to a larger one that does not.

    Returns
    -------
    tuple
        Contour (m, 2) as x, y px, and its area px²; empty and 0 where nothing is liquid.
    """
    mask = closed_by(liquid.view(np.uint8), disc(_GAP))
    if neck > 0:
        # A particle that has just left stands on the rim as a bump; holes must not be widened with it.
        outer, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        cv2.drawContours(mask, outer, -1, 1, cv2.FILLED)
        mask = opened_by(mask, disc(neck | 1))
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return np.empty((0, 2)), 0.0
    areas = [cv2.contourArea(c) for c in contours]
    best = int(np.argmax(areas))
    if near is not None:
        holding = [i for i, c in enumerate(contours) if cv2.pointPolygonTest(c, near, False) >= 0]
        if holding:
            inside = max(holding, key=lambda i: areas[i])
            if areas[inside] > 0.25 * areas[best]:
                best = inside
    contour = contours[best].reshape(-1, 2).astype(np.float64)
    if len(contour) < 8:
        return np.empty((0, 2)), 0.0
    return (cut_necks(contour, float(neck)) if neck > 0 else contour), float(areas[best])


@njit(cache=True, nogil=True)
def liquid_in(weight: Field) -> NDArray[np.uint8]:
    """1 where the weight of evidence in the square of 3 x 3 around a pixel, mirrored at the border, is above 0."""
    h, w = weight.shape
    out = np.empty((h, w), dtype=np.uint8)
    column = np.empty(w + 2, dtype=np.float32)
    for i in range(h):
        up = weight[i - 1 if i > 0 else min(1, h - 1)]
        down = weight[i + 1 if i < h - 1 else max(h - 2, 0)]
        here, liquid = weight[i], out[i]
        for j in range(w):
            column[j + 1] = up[j] + here[j] + down[j]
        column[0] = column[min(2, w)]
        column[w + 1] = column[max(w - 1, 1)]
        for j in range(w):
            above = column[j] + column[j + 1] + column[j + 2] > np.float32(0.0)
            liquid[j] = np.uint8(1) if above else np.uint8(0)
    return out


def filled(contour: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.uint8]:
    """1 inside a contour."""
    mask = np.zeros(shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(contour).astype(np.int32)], 1)
    return mask


def box_around(contour: NDArray[np.float64], margin: float, shape: tuple[int, int]) -> Box:
    """Rows and columns (r0, r1, c0, c1) that hold a contour and a margin."""
    c0, r0 = np.floor(contour.min(axis=0) - margin).astype(int)
    c1, r1 = np.ceil(contour.max(axis=0) + margin).astype(int) + 1
    return max(int(r0), 0), min(int(r1), shape[0]), max(int(c0), 0), min(int(c1), shape[1])


def margin_of(size: float) -> float:
    """Metal looked at around a pool of a given size, px: enough to register on, and for the outline to swell."""
    return max(12.0, 0.18 * size)


def distances(contour: NDArray[np.float64], shape: tuple[int, int]) -> Field:
    """Distance of each pixel to a contour, px: above 0 inside, below outside."""
    mask = filled(contour, shape)
    inside = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    outside = cv2.distanceTransform(1 - mask, cv2.DIST_L2, 5)
    return np.asarray(inside - outside, dtype=np.float32)


def lighting_of(
    frames: list[Grey], metal: list[NDArray[np.bool_]]
) -> tuple[tuple[float, float, float], NDArray[np.float64]]:
    """Grey value of the metal as a plane c0 + cx x + cy y, and each frame's gain against it.

    Parameters
    ----------
    frames
        Pictures, each of shape (h, w).
    metal
        Which pixels are solid metal, one for each picture.
    """
    levels = np.array([float(f[m].mean()) if m.any() else np.nan for f, m in zip(frames, metal, strict=True)])
    usual = float(np.nanmedian(levels))
    gains = np.where(np.isfinite(levels) & (levels > 0), levels / max(usual, 1e-6), 1.0)
    rows, cols, values = [], [], []
    for frame, solid, gain in zip(frames, metal, gains, strict=True):
        thin = np.zeros_like(solid)
        thin[::4, ::4] = solid[::4, ::4]
        i, j = np.nonzero(thin)
        rows.append(i)
        cols.append(j)
        values.append(frame[i, j] / gain)
    x, y, v = np.concatenate(cols), np.concatenate(rows), np.concatenate(values).astype(np.float64)
    a = np.column_stack((np.ones(len(x)), x, y)).astype(np.float64)
    weight: NDArray[np.float64] = np.ones(len(v))
    plane: NDArray[np.float64] = np.array([usual, 0.0, 0.0])
    for _ in range(3):
        plane[:] = np.linalg.lstsq(a * weight[:, None], v * weight, rcond=None)[0]
        r: NDArray[np.float64] = v - a @ plane
        # Highlights of the bead and what is left of particles must not tilt the plane (Huber's weights).
        scale = 1.4826 * float(np.median(np.abs(r))) + 1e-6
        weight[:] = np.sqrt(np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(r), 1e-9)))
    return (float(plane[0]), float(plane[1]), float(plane[2])), gains
