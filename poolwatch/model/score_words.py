"""Figures of a score row as people read them: rounded to their uncertainty, with their interval."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .rounding import known, number, with_interval

# Figures that are a rate of particles times a number that is the same for all: as uncertain as the count.
_LIKE_RATE = ("spatter_per_m", "spatter_mass_mg_per_m")


def figure(row: Mapping[str, Any], column: str) -> str:
    """One figure of a score row with its interval, where it has one; fluctuations in per cent."""
    factor = 100.0 if column.endswith("_cv") else 1.0
    if column in _LIKE_RATE:
        return _like_rate(row, column)
    stem = column
    for ending in ("_mm2", "_mm"):
        if f"{column.removesuffix(ending)}_low" in row and column.endswith(ending):
            stem = column.removesuffix(ending)
    ends = (row.get(name) for name in (column, f"{stem}_low", f"{stem}_high"))
    return with_interval(*ends, factor=factor)


def index_words(row: Mapping[str, Any]) -> str:
    """The index with its interval."""
    return figure(row, "stability_index")


def _like_rate(row: Mapping[str, Any], column: str) -> str:
    """A figure for a metre of weld. The mass is at least as uncertain as the count, so it gets no more digits."""
    columns = (column, "spatter_per_s", "spatter_per_s_low", "spatter_per_s_high")
    cells = [row.get(name) for name in columns]
    if not all(known(cell) for cell in cells):
        return number(cells[0])
    value, rate, low, high = (float(cell) for cell in cells if cell is not None)
    if rate <= 0:
        return number(value)
    low, high = value * low / rate, value * high / rate
    return with_interval(value, low, high) if column == "spatter_per_m" else number(value, (high - low) / 2)
