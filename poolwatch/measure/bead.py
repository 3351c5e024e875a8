"""The photo of a finished weld: scale and tilt, the bead, the test for ripple spacings, figures in mm."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..bead.changes import tone_along
from ..bead.facts import BeadPx, Floats, Image
from ..bead.looks import alike
from ..bead.measuring import BeadSettings, measure_bead
from ..bead.photo import Photo, read_weld_photo
from ..model.axes import Scale
from ..model.bead_tables import BEAD_ALONG
from ..model.errors import MeasurementError, UsageError
from ..scale.calibration import OVER_THE_VIEW, Calibration, Plane
from ..scale.upright import set_upright
from ..stability import Series, StabilitySettings, peaks, spectrum


@dataclass(frozen=True)
class BeadPhoto:
    """A measured photo of a weld.

    Attributes
    ----------
    name
        Name of the file.
    shown
        Shape (height, width, 3): the picture, upright where the view was tilted, 8-bit blue-green-red.
    mm_per_px
        Size of its pixels.
    px
        All that was found, px of `shown`.
    row
        The row of `poolwatch.model.bead_tables.BEAD`.
    """

    name: str
    shown: NDArray[np.uint8]
    mm_per_px: float
    px: BeadPx
    row: dict[str, Any]


def measure_bead_photo(
    path: str | Path,
    *,
    scale: Calibration | Scale,
    settings: BeadSettings | None = None,
    near: tuple[float, float] | None = None,
) -> BeadPhoto:
    """Measure the weld bead in a photo.

    Parameters
    ----------
    path
        JPEG, PNG, TIFF or BMP.
    scale
        Size of a pixel; a calibration with a tilted plane sets the photo upright first.
    settings
        What is looked for.
    near
        A place on the bead (x, y), px of the photo, where it holds several.

    Raises
    ------
    ClipError
        The photo cannot be read.
    MeasurementError
        No bead is found, or too little of it.
    UsageError
        `near` is outside the photo.
    """
    photo = read_weld_photo(path)
    height, width = photo.light.shape[:2]
    if near is not None:
        x, y = near
        if not (0 <= x < width and 0 <= y < height):
            raise UsageError(f"--near {x:g},{y:g} is outside {path} ({width} x {height} px)")
    plain = scale.scale if isinstance(scale, Calibration) else scale
    other_size = plain.picture_px is not None and plain.picture_px != (width, height)
    plane = scale.plane if isinstance(scale, Calibration) else None
    if plane is not None and (plane.upright() is not None or plane.lens is not None):
        if other_size:
            raise UsageError(
                f"{path}: is {width} x {height} px, but its tilted scale was made with {plain.picture_px} px; "
                f"give a scale "
                "made with photos of this size"
            )
        photo, near = _upright(photo, plane, plain.mm_per_px, near)
        assert isinstance(scale, Calibration)
        plain = replace(plain, u_mm_per_px=scale.u_but_for(OVER_THE_VIEW))
    try:
        px = measure_bead(
            photo.light,
            mm_per_px=plain.mm_per_px,
            stands_out=spacings_that_stand_out,
            settings=settings,
            near=near,
        )
    except MeasurementError as error:
        raise MeasurementError(f"{path}: {error}") from None
    row = _row(photo.name, px, plain, other_size=other_size)
    return BeadPhoto(photo.name, photo.shown, plain.mm_per_px, px, row)


def spacings_that_stand_out(values: Floats) -> tuple[float, ...]:
    """Frequencies (1/px) of a row of values one px apart whose peaks stand out of red noise, strongest first."""
    series = Series("ripples", values, 1.0)
    settings = StabilitySettings()
    found = peaks(spectrum(series, settings), series, settings)
    return tuple(peak.frequency_hz for peak in found)


def bead_along(photo: BeadPhoto) -> Any:
    """Width, edges and tone along the weld as a table (`BEAD_ALONG`), four rows a bead width."""
    px, mm = photo.px, photo.mm_per_px
    seen = np.flatnonzero(px.edges.seen)
    step = max(1, int(np.median(px.edges.width[px.edges.judged]) / 4))
    at = np.arange(seen.min(), seen.max() + 1, step)
    along = px.strip.along[at]
    there = px.edges.seen[at]
    change = [
        next((one.kind for one in px.changes if one.start <= place <= one.stop), None)
        for place in along.tolist()
    ]
    return BEAD_ALONG.frame(
        {
            "along_mm": (along - along[0]) * mm,
            "judged": px.edges.judged[at].astype(int),
            "width_mm": np.where(there, px.edges.width[at] * mm, math.nan),
            "left_mm": np.where(there, px.edges.left.left[at] * mm, math.nan),
            "right_mm": np.where(there, px.edges.right.left[at] * mm, math.nan),
            "tone": tone_along(px.strip, px.edges)[at],
            "change": change,
        }
    )


def _upright(
    photo: Photo, plane: Plane, mm_per_px: float, near: tuple[float, float] | None
) -> tuple[Photo, tuple[float, float] | None]:
    height, width = photo.light.shape[:2]
    view = set_upright(plane, mm_per_px, (width, height))
    light: Image = view.picture(photo.light)
    place = None if near is None else view.place(near)
    return Photo(photo.name, light, view.picture(photo.shown)), place


def _row(name: str, px: BeadPx, scale: Scale, *, other_size: bool) -> dict[str, Any]:
    mm = scale.mm_per_px
    relative = scale.u_mm_per_px / mm
    edges, judged = px.edges, px.edges.judged
    width = edges.width[judged]
    mean = float(width.mean()) * mm
    # Noise averages over the length; where in its spread an edge lies does not.
    shared = max(alike(edge.noise[judged][None], 1) for edge in (edges.left, edges.right))
    pieces = max(judged.sum() / shared, 1.0)
    noise = math.hypot(float(np.std(edges.left.noise[judged])), float(np.std(edges.right.noise[judged])))
    place = math.hypot(edges.left.bias_u, edges.right.bias_u)
    own = math.hypot(noise / math.sqrt(pieces), place, 0.1) * mm
    noise_sd = px.waviness.noise * math.sqrt(2)
    sd = math.sqrt(max(float(np.var(width)) - noise_sd**2, 0.0)) * mm
    length = float(judged.sum()) * mm
    whole = float(np.ptp(np.flatnonzero(judged)) + 1) * mm
    ripples, deposits = px.ripples, px.deposits
    area = float(np.sum(np.pi / 4 * deposits.diameter**2)) * mm**2
    flags = [*px.flags]
    flags += ["bead_scale_other_size"] if other_size else []
    flags += ["bead_no_scale_uncertainty"] if scale.u_mm_per_px == 0 else []
    return {
        "photo": name,
        "bead_seen_mm": length,
        "bead_width_mean_mm": mean,
        "bead_width_u_mm": math.hypot(own, relative * mean),
        "bead_width_sd_mm": sd,
        "bead_edge_rms_mm": px.waviness.rms * mm,
        "bead_ripple_spacing_mm": ripples.spacing * mm,
        "bead_ripple_spacing_u_mm": math.hypot(ripples.spacing_u, relative * ripples.spacing) * mm,
        "bead_ripple_order": ripples.order,
        "bead_deposits_per_cm": len(deposits.x) / (whole / 10),
        "bead_deposit_area_mm2_per_cm": area / (whole / 10),
        "flags": " ".join(flags),
    }
