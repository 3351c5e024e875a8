"""Corrections of the coarse contour where the edge is weak: puffs of plume taken off, dim tips put on."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .coarse import Grey

# Chosen vertices this close along the outline are one stretch, and it reaches that many vertices further.
_JOINED = 4
# A piece thicker than this is no ring along the outline, and one smaller than that no tip, px and px².
_THICK = np.ones((3, 3), np.uint8)
_LEAST_PX = 12
# A tip is looked for this far beside the contour, px.
_TIP_PX = 40


def without_puffs(
    smooth: Grey,
    contour: NDArray[np.float64],
    raised: float,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    weak: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], float]:
    """A coarse contour less what is dimmer than a raised level and nearer to weak vertices than to others.

    A puff in front of the rim glows less than the pool and ends softly; where the outline found a clear step, as at a
    dim tail, it stays as it is.

    Parameters
    ----------
    smooth
        Grey values, shape (h, w).
    contour
        Closed contour of the region, shape (m, 2), px.
    raised
        Grey value.
    x, y, weak
        Outline that was found from it, px, and which vertices see but a weak step; shape (n,).

    Returns
    -------
    tuple
        Contour (m, 2), px, and its area px²; empty and 0 where nothing is left.
    """
    view, region, r0, c0 = _filled(smooth, contour, 2)
    region &= ~((view <= raised) & _near(view.shape, x - c0, y - r0, weak))
    found, area = _largest(region)
    return found + (c0, r0), float(area)


def with_tips(
    smooth: Grey,
    contour: NDArray[np.float64],
    lowered: float,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    feeble: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], float]:
    """A coarse contour with what is brighter than a lowered level behind feeble vertices.

    A dark ripple across the tail may be dimmer than the level, and the tip behind it is then missing.

    Parameters
    ----------
    smooth, contour
        As in `without_puffs`.
    lowered
        Grey value.
    x, y, feeble
        Outline that was found from the contour, px, and which vertices see but a low step; shape (n,).

    Returns
    -------
    tuple
        Contour (m, 2), px, and the area that was put on, px²; 0 where nothing was.
    """
    view, region, r0, c0 = _filled(smooth, contour, _TIP_PX)
    before = int(np.count_nonzero(region))
    beside = cv2.compare(view, float(lowered), cv2.CMP_GT) & ~(region * np.uint8(255))
    # The usual outline has but a thin ring around it.
    if np.count_nonzero(cv2.morphologyEx(beside, cv2.MORPH_OPEN, _THICK)) < _LEAST_PX:
        return np.empty((0, 2)), 0
    region |= (beside > 0) & _near(view.shape, x - c0, y - r0, feeble)
    found, area = _largest(region)
    return found + (c0, r0), max(area - before, 0)


def _filled(
    smooth: Grey, contour: NDArray[np.float64], beside: int
) -> tuple[Grey, NDArray[np.uint8], int, int]:
    """The picture as far as `beside` px around a contour, 1 inside the contour in it, its first row and column."""
    h, w = smooth.shape
    c0, r0 = np.maximum(contour.min(axis=0).astype(np.intp) - beside, 0).tolist()
    c1, r1 = (contour.max(axis=0).astype(np.intp) + beside + 1).tolist()
    view = smooth[r0 : min(r1, h), c0 : min(c1, w)]
    region = np.zeros(view.shape, dtype=np.uint8)
    cv2.fillPoly(region, [(contour - (c0, r0)).astype(np.int32)], 1)
    return view, region, r0, c0


def _largest(region: NDArray[np.uint8]) -> tuple[NDArray[np.float64], int]:
    """Contour of the largest part of a region once threads are taken off it, and the pixels in it."""
    opened = cv2.morphologyEx(region, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return np.empty((0, 2)), 0
    best = max(contours, key=cv2.contourArea)
    filled = np.zeros_like(opened)
    cv2.fillPoly(filled, [best], 1)
    return best.reshape(-1, 2).astype(np.float64), int(filled.sum())


def _near(
    shape: tuple[int, ...], x: NDArray[np.float64], y: NDArray[np.float64], chosen: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Pixels of a picture whose nearest vertex lies in a stretch of chosen ones."""
    column = np.clip(np.round(x).astype(np.intp), 0, shape[1] - 1)
    row = np.clip(np.round(y).astype(np.intp), 0, shape[0] - 1)
    away = np.ones(shape, dtype=np.uint8)
    away[row, column] = 0
    _, labels = cv2.distanceTransformWithLabels(away, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    in_stretch = np.zeros(int(labels.max()) + 1, dtype=np.bool_)
    wide = np.convolve(np.tile(chosen, 3), np.ones(2 * _JOINED + 1), "same")[len(chosen) : -len(chosen)] > 0
    in_stretch[labels[row, column][wide]] = True
    return np.asarray(in_stretch[labels])
