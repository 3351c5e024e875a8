"""Figures of a score row as people read them: rounded to their uncertainty, with their interval."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from .rounding import common_places, half_width, known, number, places_of, with_interval

# Figures that are a rate of particles times a number that is the same for all: as uncertain as the count.
_LIKE_RATE = ("spatter_per_m", "spatter_mass_mg_per_m")
# Half of an interval, in index points, from which an index is shown without decimals.
_WHOLE = 0.95


def figure(row: Mapping[str, Any], column: str) -> str:
    """One figure of a score row with its interval, where it has one; fluctuations in per cent."""
    return figures([row], column)[0]


def figures(rows: Sequence[Mapping[str, Any]], column: str) -> list[str]:
    """One figure of several rows, a column of a table: with alike decimals where their uncertainties allow."""
    if column in _LIKE_RATE:
        return [_like_rate(row, column) for row in rows]
    if column == "stability_index":
        return [index_words(row) for row in rows]
    factor = 100.0 if column.endswith("_cv") else 1.0
    found = [_interval(row, column) for row in rows]
    places = common_places(half_width(low, high, factor) for _, low, high in found)
    return [with_interval(*interval, factor=factor, places=places) for interval in found]


def index_words(row: Mapping[str, Any]) -> str:
    """The index with its interval: whole, unless it is known to less than a point."""
    interval = _interval(row, "stability_index")
    half = half_width(*interval[1:])
    return with_interval(*interval, places=min(places_of(half), 0) if half >= _WHOLE else None)


def _interval(row: Mapping[str, Any], column: str) -> tuple[Any, Any, Any]:
    """A figure and the ends of its interval; None where it has no such."""
    stem = column
    for ending in ("_mm2", "_mm"):
        if f"{column.removesuffix(ending)}_low" in row and column.endswith(ending):
            stem = column.removesuffix(ending)
    return row.get(column), row.get(f"{stem}_low"), row.get(f"{stem}_high")


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
