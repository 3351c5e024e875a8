"""Brightness of the metal: over a frame against the clip's usual, and place by place where a camera rides along."""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from .alignment import moved
from .evidence import MetalLight, dimmest
from .metal import Box, Field
from .region import distances

# Nearer to the pool than this share of its size, and what its usual rim is known to, px, there is liquid now and then.
_SWELLS, _KNOWN_PX = 0.06, 3.0
# Width over which the metal's tone is taken, px.
_SMOOTH_PX = 2.0
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
    usual: Field, pool: NDArray[np.float64], plane: tuple[float, float, float]
) -> MetalLight:
    """Light with what metal shows at each place: the bead is no sheet, and plume lies over one end.

    Parameters
    ----------
    usual
        Usual grey value of each place, in frames laid on one another by the pool's place, shape (h, w).
    pool
        Usual contour of the pool, shape (n, 2), px; inside, the nearest metal counts.
    plane
        Grey value of the metal: c0 + cx x + cy y, px.
    """
    h, w = usual.shape
    depth = distances(pool, (h, w))
    near = _SWELLS * float(np.sqrt((depth > 0).sum())) + _KNOWN_PX
    rows, columns = np.indices((h, w))
    light = np.maximum(plane[0] + plane[1] * columns + plane[2] * rows, dimmest(plane, h, w))
    more = np.clip(usual / light - 1.0, -_MOST, _MOST).astype(np.float32)
    return MetalLight(plane, _filled(more, depth < -near))


def plain_lighting(plane: tuple[float, float, float], shape: tuple[int, int]) -> MetalLight:
    """Light of which nothing but its plane is known."""
    return MetalLight(plane, np.zeros(shape, dtype=np.float32))


def moved_lighting(lighting: MetalLight, dx: int, dy: int) -> MetalLight:
    """Light where the pool is (dx, dy) px from where it was."""
    return MetalLight(lighting.plane, moved(lighting.places, dx, dy))


def _filled(field: Field, known: NDArray[np.bool_]) -> Field:
    """A field smoothed where it is known, and what is nearest elsewhere."""
    mask = known.astype(np.uint8)
    weight = known.astype(np.float32)
    smooth = cv2.GaussianBlur(field * weight, (0, 0), _SMOOTH_PX) / np.maximum(
        cv2.GaussianBlur(weight, (0, 0), _SMOOTH_PX), 1e-3
    )
    _, label = cv2.distanceTransformWithLabels(1 - mask, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    of_label = np.zeros(int(label.max()) + 1, dtype=np.float32)
    of_label[label[known]] = smooth[known]
    return np.ascontiguousarray(cv2.GaussianBlur(of_label[label], (0, 0), _SMOOTH_PX), dtype=np.float32)
