"""Image axes and pool axes.

Image axes: the centre of the top-left pixel is (0, 0), x right, y down, arrays ``[row, column]``.
Pool axes: origin at the beam, x forward along travel, y to the left of travel, in millimetres or pixels.
The travel direction is an angle in the image, degrees counter-clockwise as seen: 0 = right, 90 = up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .errors import UsageError


@dataclass(frozen=True)
class Scale:
    """Millimetres per pixel with its standard uncertainty: one shared error for a whole clip.

    Attributes
    ----------
    mm_per_px
        Size of a pixel in the plane of the weld, mm.
    u_mm_per_px
        Standard uncertainty of `mm_per_px`, mm; 0 where none was given.
    source
        How it came about, in words.
    """

    mm_per_px: float
    u_mm_per_px: float = 0.0
    source: str = "given"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mm_per_px) and self.mm_per_px > 0):
            raise UsageError(f"mm per pixel must be a finite number above 0, got {self.mm_per_px!r}")
        if not (math.isfinite(self.u_mm_per_px) and self.u_mm_per_px >= 0):
            raise UsageError(
                f"the uncertainty of mm per pixel must be a finite number of at least 0, got {self.u_mm_per_px!r}"
            )


@dataclass(frozen=True)
class PoolAxes:
    """Turns image pixels into pool axes.

    Attributes
    ----------
    origin_x, origin_y
        Place of the beam in the image, px.
    direction_deg
        Travel direction in the image, degrees counter-clockwise as seen, 0 = right.
    mm_per_px
        Size of a pixel, mm.
    """

    origin_x: float
    origin_y: float
    direction_deg: float
    mm_per_px: float = 1.0

    @property
    def forward(self) -> tuple[float, float]:
        """Unit vector along travel in image axes (x right, y down)."""
        angle = math.radians(self.direction_deg)
        return math.cos(angle), -math.sin(angle)

    @property
    def left(self) -> tuple[float, float]:
        """Unit vector to the left of travel in image axes (x right, y down)."""
        angle = math.radians(self.direction_deg)
        return -math.sin(angle), -math.cos(angle)

    def px(self, points: NDArray[np.floating]) -> NDArray[np.float64]:
        """Image points (..., 2) as (x, y) px to pool axes, still in px."""
        shifted = np.asarray(points, dtype=np.float64) - (self.origin_x, self.origin_y)
        rotation = np.array([self.forward, self.left])
        return np.asarray(shifted @ rotation.T)

    def mm(self, points: NDArray[np.floating]) -> NDArray[np.float64]:
        """Image points (..., 2) as (x, y) px to pool axes in mm."""
        return self.px(points) * self.mm_per_px

    def image(self, points_mm: NDArray[np.floating]) -> NDArray[np.float64]:
        """Pool-axes points (..., 2) in mm back to image (x, y) px."""
        rotation = np.array([self.forward, self.left])
        along = np.asarray(points_mm, dtype=np.float64) / self.mm_per_px
        return np.asarray(along @ rotation + (self.origin_x, self.origin_y))

    def direction(self, vectors: NDArray[np.floating]) -> NDArray[np.float64]:
        """Angle of image vectors (..., 2) to the travel direction, degrees in (-180, 180], counter-clockwise as seen."""
        rotation = np.array([self.forward, self.left])
        along = np.asarray(vectors, dtype=np.float64) @ rotation.T
        return np.asarray(np.degrees(np.arctan2(along[..., 1], along[..., 0])))
