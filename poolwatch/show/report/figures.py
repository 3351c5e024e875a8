"""Key figures of a score row, as rows of a table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ...model.quantities import AREA, LENGTH, SIGNALS, WIDTH, Signal
from ...model.rounding import known
from ...model.score_words import figure
from ...model.tables import INDEX_PARTS

_POOL = (LENGTH, WIDTH, AREA)


def _of(signal: Signal) -> list[tuple[str, str, str]]:
    """Rows of one signal: mean, fluctuation and, where it is looked for, the strongest peak."""
    words = signal.words.removeprefix("pool ")
    unit = f"of {signal.unit}" if signal.unit == "full scale" else signal.unit
    peak = [(signal.peak_column, f"{words}, strongest peak", "Hz")] if signal.peak else []
    return [
        (signal.mean_column, f"{words}, mean", unit),
        (f"{signal.name}_cv", f"{words}, fluctuation / mean", "%"),
        *peak,
    ]


# Column, words, unit.
_KEY = (
    *(row for signal in _POOL for row in _of(signal)),
    ("agitation_mean", "surface agitation", "of the pool's brightness, in 0.5 ms"),
    *(row for signal in SIGNALS if signal not in _POOL for row in _of(signal)),
    ("keyhole_collapses_per_s", "keyhole collapses", "1/s"),
    ("spatter_count", "particles that left the pool", ""),
    ("spatter_per_s", "particles per second", "1/s"),
    ("spatter_per_m", "particles per metre of weld", "1/m"),
    ("spatter_mass_mg_per_m", "spatter mass per metre of weld", "mg/m"),
    ("spatter_d50_mm", "median diameter of particles", "mm"),
    ("spatter_min_diameter_mm", "smallest particle this clip could show", "mm"),
)
SHORT = (
    ("pool_length_mean_mm", "length, mm"),
    ("pool_length_cv", "length fluct., %"),
    ("pool_width_cv", "width fluct., %"),
    ("keyhole_brightness_cv", "keyhole fluct., %"),
    ("spatter_per_s", "particles, 1/s"),
)
"""Columns of the table of clips of one shape."""


def key_figures(row: Mapping[str, Any], unit: str) -> list[tuple[str, str, str]]:
    """Name, value with interval, and unit of every known key figure."""
    found = []
    for column, words, of in _KEY:
        if known(row.get(column)):
            found.append((words, figure(row, column), of.replace("mm", unit) if unit == "px" else of))
    return found


def index_parts(row: Mapping[str, Any]) -> list[tuple[str, str, int]]:
    """Name, desirability 0 to 1 and the same in per cent of each part of the index that took part."""
    return [
        (part.replace("_", " "), f"{float(row[f'd_{part}']):.2f}", round(100 * float(row[f"d_{part}"])))
        for part in INDEX_PARTS
        if known(row.get(f"d_{part}"))
    ]
