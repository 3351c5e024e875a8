"""What a trial's report is about, in a few lines under its title: welds, material, travel, what was varied."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .page import known

if TYPE_CHECKING:
    import pandas as pd

# Facts of a score row that a reader asks for first: column, words, unit, factor to that unit.
_FACTS = (
    ("material", "material", "", 1.0),
    ("travel_speed_mm_s", "travel speed", "mm/s", 1.0),
    ("record_rate_hz", "record rate", "kHz", 1e-3),
    ("exposure_s", "exposure", "µs", 1e6),
    ("footage", "footage", "", 1.0),
)
# More levels of a factor than this are given as a range, or counted.
_MOST_LEVELS = 6


def head_lines(scores: pd.DataFrame) -> list[tuple[str, str]]:
    """Words and value of each line; what no score row says has no line.

    Parameters
    ----------
    scores
        Score rows of the welds that count, with ``factor_…`` columns where something was varied.
    """
    shapes = scores["beam_shape"].nunique()
    lines = [("welds", f"{len(scores)}, of {shapes} beam shape{'s' * (shapes != 1)}")]
    for column, words, unit, factor in _FACTS:
        levels = _levels(scores, column, factor)
        if levels:
            lines.append((words, f"{_in_words(levels)} {unit}".rstrip()))
    varied = [str(name) for name in scores if str(name).startswith("factor_")]
    for column in varied:
        levels = _levels(scores, column, 1.0)
        if len(levels) > 1:
            lines.append((f"varied: {column.removeprefix('factor_').replace('_', ' ')}", _in_words(levels)))
    return lines


def _levels(scores: pd.DataFrame, column: str, factor: float) -> list[Any]:
    """Different values of a column, in order: numbers first, by size."""
    if column not in scores:
        return []
    values = [value for value in scores[column].tolist() if known(value) or _is_word(value)]
    numbers = sorted({float(value) * factor for value in values if known(value)})
    return [*numbers, *sorted({value for value in values if not known(value)})]


def _is_word(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _in_words(levels: list[Any]) -> str:
    if len(levels) <= _MOST_LEVELS:
        return ", ".join(value if isinstance(value, str) else _setting(value) for value in levels)
    if not any(isinstance(value, str) for value in levels):
        return f"{_setting(levels[0])} to {_setting(levels[-1])}, {len(levels)} values"
    return f"{len(levels)} values"


def _setting(value: float) -> str:
    """A setting as it was given: no digits are added, and none of six taken away."""
    return f"{value:.6g}".replace("-", "\N{MINUS SIGN}")
