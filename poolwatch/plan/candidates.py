"""Runs that can be welded, out of a CSV file."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from ..model.errors import UsageError
from .factors import PlanFactor, Value


def read_candidates(path: str | Path, factors: tuple[PlanFactor, ...]) -> list[dict[str, Value]]:
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
    header = [name.strip() for name in rows[0]] if rows else []
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


def _level(factor: PlanFactor, text: str) -> Value | None:
    if not factor.numeric:
        return text if text in factor.levels else None
    try:
        value = float(text)
    except ValueError:
        return None
    return value if float(factor.levels[0]) <= value <= float(factor.levels[-1]) else None
