"""A picture of a tilted plane set upright: the same plane as a camera sees it that looks squarely at it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.axes import Size
from ..model.errors import MeasurementError
from .calibration import Lens, Plane, apply_homography, undistorted

# The upright picture has at most so many times as many pixels as the photo; a part further away is left out.
_MOST = 3.0


@dataclass(frozen=True)
class UprightView:
    """How a photo is set upright.

    Attributes
    ----------
    plane
        The plane that the photo shows.
    to_mm
        Shape (3, 3): upright px to mm in the plane.
    size
        Width and height of the upright picture, px.
    """

    plane: Plane
    to_mm: NDArray[np.float64]
    size: Size

    def place(self, point: tuple[float, float]) -> tuple[float, float]:
        """A point of the photo (x, y) px in the upright picture, px."""
        x, y = apply_homography(
            np.asarray(np.linalg.inv(self.to_mm), np.float64), self.plane.mm(point)[None]
        )[0].tolist()
        return x, y

    def picture(self, photo: NDArray[Any]) -> Any:
        """A photo (height, width, channels) set upright, bicubic; black where it shows nothing."""
        import cv2

        width, height = self.size
        back = np.linalg.inv(self.plane.homography) @ self.to_mm
        if self.plane.lens is None:
            flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
            upright = cv2.warpPerspective(photo, back, (width, height), flags=flags)
        else:
            columns, rows = np.meshgrid(np.arange(width), np.arange(height))
            seen = _distorted(apply_homography(back, np.stack([columns, rows], axis=-1)), self.plane.lens)
            at = seen.astype(np.float32)
            upright = cv2.remap(photo, at[..., 0], at[..., 1], cv2.INTER_CUBIC)
        return upright.reshape(height, width, -1)


def set_upright(plane: Plane, mm_per_px: float, photo: Size) -> UprightView:
    """How a photo of `photo` (width, height) px is set upright at a scale, without being turned.

    Raises
    ------
    MeasurementError
        The plane's horizon runs through the photo.
    """
    width, height = photo
    along_x, along_y = np.linspace(0, width - 1, 17), np.linspace(0, height - 1, 17)
    border = np.concatenate(
        [np.stack([along_x, np.full(17, y)], axis=1) for y in (0, height - 1)]
        + [np.stack([np.full(17, x), along_y], axis=1) for x in (0, width - 1)]
    )
    # The plane's axes turned to those of the photo at the weld's place (polar decomposition: nearest rotation).
    u, _, vt = np.linalg.svd(plane.jacobian((plane.place_x, plane.place_y)))
    turn = u @ vt
    with np.errstate(all="ignore"):
        corners = plane.mm(border) @ turn / mm_per_px
    low, high = corners.min(axis=0), corners.max(axis=0)
    span = high - low
    # Beyond the horizon the plane is seen from behind.
    side = undistorted(border, plane.lens) @ plane.homography[2, :2] + plane.homography[2, 2]
    in_front = (side * side[0] > 0).all()
    if not (in_front and np.isfinite(span).all() and span.prod() < _MOST * width * height):
        raise MeasurementError(
            "the photo is tilted too much to set all of it upright: crop it around the weld before "
            "calibrating, or take it "
            "more squarely"
        )
    to_mm = np.eye(3)
    to_mm[:2, :2] = turn * mm_per_px
    to_mm[:2, 2] = turn @ low * mm_per_px
    columns, rows = (np.ceil(span - 1e-6).astype(int) + 1).tolist()
    return UprightView(plane, to_mm, (columns, rows))


def _distorted(points: NDArray[np.float64], lens: Lens) -> NDArray[np.float64]:
    """Undistorted image points (..., 2) px as the lens shows them (radial-tangential model)."""
    k1, k2, p1, p2, k3 = lens.distortion
    focal, centre = lens.camera_matrix[[0, 1], [0, 1]], lens.camera_matrix[[0, 1], [2, 2]]
    x, y = np.moveaxis((points - centre) / focal, -1, 0)
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    seen = np.stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        ],
        axis=-1,
    )
    return np.asarray(seen * focal + centre)
