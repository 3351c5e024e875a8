"""Image axes and pool axes.

Image axes: the centre of the top-left pixel is (0, 0), x right, y down, arrays ``[row, column]``.
Pool axes: origin at the beam, x forward along travel, y to the left of travel, in millimetres or pixels.
The travel direction is an angle in the image, degrees counter-clockwise as seen: 0 = right, 90 = up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import UsageError

# A 2 x 2 matrix, row after row.
Stretch = tuple[float, float, float, float]
# Width and height, px.
Size = tuple[int, int]


def stretch_seen(stretch: Stretch | None) -> tuple[float, float]:
    """How many times as much a pixel is worth along a tilt as across it, and along which direction.

    Returns
    -------
    tuple of float
        1 for a square view; and degrees in the picture, counter-clockwise as seen, in (-90, 90], NaN for a square view.
    """
    if stretch is None:
        return 1.0, math.nan
    _, (most, least), ((x, y), _) = np.linalg.svd(np.array(stretch, dtype=np.float64).reshape(2, 2))
    angle = math.degrees(math.atan2(-y, x))
    return float(most / least), 90.0 - (90.0 - angle) % 180.0


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
    stretch
        How a tilted view is set upright at the weld's place: the 2 x 2 matrix (row after row, determinant 1) that turns
        image px into px of the same area in the plane of the weld. None: the camera looks squarely at it.
    picture_px
        Width and height of the pictures that it was made with, px; None where not known.
    place_px
        Where in such a picture a tilted view was set upright, px (x, y); None for a square view.
    """

    mm_per_px: float
    u_mm_per_px: float = 0.0
    source: str = "given"
    stretch: Stretch | None = None
    picture_px: Size | None = None
    place_px: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mm_per_px) and self.mm_per_px > 0):
            raise UsageError(f"mm per pixel must be a finite number above 0, got {self.mm_per_px!r}")
        if not (math.isfinite(self.u_mm_per_px) and self.u_mm_per_px >= 0):
            raise UsageError(
                f"the uncertainty of mm per pixel must be a finite number of at least 0, got {self.u_mm_per_px!r}"
            )


@dataclass(frozen=True)
class PoolAxes:
    """Turns image pixels into pool axes, in the plane of the weld.

    Attributes
    ----------
    origin_x, origin_y
        Place of the beam in the image, px.
    direction_deg
        Travel direction in the image, degrees counter-clockwise as seen, 0 = right.
    mm_per_px
        Size of a pixel, mm.
    stretch
        See `Scale.stretch`.
    """

    origin_x: float
    origin_y: float
    direction_deg: float
    mm_per_px: float = 1.0
    stretch: Stretch | None = None

    @property
    def matrix(self) -> NDArray[np.float64]:
        """From image px to px along travel and to its left in the plane of the weld, shape (2, 2)."""
        forward = np.array(self.forward)
        if self.stretch is None:
            return np.array([forward, self.left])
        upright = np.array(self.stretch, dtype=np.float64).reshape(2, 2)
        along = upright @ forward
        x, y = along / np.linalg.norm(along)
        return np.asarray(np.array([(x, y), (y, -x)]) @ upright)

    @property
    def particle_mm_per_px(self) -> float:
        """Size of a pixel for what is round from every side: that across the tilt, which the tilt leaves as it is."""
        if self.stretch is None:
            return self.mm_per_px
        upright = np.array(self.stretch, dtype=np.float64).reshape(2, 2)
        return float(self.mm_per_px * np.linalg.svd(upright, compute_uv=False)[-1])

    @property
    def row_mm_per_px(self) -> float:
        """What a pixel is worth along the picture's rows, mm; a tilted view makes it another than along the columns."""
        return float(self.mm_per_px * np.linalg.norm(self.matrix[:, 0]))

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
        return np.asarray(shifted @ self.matrix.T)

    def mm(self, points: NDArray[np.floating]) -> NDArray[np.float64]:
        """Image points (..., 2) as (x, y) px to pool axes in mm."""
        return self.px(points) * self.mm_per_px

    def image(self, points_mm: NDArray[np.floating]) -> NDArray[np.float64]:
        """Pool-axes points (..., 2) in mm back to image (x, y) px."""
        return self.image_vector(points_mm) + (self.origin_x, self.origin_y)

    def image_vector(self, vectors_mm: ArrayLike) -> NDArray[np.float64]:
        """Displacements (..., 2) in pool axes, mm, to image (x, y) px."""
        along = np.asarray(vectors_mm, dtype=np.float64) / self.mm_per_px
        return np.asarray(along @ np.linalg.inv(self.matrix).T)

    def direction(self, vectors: NDArray[np.floating]) -> NDArray[np.float64]:
        """Angle of image vectors (..., 2) to the travel direction, degrees in (-180, 180], counter-clockwise."""
        rotation = np.array([self.forward, self.left])
        along = np.asarray(vectors, dtype=np.float64) @ rotation.T
        return np.asarray(np.degrees(np.arctan2(along[..., 1], along[..., 0])))
