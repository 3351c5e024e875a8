"""Scale from the photo of a target: the plane's homography, its scale at the weld's place, and the uncertainty.

Source for the homography: Hartley & Zisserman, *Multiple View Geometry in Computer Vision*, 2nd ed. 2004, ch. 4
(fit) and 2.3 (conics; the picture of a circle's centre is not the centre of its picture).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..model.axes import Size
from ..model.errors import MeasurementError, UsageError
from .calibration import (
    HEIGHT,
    OVER_THE_VIEW,
    PITCH,
    Calibration,
    Input,
    Lens,
    Plane,
    apply_homography,
    undistorted,
)
from .target import Sighting, Target
from .uncertainty import Budget, Contribution, propagate

Region = tuple[float, float, float, float]
# More spread of the scale over the region than this is worth a note.
_NOTABLE_SPREAD = 0.02
# What finders of corners and circles leave as an error common to one side of the target, px (seen on drawn targets).
_FINDER_PX = 0.05
# Points that are off by more than this share of the pitch, rms, are no flat target.
_WORST_FIT = 0.05


@dataclass(frozen=True)
class Placement:
    """Where the scale of a target's plane is wanted.

    Attributes
    ----------
    place
        Image (x, y) px of the weld, where the scale is stated; the middle of the picture if None.
    region
        (x, y, width, height) px over which the scale must hold; where the target was seen if None.
    u_height_mm
        Standard uncertainty of the target's height against the plane of the weld, mm.
    distance_mm
        Distance from the lens to the weld, mm; needed with `u_height_mm`.
    """

    place: tuple[float, float] | None = None
    region: Region | None = None
    u_height_mm: float = 0.0
    distance_mm: float | None = None


def scale_from_target(
    sighting: Sighting,
    target: Target,
    view: Size,
    placement: Placement | None = None,
    *,
    lens: Lens | None = None,
    inputs: Mapping[str, Input] | None = None,
) -> Calibration:
    """Scale of the plane in which a target lay.

    Parameters
    ----------
    sighting, target
        The target as found, and as it is.
    view
        Width and height of the picture, px.
    placement
        Where the scale is wanted.
    lens
        Lens distortion, if it is known.
    inputs
        More to be noted in the scale file.

    Raises
    ------
    UsageError
        Place, region or heights make no sense.
    MeasurementError
        The points do not fit a flat target.

    Notes
    -----
    The scale is the side of a square of the same area as a pixel, at the place. Where the view is tilted, a pixel
    is worth more along the tilt than across it, and more far away than near: half the range between the least
    and the largest scale over the region and all directions enters as a rectangular distribution (GUM 4.3.7).
    """
    placement = placement or Placement()
    width, height = view
    place = placement.place or ((width - 1) / 2, (height - 1) / 2)
    region = placement.region or _box(sighting.points)
    _check(place, region, view, placement)
    fit = _fit(sighting, target, lens)

    def scale(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        trial = Plane(_inverse(_matrix(parameters)), *place, region, 1.0, 1.0, lens=lens)
        return trial.scale_at(np.array(place))

    value, variance = propagate(scale, fit.to_image.ravel()[:8], fit.covariance)
    mm_per_px, u = value.item(), math.sqrt(variance.item())
    plane = _surveyed(Plane(_inverse(fit.to_image), *place, region, 1.0, 1.0, lens=lens))
    return Calibration.made(
        mm_per_px,
        "target",
        _budget(mm_per_px, u, fit, target, plane, placement),
        inputs={**(inputs or {}), **_noted(target), "picture_px": f"{width} x {height}"},
        found=_found(fit, plane),
        notes=_notes(mm_per_px, plane, _box(sighting.points), target),
        plane=plane,
        picture_px=view,
    )


@dataclass(frozen=True)
class _PlaneFit:
    """A target's points fitted: shape (n, 2) px free of distortion, homography and its covariance, residual, pitch."""

    image: NDArray[np.float64]
    to_image: NDArray[np.float64]
    covariance: NDArray[np.float64]
    rms_px: float
    pitch_px: float


def _fit(sighting: Sighting, target: Target, lens: Lens | None) -> _PlaneFit:
    image = undistorted(sighting.points, lens)
    to_image, residuals, covariance = fit_plane(image, target.points_mm, sighting.areas)
    rms = math.sqrt(float((residuals**2).mean()))
    grid = np.linalg.norm(np.diff(image.reshape(target.rows, target.columns, 2), axis=1), axis=2)
    pitch_px = float(np.median(grid))
    if rms > _WORST_FIT * pitch_px:
        raise MeasurementError(
            f"the points found do not fit a flat {target.pattern} (rms {rms:.2f} px at {pitch_px:.1f} px pitch):"
            " check columns and rows, and that the target is flat. Several photos let the lens distortion be taken out"
        )
    return _PlaneFit(image, to_image, covariance, rms, pitch_px)


def _budget(
    mm_per_px: float, u: float, fit: _PlaneFit, target: Target, plane: Plane, placement: Placement
) -> Budget:
    """What the uncertainty is made of; `u` is what the scatter of the points gives, mm/px."""
    spread = plane.most_mm_per_px - plane.least_mm_per_px
    parts = [
        Contribution("finding the target's points", u, 2 * len(fit.image) - 8),
        Contribution("bias of finding the points", mm_per_px * _FINDER_PX / _extent(fit.image)),
        Contribution(PITCH, mm_per_px * target.u_pitch_mm / target.pitch_mm),
        Contribution(OVER_THE_VIEW, spread / 2 / math.sqrt(3)),
    ]
    if placement.u_height_mm > 0 and placement.distance_mm is not None:
        parts.append(Contribution(HEIGHT, mm_per_px * placement.u_height_mm / placement.distance_mm))
    return Budget(tuple(parts))


def _found(fit: _PlaneFit, plane: Plane) -> dict[str, Input]:
    return {
        "points": len(fit.image),
        "rms_px": fit.rms_px,
        "pitch_px": fit.pitch_px,
        "tilt_deg": plane.tilt_deg,
        "least_mm_per_px": plane.least_mm_per_px,
        "most_mm_per_px": plane.most_mm_per_px,
    }


def _noted(target: Target) -> dict[str, Input]:
    return {
        "pattern": target.pattern,
        "columns": target.columns,
        "rows": target.rows,
        "pitch_mm": target.pitch_mm,
        "u_pitch_mm": target.u_pitch_mm,
    }


def _notes(mm_per_px: float, plane: Plane, seen: Region, target: Target) -> tuple[str, ...]:
    """What to know before using the scale of a plane; `seen`: where the target was."""
    notes = []
    x, y = plane.place_x, plane.place_y
    left, top, width, height = seen
    if not (left <= x <= left + width and top <= y <= top + height):
        notes.append(
            "The weld's place is outside the target: the scale there is extrapolated. Move the target."
        )
    if plane.most_mm_per_px - plane.least_mm_per_px > _NOTABLE_SPREAD * mm_per_px:
        notes.append(
            f"The view is tilted (about {plane.tilt_deg:.0f} degrees): over the region a pixel is"
            f" {plane.least_mm_per_px:.4g} to {plane.most_mm_per_px:.4g} mm, depending on place and direction. The"
            " uncertainty of this one scale holds that. Measuring a clip sets the tilt upright at the weld's place, "
            "which leaves what perspective changes over the region: choose it close around the weld."
        )
    if target.u_pitch_mm == 0:
        notes.append("The target's pitch was taken as exact; give its uncertainty to have it in the budget.")
    return tuple(notes)


def fit_plane(
    image: NDArray[np.float64], plane_mm: NDArray[np.float64], areas: NDArray[np.float64] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Homography from the plane (mm) to the image (px) by least squares in the image.

    Parameters
    ----------
    image, plane_mm
        Matching points, shape (n, 2), free of lens distortion.
    areas
        Areas of circles' pictures, px²: the image points are then centres of ellipses, and the shift between
        these and the pictures of the circles' centres is taken out. Empty or None for corners.

    Returns
    -------
    homography (3, 3) with last element 1, residuals (n, 2) px, covariance (8, 8) of its first eight elements
    """
    homography = _refined(_linear(image, plane_mm), image, plane_mm)
    centres = image
    if areas is not None and areas.size:
        for _ in range(4):
            jacobian = _derivative(_inverse(homography), centres)
            radius = math.sqrt(float(np.median(areas * np.abs(np.linalg.det(jacobian)))) / math.pi)
            centres = image - (
                ellipse_centres(homography, plane_mm, radius) - apply_homography(homography, plane_mm)
            )
            homography = _refined(homography, centres, plane_mm)
    residuals = centres - apply_homography(homography, plane_mm)
    design = _design(homography, plane_mm)
    variance = float((residuals**2).sum()) / max(1, residuals.size - 8)
    covariance = np.asarray(variance * np.linalg.inv(design.T @ design), dtype=np.float64)
    return homography, residuals, covariance


def ellipse_centres(
    homography: NDArray[np.float64], plane_mm: NDArray[np.float64], radius_mm: float
) -> NDArray[np.float64]:
    """Centres (n, 2) px of the pictures of circles of one radius around points of the plane.

    The dual conic of a circle maps as ``H C* Hᵀ``; an ellipse's centre is the pole of the line at infinity.
    """
    lifted = np.column_stack([plane_mm, np.ones(len(plane_mm))])
    dual = np.diag([radius_mm**2, radius_mm**2, 0.0]) - lifted[:, :, None] * lifted[:, None, :]
    mapped = homography @ dual @ homography.T
    return np.asarray(mapped[:, :2, 2] / mapped[:, 2:, 2])


def _box(points: NDArray[np.float64]) -> Region:
    left, top = points.min(axis=0).tolist()
    width, height = np.ptp(points, axis=0).tolist()
    return left, top, width, height


def _extent(points: NDArray[np.float64]) -> float:
    """Smaller extent of the points' bounding box, px."""
    return float(np.ptp(points, axis=0).min())


def _surveyed(plane: Plane) -> Plane:
    """Fill in the least and largest scale over the region and all directions, and the tilt at the place."""
    x, y, width, height = plane.region
    columns, rows = np.meshgrid(np.linspace(x, x + width, 9), np.linspace(y, y + height, 9))
    local = np.linalg.svd(plane.jacobian(np.stack([columns, rows], axis=-1)), compute_uv=False)
    most, least = np.linalg.svd(plane.jacobian((plane.place_x, plane.place_y)), compute_uv=False).tolist()
    return replace(
        plane,
        least_mm_per_px=float(local[..., 1].min()),
        most_mm_per_px=float(local[..., 0].max()),
        tilt_deg=math.degrees(math.acos(min(1.0, least / most))),
    )


def _check(
    place: tuple[float, float],
    region: Region,
    view: Size,
    placement: Placement,
) -> None:
    width, height = view
    u_height_mm, distance_mm = placement.u_height_mm, placement.distance_mm
    at_x, at_y = place
    if not (0 <= at_x <= width - 1 and 0 <= at_y <= height - 1):
        raise UsageError(f"the weld's place {place} px is outside the picture of {width} x {height} px")
    x, y, w, h = region
    if not (w > 0 and h > 0 and x >= 0 and y >= 0 and x + w <= width and y + h <= height):
        raise UsageError(
            f"the region from left {x:g}, top {y:g} to right {x + w:g}, bottom {y + h:g} px is not in the picture of "
            f"{width} x {height} px"
        )
    if u_height_mm < 0 or not math.isfinite(u_height_mm):
        raise UsageError(f"the height's uncertainty must be at least 0 mm, got {u_height_mm!r}")
    if u_height_mm > 0 and not (distance_mm is not None and distance_mm > 0):
        raise UsageError("the height's uncertainty needs the distance from the lens to the weld in mm")


def _linear(image: NDArray[np.float64], plane_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Direct linear transform with normalised points (Hartley & Zisserman, algorithm 4.2)."""
    a, ta = _normalised(plane_mm)
    b, tb = _normalised(image)
    zero, one = np.zeros(len(a)), np.ones(len(a))
    x, y, u, v = a[:, 0], a[:, 1], b[:, 0], b[:, 1]
    rows = np.concatenate(
        [
            np.stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u], axis=1),
            np.stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v], axis=1),
        ]
    )
    homography = np.linalg.inv(tb) @ np.linalg.svd(rows)[2][-1].reshape(3, 3) @ ta
    return np.asarray(homography / homography[2, 2])


def _normalised(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    centre = x, y = points.mean(axis=0)
    size = math.sqrt(2) / max(float(np.linalg.norm(points - centre, axis=1).mean()), 1e-300)
    transform = np.array([[size, 0, -size * x], [0, size, -size * y], [0, 0, 1]])
    return (points - centre) * size, transform


def _refined(
    homography: NDArray[np.float64], image: NDArray[np.float64], plane_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    for _ in range(20):
        residuals = (image - apply_homography(homography, plane_mm)).ravel()
        step = np.linalg.lstsq(_design(homography, plane_mm), residuals, rcond=None)[0]
        homography = _matrix(homography.ravel()[:8] + step)
        if float(np.abs(step).max()) < 1e-12 * float(np.abs(homography).max()):
            break
    return homography


def _design(homography: NDArray[np.float64], plane_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Derivative of the image points (u, v, interleaved) by the homography's first eight elements."""
    seen = apply_homography(homography, plane_mm)
    x, y = plane_mm[:, 0], plane_mm[:, 1]
    w = homography[2, 0] * x + homography[2, 1] * y + 1
    out = np.zeros((len(x), 2, 8))
    for row in (0, 1):
        out[:, row, 3 * row] = x / w
        out[:, row, 3 * row + 1] = y / w
        out[:, row, 3 * row + 2] = 1 / w
        out[:, row, 6] = -seen[:, row] * x / w
        out[:, row, 7] = -seen[:, row] * y / w
    return out.reshape(-1, 8)


def _derivative(homography: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Derivative (n, 2, 2) of points through a homography."""
    mapped = apply_homography(homography, points)
    w = points @ homography[2, :2] + homography[2, 2]
    return np.asarray(
        (homography[None, :2, :2] - mapped[:, :, None] * homography[None, 2:, :2]) / w[:, None, None]
    )


def _matrix(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.append(parameters, 1.0).reshape(3, 3)


def _inverse(homography: NDArray[np.float64]) -> NDArray[np.float64]:
    inverse = np.linalg.inv(homography)
    return np.asarray(inverse / inverse[2, 2], dtype=np.float64)
