"""Spatter figures of the score row, and the parts of the index that rest on them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..model.recording import Recording
from ..stability import (
    PartSeries,
    Series,
    StabilitySettings,
    SteadyPart,
    counts_per_window,
    event_triggered,
    events,
    fano,
    rate_interval,
)
from .score_basis import ScoreBasis

if TYPE_CHECKING:
    import pandas as pd

# Windows into which the steady part is cut for the Fano factor.
_WINDOWS = 40
# Fewest particles whose moments are compared with the keyhole's brightness.
_FEWEST_EVENTS = 3
# Mass of a particle where none was seen nor a smallest is known: of this diameter, mm.
_TYPICAL_MM = 0.05


@dataclass(frozen=True)
class SpatterFigures:
    """Columns of the score row, and parts of the index by name."""

    row: dict[str, Any]
    parts: dict[str, PartSeries]


@dataclass(frozen=True)
class _Counted:
    """Particles that count: one value each, shape (n,), NaN where not known.

    Attributes
    ----------
    at
        When they left, frames from the start of the steady part.
    diameter_mm, speed_mm_s, direction_deg, mass_mg
        As in the spatter table.
    frames
        Frames of the steady part.
    """

    at: NDArray[np.float64]
    diameter_mm: NDArray[np.float64]
    speed_mm_s: NDArray[np.float64]
    direction_deg: NDArray[np.float64]
    mass_mg: NDArray[np.float64]
    frames: int

    @property
    def known_mm(self) -> NDArray[np.float64]:
        """Diameters that are known, mm."""
        return self.diameter_mm[np.isfinite(self.diameter_mm)]


def spatter_figures(
    spatter: pd.DataFrame,
    steady: SteadyPart,
    recording: Recording,
    settings: StabilitySettings,
    basis: ScoreBasis,
    keyhole: Series | None,
) -> SpatterFigures:
    """Figures of the particles that left the pool in the steady part.

    Parameters
    ----------
    spatter
        The spatter table.
    steady
        The steady part.
    recording, settings, basis
        As for `score`.
    keyhole
        Brightness of the keyhole region in the steady part; None where it is not known well enough.
    """
    counted = _counted(spatter, steady, basis.min_diameter_mm)
    row = _rates(counted, recording.record_rate_hz) | {"spatter_min_diameter_mm": basis.min_diameter_mm}
    if len(counted.known_mm):
        row |= _sizes(counted.known_mm)
        row["spatter_speed_median_mm_s"] = float(np.nanmedian(counted.speed_mm_s))
        row |= _directions(counted.direction_deg)
    parts: dict[str, PartSeries] = {}
    if recording.travel_speed_mm_s:
        metres = recording.travel_speed_mm_s * (counted.frames / recording.record_rate_hz) / 1000.0
        row["spatter_per_m"] = len(counted.at) / metres
        parts["spatter_count"] = events(counted.at, counted.frames, 1000.0 * metres)
        if basis.density_kg_m3 is not None and (len(counted.at) == 0 or len(counted.known_mm)):
            mass = _filled(counted.mass_mg)
            row["spatter_mass_mg_per_m"] = float(mass.sum()) / metres
            typical = float(np.mean(mass)) if len(mass) else _typical_mg(basis)
            parts["spatter_mass"] = events(counted.at, counted.frames, metres, amounts=mass, typical=typical)
    if keyhole is not None and len(counted.at) >= _FEWEST_EVENTS:
        before = event_triggered(keyhole, counted.at, settings)
        row |= {"keyhole_before_spatter": before.before, "keyhole_before_spatter_p": before.p}
    return SpatterFigures(row, parts)


def _counted(spatter: pd.DataFrame, steady: SteadyPart, min_diameter_mm: float) -> _Counted:
    def column(name: str) -> NDArray[np.float64]:
        return np.asarray(spatter[name].to_numpy(dtype=np.float64))

    left, diameter = column("left_frame"), column("diameter_mm")
    left = np.where(np.isfinite(left), left, column("first_frame"))
    inside = (left >= steady.start) & (left < steady.stop)
    if math.isfinite(min_diameter_mm):
        # Below the size that half of are seen, the count says more of the camera than of the weld.
        inside &= ~(diameter < min_diameter_mm)
    return _Counted(
        at=left[inside] - steady.start,
        diameter_mm=diameter[inside],
        speed_mm_s=column("speed_mm_s")[inside],
        direction_deg=column("direction_deg")[inside],
        mass_mg=column("mass_ug")[inside] / 1000.0,
        frames=steady.stop - steady.start,
    )


def _rates(counted: _Counted, rate_hz: float) -> dict[str, Any]:
    """Count, rate and burstiness (Fano factor)."""
    count, frames = len(counted.at), counted.frames
    burst = fano(counts_per_window(counted.at, frames, max(frames // _WINDOWS, 1)))
    interval = rate_interval(count, frames / rate_hz, fano=burst.value)
    return {
        "spatter_count": count,
        "spatter_per_s": interval.value,
        "spatter_per_s_low": interval.low,
        "spatter_per_s_high": interval.high,
        "spatter_fano": burst.value,
        "spatter_fano_low": burst.poisson_low,
        "spatter_fano_high": burst.poisson_high,
    }


def _sizes(d: NDArray[np.float64]) -> dict[str, float]:
    """Percentiles of diameters, and their Sauter mean (of volume over surface)."""
    return {
        **{f"spatter_d{q}_mm": float(np.percentile(d, q)) for q in (10, 50, 90)},
        "spatter_sauter_mm": float((d**3).sum() / (d**2).sum()),
    }


def _filled(mass_mg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Masses, the mean one where it is not known."""
    if not len(mass_mg):
        return mass_mg
    return np.where(np.isfinite(mass_mg), mass_mg, np.nanmean(mass_mg))


def _typical_mg(basis: ScoreBasis) -> float:
    """Mass of the smallest particle that counts, mg; kg/m³ × mm³ = µg."""
    assert basis.density_kg_m3 is not None
    known = math.isfinite(basis.min_diameter_mm) and basis.min_diameter_mm > 0
    smallest = basis.min_diameter_mm if known else _TYPICAL_MM
    return basis.density_kg_m3 * math.pi / 6 * smallest**3 / 1000.0


def _directions(degrees: NDArray[np.float64]) -> Mapping[str, float]:
    """Shares flying within 45° of each of the four ways."""
    known = degrees[np.isfinite(degrees)]
    if not len(known):
        return {}
    quarter = np.round(known / 90.0).astype(int) % 4
    return {
        f"spatter_share_{name}": float((quarter == k).mean())
        for k, name in enumerate(("forward", "left", "back", "right"))
    }
