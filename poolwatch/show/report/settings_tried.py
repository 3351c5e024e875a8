"""The settings behind each point of a trial: which factors were varied, and what each beam shape was welded with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ...model.rounding import MINUS, known
from ..stills.trial import factor_columns, plain

if TYPE_CHECKING:
    import pandas as pd

# Names that a plan gives to settings.
_PLANNED = r"setting-\d+"


def setting(value: Any) -> str:
    """A setting as it was given, up to six digits; one with more digits was measured, and has four here."""
    if isinstance(value, str):
        return value.strip() or "–"
    if not known(value):
        return "–"
    given = f"{float(value):.6g}"
    return (given if float(given) == float(value) else f"{float(value):.4g}").replace("-", MINUS)


def setting_columns(scores: pd.DataFrame) -> list[str]:
    """Columns of factors that were varied."""
    return factor_columns(scores)


def settings_of(scores: pd.DataFrame) -> dict[str, list[str]]:
    """Cells of `setting_columns` by beam shape, for those shapes that were welded with one setting only."""
    columns = setting_columns(scores)
    found: dict[str, list[str]] = {}
    for shape, rows in scores.groupby(scores["beam_shape"].astype(str), sort=False):
        settings = {tuple(setting(value) for value in row) for row in rows[columns].to_numpy(dtype=object)}
        if len(settings) == 1:
            found[str(shape)] = list(next(iter(settings)))
    return found


def setting_words(row: Mapping[Any, Any], columns: Sequence[str]) -> str:
    """The settings of one row: ``power 2500 W; travel speed 80 mm/s``."""
    parts = []
    for column in columns:
        name, _, unit = plain(column).partition(", ")
        parts.append(f"{name} {setting(row.get(column))} {unit}".rstrip())
    return "; ".join(parts)


def short_settings(scores: pd.DataFrame) -> dict[str, str]:
    """Settings of each shape in a few words with their units, as ``2500 W, 80 mm/s``."""
    units = [head.partition(", ")[2] for head in setting_heads(scores)]
    return {
        shape: ", ".join(f"{cell} {unit}".rstrip() for cell, unit in zip(cells, units, strict=True))
        for shape, cells in settings_of(scores).items()
    }


def setting_heads(scores: pd.DataFrame) -> list[str]:
    """Names and units of the factors that were varied."""
    return [plain(name) for name in setting_columns(scores)]


def is_designed(scores: pd.DataFrame, effects: pd.DataFrame | None) -> bool:
    """Whether what the factors do comes first: effects are known, and a beam shape is a name for one setting.

    Shapes that have names of their own and figures of their beams as factors are compared by name: there are hardly
    more of them than of figures, and no design behind them.
    """
    if effects is None or not effects["effect"].notna().any():
        return False
    settings = settings_of(scores)
    shapes = scores["beam_shape"].astype(str)
    count = int(shapes.nunique())
    if not 1 < count == len(settings) == len({tuple(cells) for cells in settings.values()}):
        return False
    return bool(shapes.str.fullmatch(_PLANNED).all()) or count > 2 * len(setting_columns(scores))
