"""Score rows from a file: as poolwatch wrote it, as a spreadsheet saved it again, or out of a database."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from ..experiment.factors import ABSENT
from ..model.errors import TableError, UsageError
from ..model.sheet import TableText, read_sheet
from ..model.table import Column
from ..model.tables import SCORE

if TYPE_CHECKING:
    import pandas as pd

# Whole numbers beyond it are not exact as read.
_LARGEST_COUNT = 2**53
# Faults that one message lists.
_LISTED = 8
REQUIRED = ("clip", "beam_shape", "stability_index")


def read_rows(path: str | Path) -> pd.DataFrame:
    """Read score rows; columns that are no part of a score row (factors, outcomes, folder) come after it.

    Parameters
    ----------
    path
        CSV with commas, semicolons or tabs, decimal points or commas. Needs ``clip``, ``beam_shape`` and
        ``stability_index``; every other column may be missing.

    Raises
    ------
    UsageError
        The file cannot be read, lacks a column, or holds something in a number's place that is none; all such
        places are counted, and the first listed.
    """
    sheet = read_sheet(path)
    missing = [name for name in REQUIRED if name not in sheet.columns]
    if missing:
        there = ", ".join(sheet.columns[:12]) + (", …" if len(sheet.columns) > 12 else "")
        raise UsageError(
            f"{sheet.path}: no column {', '.join(map(repr, missing))} among {there}; give score rows as in "
            f"scores.csv, or add a column of {'these names' if len(missing) > 1 else 'this name'}"
            + (", the name of the beam shape in every row" if missing == ["beam_shape"] else "")
        )
    if not sheet.rows:
        raise UsageError(f"{sheet.path}: has a header but no rows")
    problems: list[str] = []
    known = {
        column.name: [_value(sheet, row[column.name], line, column, problems) for row, line in _rows(sheet)]
        if column.kind != "text"
        else [_text(row[column.name]) for row in sheet.rows]
        for column in SCORE.columns
        if column.name in sheet.columns
    }
    for row, line in _rows(sheet):
        problems += _interval_faults(sheet, row, line)
        if not row["beam_shape"]:
            problems.append(f"row {line}, beam_shape: is empty; name the shape of every weld")
    if problems:
        listed = [f"({n}) {text}" for n, text in enumerate(problems[:_LISTED], 1)]
        if len(problems) > _LISTED:
            listed.append(f"and {len(problems) - _LISTED} more like these")
        raise TableError(f"{sheet.path}: cannot be ranked:", listed)
    frame = SCORE.frame(known)
    for name in sheet.columns:
        if name not in SCORE.names:
            frame[name] = _extra(sheet, name)
    return frame


def completed(scores: pd.DataFrame) -> pd.DataFrame:
    """Score rows with every column of one; other columns come after them. What is not given is missing.

    Raises
    ------
    UsageError
        A column that no row can do without is missing, or there is no row.
    """
    missing = [name for name in REQUIRED if name not in scores]
    if missing or not len(scores):
        raise UsageError(
            f"score rows lack the column {missing[0]!r}" if missing else "there are no score rows"
        )
    known = SCORE.frame({name: scores[name] for name in SCORE.names if name in scores})
    for name in scores:
        if name not in SCORE.names:
            known[name] = scores[name].to_numpy()
    return known


def _rows(sheet: TableText) -> list[tuple[dict[str, str], int]]:
    return list(zip(sheet.rows, sheet.lines, strict=True))


def _text(cell: str) -> str:
    """Without the apostrophe that keeps a spreadsheet from running the cell."""
    return cell[1:] if cell[:1] == "'" and cell[1:2] and cell[1] in "=+-@\t\r" else cell


def _value(sheet: TableText, text: str, line: int, of: Column, problems: list[str]) -> float | None:
    column = of.name
    if not text:
        return None
    try:
        value = sheet.number(text)
    except ValueError as error:
        problems.append(f"row {line}, {column}: {error}")
        return None
    if of.kind == "int" and (value != round(value) or abs(value) > _LARGEST_COUNT):
        problems.append(f"row {line}, {column}: {value:g} is no count")
        return None
    if column.startswith("stability_index") and not 0 <= value <= 100:
        problems.append(f"row {line}, {column}: {value:g} is outside 0 to 100")
    return value


def _interval_faults(sheet: TableText, row: dict[str, str], line: int) -> list[str]:
    """What is wrong with an interval of the index that does not hold it."""
    names = ("stability_index_low", "stability_index", "stability_index_high")
    try:
        ends = [sheet.number(row[name]) for name in names if row.get(name)]
    except ValueError:
        return []
    # Tables that were rounded by hand may be off by half of their last digit.
    if all(b - a >= -0.05 for a, b in pairwise(ends)):
        return []
    shown = " to ".join(f"{end:g}" for end in ends)
    return [
        f"row {line}, stability_index: the interval does not hold the index ({shown}): low, index, high must rise"
    ]


def _extra(sheet: TableText, name: str) -> list[float | str | None] | list[str]:
    """A column of factors or outcomes: numbers if every filled cell is one or says absent, else text."""
    try:
        return [
            ABSENT if row[name] == ABSENT else sheet.number(row[name]) if row[name] else None
            for row in sheet.rows
        ]
    except ValueError:
        return [_text(row[name]) for row in sheet.rows]
