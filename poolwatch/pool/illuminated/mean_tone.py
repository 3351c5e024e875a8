"""The pool in the mean picture of a riding camera: it keeps its place there, and the metal's marks do not."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from ..coarse import touches
from .metal import Field, Grey
from .region import contour_of, distances, hull_of, lighting_of, middle_of

# Levels of tone that are tried between liquid and metal.
_LEVELS = 15
# The rim is steeper than what is left of marks in the metal nearly everywhere: percentiles of the gradient along the
# flattest part of the one and in the other.
_FLATTEST, _MARKS = 15.0, 75.0
# Largest share of the picture that is a pool.
_MOST = 0.6
# Area of a pool by its tone over that of what motion shows of it.
_LEAST, _LARGEST = 0.15, 20.0


def pool_by_tone(windows: Grey, liquid: NDArray[np.bool_]) -> NDArray[np.float64] | None:
    """Contour of what is as dark, or as bright, as the liquid in the mean picture; None where tone does not show it.

    Parameters
    ----------
    windows
        Runs of consecutive frames, shape (m, k, h, w).
    liquid
        Where motion shows parts of the pool, shape (h, w).

    Returns
    -------
    array or None
        Contour (k, 2), x, y px.
    """
    h, w = windows.shape[2:]
    seed, area = hull_of(liquid)
    if not area or area > _MOST * h * w:
        return None
    mean = np.asarray(np.mean([run.mean(axis=0) for run in windows], axis=0), dtype=np.float32)
    depth = distances(seed, (h, w))
    metal = depth < -max(0.1 * math.sqrt(area), 3.0)
    if metal.mean() < 0.1:
        return None
    relative = _relative(mean, metal)
    usual = float(np.median(relative[metal]))
    inside = relative[depth > 0]
    # Glints and the keyhole are no tone of the liquid, and the seed holds some metal.
    molten = float(np.percentile(inside, 20.0 if np.median(inside) < usual else 60.0))
    slope = _slope(relative)
    steepest, best = float(np.percentile(slope[metal], _MARKS)), None
    for level in np.linspace(molten, usual, _LEVELS + 2)[1:-1]:
        darker = relative < level
        contour, found = contour_of(darker if molten < usual else ~darker, 0, _middle(seed))
        if not _LEAST * area < found < min(_LARGEST * area, _MOST * h * w) or touches(contour, h, w):
            continue
        x, y = contour.astype(np.intp).T
        steep = float(np.percentile(slope[y, x], _FLATTEST))
        if steep > steepest:
            steepest, best = steep, contour
    return best


def _middle(contour: NDArray[np.float64]) -> tuple[float, float]:
    x, y = middle_of(contour)
    return float(x), float(y)


def _slope(relative: Field) -> Field:
    """Size of the gradient of a smoothed picture, 1/px."""
    smooth = cv2.GaussianBlur(relative, (0, 0), 1.0)
    gx, gy = (cv2.Sobel(smooth, cv2.CV_32F, i, 1 - i, ksize=3, scale=0.125) for i in (1, 0))
    return np.asarray(cv2.magnitude(gx, gy), dtype=np.float32)


def _relative(mean: Field, metal: NDArray[np.bool_]) -> Field:
    (c0, cx, cy), _ = lighting_of([mean], [metal])  # type: ignore[list-item]
    rows, columns = np.indices(mean.shape, dtype=np.float32)
    light = c0 + cx * columns + cy * rows
    return np.asarray(mean / np.maximum(light, 0.2 * light.mean()), dtype=np.float32)
