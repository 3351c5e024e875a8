"""Runs that can be welded: all combinations of levels, or those in a CSV file."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np

from ..experiment.factors import ABSENT, Factor, Value
from ..experiment.limits import complete
from ..experiment.terms import Kind
from ..model.errors import UsageError
from ..model.sheet import TableText, read_sheet


def grid(factors: tuple[Factor, ...], model: Kind) -> list[dict[str, Value]]:
    """Every combination of levels; a range has its ends, and its middle for a quadratic model.

    The figures of a part are absent where its parent has none.

    Raises
    ------
    UsageError
        More than 20,000 combinations.
    """
    levels = [
        (f.value(-1), f.value(0), f.value(1)) if f.ranged and model == "quadratic" else f.settings
        for f in factors
    ]
    total = int(np.prod([len(one) for one in levels], dtype=float))
    if total > 20_000:
        raise UsageError(
            f"{total} combinations are too many to choose from; give fewer levels, or --candidates"
        )
    names = [f.name for f in factors]
    return each_once(
        [complete(dict(zip(names, values, strict=True)), factors) for values in product(*levels)]
    )


def each_once(runs: list[dict[str, Value]]) -> list[dict[str, Value]]:
    """Runs without those that came before."""
    return [dict(key) for key in dict.fromkeys(tuple(run.items()) for run in runs)]


def read_candidates(path: str | Path, factors: tuple[Factor, ...]) -> list[dict[str, Value]]:
    """Read candidate runs: one column a factor, by its name or ``factor_`` and its name.

    Parameters
    ----------
    path
        CSV as spreadsheets write it, see `read_sheet`.
    factors
        Numbers must be between the lowest and highest level, words must be levels.

    Raises
    ------
    UsageError
        The file cannot be read, a column is missing, or a cell does not fit its factor; all faults are listed.
    """
    sheet = read_sheet(path)
    columns = {}
    for factor in factors:
        column = next(
            (name for name in (factor.name, f"factor_{factor.name}") if name in sheet.columns), None
        )
        if column is None or not sheet.rows:
            raise UsageError(f"{path}: has no column {factor.name!r}, or no rows; one column a factor")
        columns[factor.name] = column
    faults: list[str] = []
    runs = []
    for line, row in zip(sheet.lines, sheet.rows, strict=True):
        run: dict[str, Value] = {}
        for factor in factors:
            text = row[columns[factor.name]]
            value = _level(sheet, factor, text)
            if value is None:
                faults.append(f"row {line}, {factor.name}: {text!r} is no level of it")
            else:
                run[factor.name] = value
        runs.append(run)
    if faults:
        raise UsageError(f"{path}: {'; '.join(faults[:20])}")
    return runs


def _level(sheet: TableText, factor: Factor, text: str) -> Value | None:
    if text == ABSENT and factor.nested_in:
        return ABSENT
    if not factor.numeric:
        return text if text in factor.levels else None
    try:
        value = sheet.number(text)
    except ValueError:
        return None
    # A place outside -1 to +1 is outside the levels, however directions are wrapped.
    return value if not factor.numeric or abs(factor.code([value])[0, 0]) <= 1 + 1e-9 else None
