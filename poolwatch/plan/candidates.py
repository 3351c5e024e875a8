"""Runs that can be welded: all combinations of levels, or those in a CSV file."""

from __future__ import annotations

import csv
import io
from itertools import product
from pathlib import Path

import numpy as np

from ..experiment.factors import ABSENT, Factor, Value
from ..experiment.limits import complete
from ..experiment.terms import Kind
from ..model.errors import UsageError


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
        CSV with commas, semicolons or tabs.
    factors
        Numbers must lie between the lowest and highest level, words must be levels.

    Raises
    ------
    UsageError
        The file cannot be read, a column is missing, or a cell does not fit its factor; all faults are listed.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}); check the path") from None
    except UnicodeDecodeError:
        raise UsageError(f"{path}: is not UTF-8 text; save it as CSV (UTF-8)") from None
    first = text.splitlines()[0] if text.strip() else ""
    rows = list(csv.DictReader(io.StringIO(text), delimiter=max(",;\t", key=first.count)))
    # Cells beyond the header have no name.
    header = [str(name).strip() for name in rows[0]] if rows else []
    columns = {}
    for factor in factors:
        column = next((name for name in (factor.name, f"factor_{factor.name}") if name in header), None)
        if column is None:
            raise UsageError(f"{path}: has no column {factor.name!r}, or no rows; one column a factor")
        columns[factor.name] = column
    faults: list[str] = []
    runs = []
    for line, row in enumerate(rows, 2):
        cells = {str(name).strip(): str(value or "").strip() for name, value in row.items()}
        run: dict[str, Value] = {}
        for factor in factors:
            value = _level(factor, cells[columns[factor.name]])
            if value is None:
                faults.append(f"row {line}, {factor.name}: {cells[columns[factor.name]]!r} is no level of it")
            else:
                run[factor.name] = value
        runs.append(run)
    if faults:
        raise UsageError(f"{path}: {'; '.join(faults[:20])}")
    return runs


def _level(factor: Factor, text: str) -> Value | None:
    if text == ABSENT and factor.nested_in:
        return ABSENT
    if not factor.numeric:
        return text if text in factor.levels else None
    try:
        value = float(text)
    except ValueError:
        return None
    # A place outside -1 to +1 is outside the levels, however directions are wrapped.
    return value if not factor.numeric or abs(factor.code([value])[0, 0]) <= 1 + 1e-9 else None
