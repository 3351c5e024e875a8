"""Lens distortion from several photos of one target.

Method: Z. Zhang, *IEEE Trans. Pattern Anal. Mach. Intell.* 22 (2000) 1330, doi:10.1109/34.888718, as in OpenCV.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError, UsageError
from .calibration import Lens
from .target import Sighting, Target

LEAST_VIEWS = 4
# With fewer views the highest radial term only follows the noise.
_VIEWS_FOR_K3 = 8


@dataclass(frozen=True)
class LensFit:
    """A lens as found, and how well it explains the photos.

    Attributes
    ----------
    lens
        Camera matrix and distortion.
    u_focal_px
        Standard uncertainty of the focal length, px.
    rms_px
        Root of the mean squared distance between a point seen and the same point computed, all views, px.
        Not to be mixed up with the sum's root over the number of points, which some tutorials print and which is
        smaller by about the root of that number.
    view_rms_px
        The same for each view, shape (views,).
    """

    lens: Lens
    u_focal_px: float
    rms_px: float
    view_rms_px: NDArray[np.float64]

    @property
    def believable(self) -> bool:
        """Whether the views fix the focal length to 5 %; if not, they were too few or too alike in tilt."""
        return bool(self.u_focal_px < 0.05 * self.lens.camera_matrix[0, 0])


def calibrate_lens(sightings: Sequence[Sighting], target: Target, view: tuple[int, int]) -> LensFit:
    """Find the lens distortion from several views of a target, square pixels assumed.

    Parameters
    ----------
    sightings
        The target as found in each photo, at least four; tilted in different ways.
    target
        As it is.
    view
        Width and height of the pictures, px.

    Raises
    ------
    UsageError
        Too few views.
    MeasurementError
        The views do not determine a lens.
    """
    import cv2

    if len(sightings) < LEAST_VIEWS:
        raise UsageError(
            f"{len(sightings)} photos are too few for the lens distortion; take {LEAST_VIEWS} or more, tilted "
            "differently"
        )
    plane = np.column_stack([target.points_mm, np.zeros(len(target.points_mm))]).astype(np.float32)
    images = [sighting.points.astype(np.float32).reshape(-1, 1, 2) for sighting in sightings]
    flags = cv2.CALIB_FIX_ASPECT_RATIO
    if len(sightings) < _VIEWS_FOR_K3:
        flags |= cv2.CALIB_FIX_K3
    try:
        fit = cv2.calibrateCameraExtended(
            [plane] * len(images), images, view, np.eye(3), np.zeros(5), flags=flags
        )
    except cv2.error as error:
        raise MeasurementError(
            f"the photos do not determine the lens ({error.err}); take more, tilted in different directions"
        ) from None
    rms, matrix, distortion, _, _, deviations, _, views = fit
    if not np.isfinite(matrix).all() or not np.isfinite(distortion).all():
        raise MeasurementError(
            "the photos do not determine the lens; take more, tilted in different directions"
        )
    return LensFit(
        lens=Lens(np.asarray(matrix, dtype=np.float64), np.asarray(distortion, dtype=np.float64).ravel()[:5]),
        u_focal_px=float(np.max(np.asarray(deviations).ravel()[:2])),
        rms_px=float(rms),
        view_rms_px=np.asarray(views, dtype=np.float64).ravel(),
    )
