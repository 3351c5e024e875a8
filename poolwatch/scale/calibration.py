"""A calibration: the scale, how it came about, its uncertainty budget, and the plane it was taken in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..model.axes import Scale, Size
from ..model.errors import MeasurementError
from .uncertainty import Budget

METHODS = {
    "target": "photo of a checkerboard or circle grid in the plane of the weld",
    "ruler": "photo of a ruler in the plane of the weld",
    "points": "two points of known distance",
    "travel": "known travel speed against the motion of the solid metal in the clip",
    "given": "written by a person",
}
Input = str | int | float | bool
# Name of the contribution that a change of scale over the view makes.
OVER_THE_VIEW = "scale changing over the view and with direction"
# The same of a scale that was seen along a line, which holds without it where it was seen.
OVER_THE_LINE = "scale changing over the view"
# What makes one size of all of a target, and nothing of its tilt.
PITCH = "pitch of the target"
HEIGHT = "height of the target"
# A view in which the scale differs by less than this with direction is square.
_SQUARE = 0.02


@dataclass(frozen=True)
class Lens:
    """Camera matrix (3, 3) in px and distortion (k1, k2, p1, p2, k3) of the usual radial-tangential model."""

    camera_matrix: NDArray[np.float64]
    distortion: NDArray[np.float64]


@dataclass(frozen=True)
class Plane:
    """The plane of the weld as the camera sees it.

    Attributes
    ----------
    homography
        Shape (3, 3): image (x, y, 1) px, freed of lens distortion where `lens` is given, to plane (X, Y, 1) mm
        up to a factor.
    place_x, place_y
        The weld's place in the image, px, where the scale is stated.
    region
        (x, y, width, height) px over which the spread was taken.
    least_mm_per_px, most_mm_per_px
        Least and largest scale over the region and over all directions.
    tilt_deg
        Angle between the plane and the image plane, found from the picture; NaN where it cannot be told.
    lens
        Lens distortion, None where it was not measured.
    """

    homography: NDArray[np.float64]
    place_x: float
    place_y: float
    region: tuple[float, float, float, float]
    least_mm_per_px: float
    most_mm_per_px: float
    tilt_deg: float = math.nan
    lens: Lens | None = None

    def mm(self, points: ArrayLike) -> NDArray[np.float64]:
        """Image points (..., 2) px to points in the plane, mm."""
        image = np.asarray(points, dtype=np.float64)
        return apply_homography(self.homography, undistorted(image, self.lens))

    def jacobian(self, points: ArrayLike) -> NDArray[np.float64]:
        """Derivative of the plane's (X, Y) by image (x, y) at points (..., 2), shape (..., 2, 2), mm/px."""
        at = np.asarray(points, dtype=np.float64)
        step = 0.25
        columns = [
            (self.mm(at + shift) - self.mm(at - shift)) / (2 * step)
            for shift in np.array([[step, 0], [0, step]])
        ]
        return np.stack(columns, axis=-1)

    def scale_at(self, points: ArrayLike) -> NDArray[np.float64]:
        """Scale at image points (..., 2), mm/px, shape (...): the side of a square of the same area as a pixel."""
        return np.asarray(np.sqrt(np.abs(np.linalg.det(self.jacobian(points)))))

    def scale_along(self, points: ArrayLike, direction_deg: float) -> NDArray[np.float64]:
        """Scale at image points (..., 2) along a direction in the image (counter-clockwise, 0 = right), mm/px."""
        angle = math.radians(direction_deg)
        forward = np.array([math.cos(angle), -math.sin(angle)])
        return np.asarray(np.linalg.norm(self.jacobian(points) @ forward, axis=-1))

    def upright(self) -> tuple[float, float, float, float] | None:
        """Matrix that sets a tilted view upright at the weld's place (see `poolwatch.model.axes.Scale.stretch`).

        The symmetric factor of the Jacobian's polar decomposition: a stretch along the tilt without any turn.
        None where the view is square to within 2 % of scale.
        """
        _, values, axes = np.linalg.svd(self.jacobian((self.place_x, self.place_y)))
        most, least = values
        if most < (1 + _SQUARE) * least:
            return None
        a, b, c, d = (axes.T @ np.diag(values / math.sqrt(most * least)) @ axes).ravel().tolist()
        return a, b, c, d

    def resized(self, factor: float) -> Plane:
        """The same view of a plane in which all is `factor` times as large."""
        size = np.diag([factor, factor, 1.0])
        return replace(
            self,
            homography=size @ self.homography,
            least_mm_per_px=self.least_mm_per_px * factor,
            most_mm_per_px=self.most_mm_per_px * factor,
        )

    def spread_when_upright(self) -> tuple[float, float]:
        """Least and largest scale over the region and all directions in the view that `upright` gives, mm/px."""
        x, y, width, height = self.region
        columns, rows = np.meshgrid(np.linspace(x, x + width, 9), np.linspace(y, y + height, 9))
        here = self.jacobian((self.place_x, self.place_y))
        ratio = self.jacobian(np.stack([columns, rows], axis=-1)) @ np.linalg.inv(here)
        values = np.linalg.svd(ratio, compute_uv=False) * math.sqrt(abs(np.linalg.det(here)))
        return float(values[..., 1].min()), float(values[..., 0].max())


@dataclass(frozen=True)
class ScaleLine:
    """Where and along which direction in the image a scale was seen that knows nothing of a tilt.

    Attributes
    ----------
    x, y
        Its middle, px.
    direction_deg
        Degrees counter-clockwise as seen, 0 = right.
    """

    x: float
    y: float
    direction_deg: float

    def noted(self) -> dict[str, Input]:
        """As it stands among what a calibration found."""
        return {"along_x_px": self.x, "along_y_px": self.y, "along_deg": self.direction_deg}

    @classmethod
    def between(cls, start: tuple[float, float], end: tuple[float, float]) -> ScaleLine:
        """From two image points, px."""
        (x0, y0), (x1, y1) = start, end
        return cls((x0 + x1) / 2, (y0 + y1) / 2, math.degrees(math.atan2(y0 - y1, x1 - x0)))


@dataclass(frozen=True)
class Calibration:
    """Scale, provenance and uncertainty of one calibration.

    Attributes
    ----------
    scale
        mm per px with its combined standard uncertainty: one shared error for a whole clip.
    method
        Key of `METHODS`.
    budget
        What the uncertainty is made of, mm/px.
    inputs
        What went in, by name: files, pitch, rates …
    found
        What was found on the way, by name: counts, residuals, tilt …
    notes
        What to know before using it, in sentences.
    date
        When, as the caller gives it; empty where not given.
    plane
        The plane of the weld, where the calibration saw it.
    """

    scale: Scale
    method: str
    budget: Budget
    inputs: Mapping[str, Input] = field(default_factory=dict)
    found: Mapping[str, Input] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    date: str = ""
    plane: Plane | None = None

    @property
    def line(self) -> ScaleLine | None:
        """Where and along what the scale was seen; None where it was seen over a plane, or nothing tells."""
        values = [self.found.get(name) for name in ("along_x_px", "along_y_px", "along_deg")]
        if self.plane is not None or any(isinstance(v, bool | str) or v is None for v in values):
            return None
        x, y, angle = (float(v) for v in values if v is not None)
        return ScaleLine(x, y, angle)

    def u_but_for(self, *names: str) -> float:
        """Standard uncertainty without the contributions of these names, mm/px; all of it where no budget is known."""
        parts = [part.u for part in self.budget.contributions if part.name not in names]
        return math.hypot(*parts) if self.budget.contributions else self.scale.u_mm_per_px

    @staticmethod
    def made(
        mm_per_px: float,
        method: str,
        budget: Budget,
        *,
        inputs: Mapping[str, Input],
        found: Mapping[str, Input],
        notes: tuple[str, ...] = (),
        plane: Plane | None = None,
        picture_px: Size | None = None,
    ) -> Calibration:
        """Put a calibration together; its scale's uncertainty is the budget's.

        Raises
        ------
        MeasurementError
            The scale that came out is no positive finite number.
        """
        if not (math.isfinite(mm_per_px) and mm_per_px > 0):
            raise MeasurementError(
                f"calibration by {METHODS[method]} gave {mm_per_px!r} mm per px; check what went in"
            )
        return Calibration(
            scale=Scale(mm_per_px, budget.u, METHODS[method], picture_px=picture_px),
            method=method,
            budget=budget,
            inputs=inputs,
            found=found,
            notes=notes,
            plane=plane,
        )


def apply_homography(homography: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (..., 2) through a homography (3, 3)."""
    lifted = points @ homography[:, :2].T + homography[:, 2]
    return np.asarray(lifted[..., :2] / lifted[..., 2:])


def undistorted(points: NDArray[np.float64], lens: Lens | None) -> NDArray[np.float64]:
    """Image points (..., 2) px freed of lens distortion, still in px; unchanged without a lens.

    The radial-tangential model has no closed inverse: it is solved by fixed-point iteration.
    """
    if lens is None:
        return points
    k1, k2, p1, p2, k3 = lens.distortion
    focal = lens.camera_matrix[[0, 1], [0, 1]]
    centre = lens.camera_matrix[[0, 1], [2, 2]]
    seen = (points - centre) / focal
    free = seen.copy()
    for _ in range(60):
        x, y = free[..., 0], free[..., 1]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        shift = np.stack(
            [2 * p1 * x * y + p2 * (r2 + 2 * x * x), p1 * (r2 + 2 * y * y) + 2 * p2 * x * y], axis=-1
        )
        better = (seen - shift) / radial[..., None]
        done = np.max(np.abs(better - free), initial=0.0) < 1e-12
        free = better
        if done:
            break
    return np.asarray(free * focal + centre)
