"""The pool in one frame at pixel level: where it lies, and a coarse contour of what looks liquid."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..coarse import cut_necks
from ..curve import resample
from .discs import closed_by, disc, opened_by
from .metal import Box, Field, Grey

# Unexplained share of its surroundings above which a pixel is liquid, before the clip's own spreads are known.
SHARE = 0.3
# An end of the pool is now and then this share of the pool's size (root of its area) from where it usually is: a pool
# is one and a half to two sizes long, and its length varies by some 4 % (standard deviation).
_LONGER = 0.15
# Contours of places about the middle of a pool that is shaved, px.
Pieces = tuple[NDArray[np.float64], ...]
# Least area of a part of a pool, px², and how far apart such parts may lie, as a share of the pool's size so far.
_PART_PX = 12.0
_TOGETHER = 0.4
# Gaps up to about this width are closed: places where liquid happens to look like metal, px.
_GAP = 7


def contour_of(
    liquid: NDArray[np.bool_] | NDArray[np.uint8],
    neck: int,
    near: tuple[float, float] | None = None,
    pointed: Pieces = (),
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
    pointed
        Where nothing is shaved off, for the pool's own ends are as narrow as a bump: see `pointed_of`.

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
        shaved = opened_by(mask, disc(neck | 1))
        contour, _ = _largest(shaved, near)
        if len(contour) and pointed:
            shaved |= mask & laid_out(pointed, middle_of(contour), mask.shape)
        mask = shaved
    contour, area = _largest(mask, near)
    if len(contour) < 8:
        return np.empty((0, 2)), 0.0
    return (cut_necks(contour, float(neck)) if neck > 0 else contour), area


def hull_of(liquid: NDArray[np.bool_]) -> tuple[NDArray[np.float64], float]:
    """Convex outline of what looks liquid and lies together, and its area px²; empty and 0 where nothing does.

    Where the liquid is calm, or the metal's marks run along travel, only parts of a pool stand out: glints, the
    keyhole, the front, the tail. A pool is convex, or nearly so. The largest part comes first; others join it that lie
    within a share of the size of what was gathered so far.
    """
    mask = closed_by(liquid.view(np.uint8), disc(_GAP))
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    parts = sorted(
        (c.reshape(-1, 2) for c in found if cv2.contourArea(c) >= _PART_PX), key=cv2.contourArea, reverse=True
    )
    if not parts:
        return np.empty((0, 2)), 0.0
    hull, rest = cv2.convexHull(parts[0]), parts[1:]
    while True:
        reach = _TOGETHER * math.sqrt(cv2.contourArea(hull))
        near = [
            c for c in rest if max(cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in c[::4]) > -reach
        ]  # fmt: skip
        if not near:
            break
        rest = [c for c in rest if not any(c is n for n in near)]
        hull = cv2.convexHull(np.concatenate([hull.reshape(-1, 2), *near]))
    contour = hull.reshape(-1, 2).astype(np.float64)
    # As many vertices as a contour of pixels has.
    x, y = resample(contour[:, 0].copy(), contour[:, 1].copy(), max(int(cv2.arcLength(hull, True)), 8))
    return np.column_stack((x, y)), float(cv2.contourArea(hull))


def _largest(mask: NDArray[np.uint8], near: tuple[float, float] | None) -> tuple[NDArray[np.float64], float]:
    """Contour of the largest region, or of one that holds a place and is not much smaller; and its area, px²."""
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
    return contours[best].reshape(-1, 2).astype(np.float64), float(areas[best])


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


def middle_of(contour: NDArray[np.float64]) -> NDArray[np.float64]:
    """Middle of what a contour reaches, x, y px."""
    return np.asarray(0.5 * (contour.min(axis=0) + contour.max(axis=0)))


def pointed_of(contours: list[NDArray[np.float64]], neck: int, forward: tuple[float, float]) -> Pieces:
    """Where a pool is usually, or would be if it were longer or shorter, too pointed for a disc as wide as a neck.

    Parameters
    ----------
    contours
        Contours of the pool, each of shape (k, 2), x, y px; all are laid with their middles on one another.
    neck
        Width of the disc, px.
    forward
        Unit vector along travel in the image.

    Returns
    -------
    tuple of array
        Contours of the places, about the middle of where the disc fits, each of shape (m, 2), px; none where it fits
        everywhere, or nowhere.
    """
    laid = [c - middle_of(c) for c in contours]
    size = math.sqrt(float(np.median([cv2.contourArea(c.astype(np.float32)) for c in laid])))
    along = np.array(forward) * max(_LONGER * size, 1.0)
    side = math.ceil(float(np.abs(along).max()))
    reach = np.ceil(np.max([np.abs(c).max(axis=0) for c in laid], axis=0)).astype(int) + side + 1
    shape = (int(2 * reach[1] + 1), int(2 * reach[0] + 1))
    usual = (np.mean([filled(c + reach, shape) for c in laid], axis=0) > 0.5).astype(np.uint8)
    line = np.zeros((2 * side + 1, 2 * side + 1), dtype=np.uint8)
    x, y = (round(float(v)) for v in along)
    cv2.line(line, (side - x, side - y), (side + x, side + y), 1)
    fits = opened_by(usual, disc(neck | 1))
    body, _ = _largest(fits, None)
    if not len(body):
        return ()
    # What is a pixel thick comes from laying a disc along a rim of pixels.
    _, number = cv2.connectedComponents(usual & (1 - fits))
    thick = np.unique(number[cv2.distanceTransform(1 - fits, cv2.DIST_L2, 5) > 1.9])
    narrow = (np.isin(number, thick) & (number > 0)).astype(np.uint8)
    found, _ = cv2.findContours(cv2.dilate(narrow, line), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return tuple(c.reshape(-1, 2) - middle_of(body) for c in found)


def laid_out(pieces: Pieces, place: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """1 inside any of some contours that are moved to a place x, y (px)."""
    out: NDArray[np.uint8] = np.zeros(shape, dtype=np.uint8)
    for piece in pieces:
        cv2.fillPoly(out, [np.round(piece + place).astype(np.int32)], 1)
    return out


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
