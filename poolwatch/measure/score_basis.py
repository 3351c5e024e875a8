"""On what ground clips are scored."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class ScoreBasis:
    """The ground on which a clip is scored; the same for clips that are compared.

    Attributes
    ----------
    min_diameter_mm
        Smallest particle that counts, mm; smaller ones are left out. NaN: all count.
    density_kg_m3
        Density of the liquid; None where no material was given.
    band_hz
        Band of the fluctuations; None: all that the clip can show.
    leave_out
        Parts of the index that must not enter.
    """

    min_diameter_mm: float = math.nan
    density_kg_m3: float | None = None
    band_hz: tuple[float, float] | None = None
    leave_out: tuple[str, ...] = ()
