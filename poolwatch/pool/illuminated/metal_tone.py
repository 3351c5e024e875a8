"""Brightness of the metal: over a frame against the clip's usual, and place by place where a camera rides along."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from .alignment import KNOWN_PX, SWELLS, moved
from .evidence import MetalLight, dimmest
from .metal import Box, Field
from .region import distances

# What the tail reaches now and then, and over which stretch along travel tone is taken, by the pool's size; where so
# much of the view is reached, only what is beside the pool is left out.
_TAIL, _STRIP, _MOST_REACHED = 0.3, 1.25, 0.9
# Width across over which it is taken, px, and the least weight of what is known.
_SMOOTH_PX, _SOME = 2.0, 1e-3
# Metal that is seldom so far from its usual tone is not what the mean picture shows there.
_MOST = 0.6


def solid_around(outline: NDArray[np.float64], middle: tuple[float, float], box: Box) -> NDArray[np.uint8]:
    """1 where metal is expected solid: outside the typical outline grown by a sixth."""
    r0, r1, c0, c1 = box
    out = np.ones((r1 - r0, c1 - c0), dtype=np.uint8)
    grown = (outline - middle) * 1.15 + middle - (c0, r0)
    cv2.fillPoly(out, [np.round(grown).astype(np.int32)], 0)
    return out


@njit(cache=True, nogil=True)
def gain_of(frame: NDArray[np.generic], box: Box, solid: NDArray[np.uint8], lighting: MetalLight) -> float:
    """Brightness of the metal against the clip's usual."""
    total = 0.0
    usual = 0.0
    plane = lighting.plane
    least = dimmest(plane, frame.shape[0], frame.shape[1])
    for i in range(box[0], box[1], 3):
        for j in range(box[2], box[3], 3):
            if solid[i - box[0], j - box[2]]:
                light = max(plane[0] + plane[1] * j + plane[2] * i, least)
                light *= 1.0 + lighting.places[i, j]
                # Particles are no metal.
                if frame[i, j] < 2.0 * light:
                    total += frame[i, j]
                    usual += light
    return total / usual if total > 0.0 else 1.0


def lighting_of_places(
    usual: Field,
    pool: NDArray[np.float64],
    plane: tuple[float, float, float],
    forward: tuple[float, float],
) -> MetalLight:
    """Light with what metal shows at each place: the bead is no sheet, and plume lies over one end.

    Along travel the tone of metal changes slowly, across it the bead ends; so it is taken over strips along travel,
    from places before and behind the pool that its tail never reaches.

    Parameters
    ----------
    usual
        Usual grey value of each place, in frames laid on one another by the pool's place, shape (h, w).
    pool
        Usual contour of the pool, shape (n, 2), px.
    plane
        Grey value of the metal: c0 + cx x + cy y, px.
    forward
        Unit vector along travel in the image (x right, y down).
    """
    h, w = usual.shape
    depth = distances(pool, (h, w))
    size = math.sqrt(float((depth > 0).sum()))
    rows, columns = np.indices((h, w))
    light = np.maximum(plane[0] + plane[1] * columns + plane[2] * rows, dimmest(plane, h, w))
    more = np.clip(usual / light - 1.0, -_MOST, _MOST).astype(np.float32)
    # There is liquid now and then.
    beside = depth > -(SWELLS * size + KNOWN_PX)
    reached = cv2.dilate(beside.astype(np.uint8), (_line(forward, _TAIL * size) > 0).astype(np.uint8)) > 0
    known = ~(reached if reached.mean() < _MOST_REACHED else beside)
    return MetalLight(plane, _along(more, known, _line(forward, _STRIP * size)))


def plain_lighting(plane: tuple[float, float, float], shape: tuple[int, int]) -> MetalLight:
    """Light of which nothing but its plane is known."""
    return MetalLight(plane, np.zeros(shape, dtype=np.float32))


def moved_lighting(lighting: MetalLight, dx: int, dy: int) -> MetalLight:
    """Light where the pool is (dx, dy) px from where it was."""
    return MetalLight(lighting.plane, moved(lighting.places, dx, dy))


def _line(forward: tuple[float, float], reach: float) -> NDArray[np.float32]:
    """Weights of a stretch along travel to a reach (px) on either side, those of a Gaussian of 0.4 of it."""
    n = max(int(reach), 1)
    line = np.zeros((2 * n + 1, 2 * n + 1), dtype=np.float32)
    for t in np.arange(-n, n + 0.5, 0.5):
        line[round(n + t * forward[1]), round(n + t * forward[0])] += math.exp(-0.5 * (t / (0.4 * n)) ** 2)
    return np.asarray(line / line.sum())


def _along(field: Field, known: NDArray[np.bool_], line: NDArray[np.float32]) -> Field:
    """Mean of a field along lines where it is known, and what is nearest where lines hold nothing known."""
    weight = known.astype(np.float32)
    above, below = (
        cv2.GaussianBlur(cv2.filter2D(f, -1, line, borderType=cv2.BORDER_CONSTANT), (0, 0), _SMOOTH_PX)
        for f in (field * weight, weight)
    )
    seen = below > _SOME
    if not seen.any():
        return np.zeros_like(field)
    mean = above / np.maximum(below, _SOME)
    _, label = cv2.distanceTransformWithLabels(
        1 - seen.astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    of_label = np.zeros(int(label.max()) + 1, dtype=np.float32)
    of_label[label[seen]] = mean[seen]
    return np.ascontiguousarray(cv2.GaussianBlur(of_label[label], (0, 0), _SMOOTH_PX), dtype=np.float32)
