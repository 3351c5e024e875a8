"""Scale from pairs of points whose distance is known."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..model.axes import Size
from ..model.errors import MeasurementError, UsageError
from .calibration import Calibration, Input, ScaleLine
from .uncertainty import Budget, Contribution

Point = tuple[float, float]
# Points closer than so many standard uncertainties of their distance give no scale worth having.
_LEAST_PX_IN_U = 10
_ALONG_NOTE = "Two points cannot show a tilt of the camera: the scale holds along their line, at their place."
_SCATTER_NOTE = (
    "The pairs scatter by {:.2g} px, more than the {:g} px a coordinate that was given: the reading uncertainty was "
    "enlarged. A tilted view does this too; a target photo would show it."
)


@dataclass(frozen=True)
class Pair:
    """Two image points (x, y) in px and their true distance in mm."""

    first: Point
    second: Point
    mm: float

    def __post_init__(self) -> None:
        if not all(math.isfinite(value) for value in (*self.first, *self.second)):
            raise UsageError(f"points must be finite numbers, got {self.first} and {self.second}")
        if not (math.isfinite(self.mm) and self.mm > 0):
            raise UsageError(f"the distance between the points must be above 0 mm, got {self.mm!r}")
        if self.px == 0:
            raise UsageError(f"the two points are the same, {self.first}: give two different places")

    @property
    def px(self) -> float:
        """Distance in the image, px."""
        return math.dist(self.first, self.second)

    def __str__(self) -> str:
        return "{:g},{:g} to {:g},{:g} px: {:g} mm".format(*self.first, *self.second, self.mm)


def scale_from_points(
    pairs: Sequence[Pair],
    *,
    u_px: float = 0.5,
    u_mm: float = 0.0,
    inputs: Mapping[str, Input] | None = None,
    picture_px: Size | None = None,
) -> Calibration:
    """Scale from one or more pairs of points of known distance.

    Parameters
    ----------
    pairs
        The pairs; several give a least-squares line through zero, and their scatter is checked.
    u_px
        Standard uncertainty of one coordinate of one point, px. Half a pixel suits points read by eye.
    u_mm
        Standard uncertainty of the known distances, mm, shared by all of them (one ruler).
    inputs
        More to be noted in the scale file (name of the photo …).
    picture_px
        Width and height of the picture, px.

    Raises
    ------
    UsageError
        No pair, or an uncertainty below 0.
    MeasurementError
        The points are closer together than their uncertainty allows, or the pairs contradict each other.

    Notes
    -----
    One pair: ``u² = (u_mm / px)² + (scale √2 u_px / px)²``. Each end's uncertainty along the line counts;
    that across it does not, to first order. Several pairs: weights px² (ends equally uncertain), so
    ``scale = Σ px mm / Σ px²``. Where the pairs scatter more than `u_px` explains, the reading
    uncertainty is enlarged to what they show (GUM 4.2, type A with n − 1 degrees of freedom).
    """
    _check_given(pairs, u_px, u_mm)
    _check_inside(pairs, picture_px)
    px = np.array([pair.px for pair in pairs])
    mm = np.array([pair.mm for pair in pairs])
    sum_px2 = float(px @ px)
    scale = float(px @ mm) / sum_px2
    reading = _reading(pairs, scale, u_px)
    parts = (
        Contribution("reading of the points", scale * reading.px / math.sqrt(sum_px2), reading.dof),
        Contribution("known distance", u_mm * float(px.sum()) / sum_px2),
    )
    given: dict[str, Input] = {"u_px": u_px, "u_mm": u_mm}
    given |= {f"pair_{number}": str(pair) for number, pair in enumerate(pairs, 1)}
    return Calibration.made(
        scale,
        "points",
        Budget(parts),
        inputs={**(inputs or {}), **given},
        found=reading.found,
        notes=reading.notes,
        picture_px=picture_px,
    )


class _Reading(NamedTuple):
    """Uncertainty of a distance as read, px, its degrees of freedom, what was found, and what to know of it."""

    px: float
    dof: float
    found: dict[str, Input]
    notes: tuple[str, ...]


def _reading(pairs: Sequence[Pair], scale: float, u_px: float) -> _Reading:
    """How well the distances were read: as given, or worse where the pairs scatter more."""
    given, note = math.sqrt(2) * u_px, _ALONG_NOTE
    found: dict[str, Input] = {"pairs": len(pairs), "longest_px": max(pair.px for pair in pairs)}
    if len(pairs) == 1:
        found |= ScaleLine.between(pairs[0].first, pairs[0].second).noted()
        return _Reading(given, math.inf, found, (note,))
    misses = np.array([pair.px - pair.mm / scale for pair in pairs])
    found["scatter_px"] = scatter = math.sqrt(float(np.sum(misses**2)) / (len(pairs) - 1))
    if scatter <= given:
        return _Reading(given, math.inf, found, (note,))
    return _Reading(scatter, len(pairs) - 1, found, (_SCATTER_NOTE.format(scatter, u_px), note))


def _check_given(pairs: Sequence[Pair], u_px: float, u_mm: float) -> None:
    if not pairs:
        raise UsageError("no points were given; give at least one pair and its distance")
    for name, value in (("u_px", u_px), ("u_mm", u_mm)):
        if not (math.isfinite(value) and value >= 0):
            raise UsageError(f"{name} must be a finite number of at least 0, got {value!r}")
    shortest = min(pair.px for pair in pairs)
    if shortest < _LEAST_PX_IN_U * math.sqrt(2) * u_px:
        raise MeasurementError(
            f"two points only {shortest:.3g} px apart, each uncertain by {u_px:g} px, give no scale worth having;"
            " take points further apart"
        )


def _check_inside(pairs: Sequence[Pair], picture_px: Size | None) -> None:
    """Refuse points outside the picture: they were read in another one, or in an enlarged view of it."""
    if picture_px is None:
        return
    width, height = picture_px
    for x, y in (point for pair in pairs for point in (pair.first, pair.second)):
        if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
            raise UsageError(
                f"the point {x:g},{y:g} is outside the picture of {width} x {height} px; read the points in that"
                " picture at its own size"
            )
