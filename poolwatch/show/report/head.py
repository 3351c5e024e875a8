"""What a trial's report is about, in a few lines under its title: for whom, when, on what, what was varied."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ...model.rounding import known
from ...model.weld_facts import DATE, POWER, TITLE
from ..stills.trial import plain
from .settings_tried import setting, setting_columns

if TYPE_CHECKING:
    import pandas as pd

# Facts of a score row that a reader asks for first: column, words, unit, factor to that unit.
_FACTS = (
    ("customer", "for", "", 1.0),
    (DATE, "welded on", "", 1.0),
    ("welder", "welded by", "", 1.0),
    ("machine", "machine", "", 1.0),
    ("sheet", "sheet", "", 1.0),
    ("material", "material", "", 1.0),
    (POWER, "laser power", "W", 1.0),
    ("travel_speed_mm_s", "travel speed", "mm/s", 1.0),
    ("record_rate_hz", "record rate", "kHz", 1e-3),
    ("exposure_s", "exposure", "µs", 1e6),
    ("footage", "footage", "", 1.0),
)
# More levels of a factor than this are given as a range, or counted.
_MOST_LEVELS = 6


def title_of(scores: pd.DataFrame) -> str:
    """The title that the manifest gives the trial; empty where it gives none, or several."""
    titles = _levels(scores, TITLE, 1.0)
    return str(titles[0]) if len(titles) == 1 else ""


def head_lines(scores: pd.DataFrame) -> list[tuple[str, str]]:
    """Words and value of each line; what no score row says has no line.

    Parameters
    ----------
    scores
        Score rows of the welds that count, with the columns of `poolwatch.model.weld_facts.WELD_FACTS` and
        ``factor_…`` where the manifest has them.
    """
    lines = []
    varied = setting_columns(scores)
    for column, words, unit, factor in _FACTS:
        levels = _levels(scores, column, factor)
        if levels:
            as_factor = f"factor_{column}" in varied
            lines.append((f"varied: {words}" if as_factor else words, f"{_in_words(levels)} {unit}".rstrip()))
    shapes = scores["beam_shape"].nunique()
    lines.append(("welds", f"{len(scores)}, of {shapes} beam shape{'s' * (shapes != 1)}"))
    facts = {f"factor_{column}" for column, *_ in _FACTS}
    return lines + [
        (f"varied: {plain(column)}", _in_words(_levels(scores, column, 1.0)))
        for column in varied
        if column not in facts
    ]


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
        return ", ".join(value if isinstance(value, str) else setting(value) for value in levels)
    if not any(isinstance(value, str) for value in levels):
        return f"{setting(levels[0])} to {setting(levels[-1])}, {len(levels)} values"
    return f"{levels[0]} to {levels[-1]}, {len(levels)} values"
