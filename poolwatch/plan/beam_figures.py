"""All figures of a beam picture, and the factor columns that they become."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.table import Column, Table
from .beam_image import BeamImage
from .beam_moments import Moments, second_moments
from .beam_regions import GivenRegions, Shares, power_shares

BEAM = Table(
    "beam.csv",
    "one beam picture",
    (
        Column("beam_shape", "text", "", "name of the picture, or as given"),
        Column("image", "text", "", "file"),
        Column("factor_core_share", "float", "", "share of the power in the core"),
        Column("factor_ring_share", "float", "", "share of the power in the ring"),
        Column("factor_tail_share", "float", "", "share of the power in the tail"),
        Column(
            "factor_beam_major_mm", "float", "mm", "second-moment width along the longer principal axis, D4σ"
        ),
        Column("factor_beam_minor_mm", "float", "mm", "the same along the shorter one"),
        Column(
            "factor_beam_axis_deg",
            "float",
            "°",
            "longer axis to the travel direction, counter-clockwise as seen, in (-90, 90]; absent where round",
        ),
        Column("factor_core_diameter_mm", "float", "mm", "second-moment diameter of the core"),
        Column("factor_ring_diameter_mm", "float", "mm", "middle diameter of the ring"),
        Column("factor_ring_width_mm", "float", "mm", "width of the ring's band at half of its height"),
        Column(
            "factor_tail_length_mm", "float", "mm", "from the core's centre over 95 % of the tail's power"
        ),
        Column(
            "factor_tail_direction_deg",
            "float",
            "°",
            "direction of the tail to the travel direction, counter-clockwise as seen; 180 is straight behind",
        ),
        Column("factor_peak_irradiance_w_mm2", "float", "W/mm²", "highest irradiance; empty without a power"),
        Column("factor_mean_irradiance_w_mm2", "float", "W/mm²", "power over the second-moment ellipse"),
    ),
)


@dataclass(frozen=True)
class BeamFigures:
    """Figures of a beam.

    Attributes
    ----------
    moments
        Place and widths, px.
    shares
        Where the power is, px.
    mm_per_px
        Size of a pixel in the plane of the work, mm.
    travel_direction_deg
        Travel in the picture, degrees counter-clockwise as seen, 0 = right.
    power_w
        Power on the work, W; NaN where not given.
    peak_w_mm2, mean_w_mm2
        Irradiance, W/mm²; NaN without a power.
    notes
        What to know.
    """

    moments: Moments
    shares: Shares
    mm_per_px: float
    travel_direction_deg: float
    power_w: float
    peak_w_mm2: float
    mean_w_mm2: float
    notes: tuple[str, ...]

    def row(self, image: str, beam_shape: str) -> dict[str, object]:
        """A row of `BEAM`: NaN where a figure is not known, or its part absent (`lacking`)."""
        mm, shares = self.mm_per_px, self.shares
        turn = self.travel_direction_deg
        return {
            "beam_shape": beam_shape,
            "image": image,
            "factor_core_share": shares.core,
            "factor_ring_share": shares.ring,
            "factor_tail_share": shares.tail,
            "factor_beam_major_mm": self.moments.major * mm,
            "factor_beam_minor_mm": self.moments.minor * mm,
            "factor_beam_axis_deg": math.nan
            if self.moments.round
            else axis_angle(self.moments.angle_deg - turn),
            "factor_core_diameter_mm": shares.core_diameter * mm,
            "factor_ring_diameter_mm": shares.ring_diameter * mm,
            "factor_ring_width_mm": shares.ring_width * mm,
            "factor_tail_length_mm": shares.tail_length * mm,
            "factor_tail_direction_deg": full_angle(shares.tail_angle_deg - turn),
            "factor_peak_irradiance_w_mm2": self.peak_w_mm2,
            "factor_mean_irradiance_w_mm2": self.mean_w_mm2,
        }


# Figures of a part, and the share that is 0 where the beam lacks it.
_PARTS = {
    "factor_core_diameter_mm": "core",
    "factor_ring_diameter_mm": "ring",
    "factor_ring_width_mm": "ring",
    "factor_tail_length_mm": "tail",
    "factor_tail_direction_deg": "tail",
}


def lacking(figures: BeamFigures) -> frozenset[str]:
    """Columns of parts that a beam has not: no ring, no ring diameter; round, no axis."""
    gone = {column for column, part in _PARTS.items() if getattr(figures.shares, part) == 0}
    return frozenset(gone | ({"factor_beam_axis_deg"} if figures.moments.round else set()))


def beam_figures(
    image: BeamImage,
    *,
    mm_per_px: float,
    power_w: float | None = None,
    travel_direction_deg: float = 0.0,
    background: float | None = None,
    regions: GivenRegions | None = None,
) -> BeamFigures:
    """Figures of a beam picture.

    Parameters
    ----------
    image
        The picture.
    mm_per_px
        Size of a pixel in the plane of the work, mm.
    power_w
        Power on the work, W.
    travel_direction_deg
        Travel in the picture, degrees counter-clockwise as seen, 0 = right.
    background
        Known level of the picture without a beam; None: found.
    regions
        Core, ring and tail, in px; None: found.

    Raises
    ------
    MeasurementError
        No beam stands out of the background.
    UsageError
        The regions given do not fit.
    """
    from scipy.ndimage import uniform_filter

    moments = second_moments(image.values, background, step=image.step)
    shares = power_shares(image.values, moments, regions)
    notes = list(image.notes)
    if moments.cut:
        notes.append(
            "the beam reaches the edge of the picture: widths and power are lower limits; show more around it"
        )
    if moments.minor < 10:
        notes.append("fewer than 10 pixels across the beam: the figures are coarse")
    notes += _background_notes(image.values, moments)
    notes += shares.notes
    peak = mean = math.nan
    if power_w is not None:
        light = image.values - moments.background
        # The highest of means over 3 x 3 px: one pixel of noise is no peak.
        highest = float(uniform_filter(light, 3, mode="nearest")[moments.window].max())
        peak = power_w * highest / (moments.power * mm_per_px**2)
        mean = power_w / (math.pi / 4 * moments.major * moments.minor * mm_per_px**2)
    return BeamFigures(
        moments, shares, mm_per_px, travel_direction_deg, math.nan if power_w is None else power_w, peak, mean,
        tuple(notes),
    )  # fmt: skip


def _background_notes(image: NDArray[np.float64], moments: Moments) -> list[str]:
    """What the picture outside the window, and along its border, says of the figures."""
    outside = image[~moments.window]
    notes = []
    lowest = float(image.min())
    if outside.size and 0.1 < float((outside == lowest).mean()) < 0.98 and float(outside.std()) > 0:
        notes.append(
            "the dark of the picture is cut off at its lowest value: half of its noise is missing. The background is "
            "then too high and the widths too small, by some per cent; record with an offset"
        )
    inside = np.argwhere(moments.window)
    (top, left), (bottom, right) = inside.min(axis=0), inside.max(axis=0)
    wide, high = max(1, (right - left) // 20), max(1, (bottom - top) // 20)
    light = np.where(moments.window, image - moments.background, np.nan)
    strips = (
        light[top : top + high],
        light[bottom - high :],
        light[:, left : left + wide],
        light[:, right - wide :],
    )
    peak = float(np.nanmax(light))
    for strip in strips:
        known = strip[np.isfinite(strip)]
        if known.size and known.mean() > max(5 * moments.noise / math.sqrt(known.size), 5e-4 * peak):
            notes.append(
                "the beam goes on beyond the window of three widths (ISO 11146-1): its foot is left out of widths and "
                "shares"
            )
            break
    return notes


def axis_angle(degrees: float) -> float:
    """Angle of an axis in (-90, 90]."""
    turned = degrees % 180.0
    return turned - 180.0 if turned > 90.0 else turned


def full_angle(degrees: float) -> float:
    """Angle of a direction in (-180, 180]; NaN stays NaN."""
    turned = degrees % 360.0
    return turned - 360.0 if turned > 180.0 else turned
