"""A table: its columns, and how it is written to a CSV and read back."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TextIO

from .errors import OutputError
from .files import written_whole

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["int", "float", "text"]
_DTYPES: dict[Kind, str] = {"int": "Int64", "float": "float64", "text": "str"}
# A spreadsheet runs a cell that starts so; a leading apostrophe keeps it text.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_ROWS = 4096


@dataclass(frozen=True)
class Column:
    """One column: its name (unit included), kind, unit and meaning."""

    name: str
    kind: Kind
    unit: str
    meaning: str


@dataclass(frozen=True)
class Table:
    """A table's columns in order, and what one row is."""

    name: str
    row: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        """Column names in order."""
        return [column.name for column in self.columns]

    def frame(self, data: Mapping[str, Any] | Sequence[Mapping[str, Any]] | None = None) -> pd.DataFrame:
        """Make a DataFrame with all columns, in order and of the right kinds; empty if `data` is None.

        Parameters
        ----------
        data
            Columns by name, or rows; what is not given is missing. Extra names are refused.

        Raises
        ------
        KeyError
            `data` has a name that the table has not.
        """
        import pandas as pd

        frame = pd.DataFrame(data if data is not None else {name: [] for name in self.names}, copy=False)
        strangers = [name for name in frame.columns if name not in self.names]
        if strangers:
            raise KeyError(f"table {self.name!r} has no columns {strangers}")
        given = dict(frame.reset_index(drop=True).items())
        index = pd.RangeIndex(len(frame))
        missing: dict[Kind, Any] = {}
        made = {}
        for column in self.columns:
            if column.name in given:
                made[column.name] = _of_kind(given[column.name], column.kind).array
            else:
                if column.kind not in missing:
                    empty = pd.Series("" if column.kind == "text" else math.nan, index=index)
                    missing[column.kind] = empty.astype(_DTYPES[column.kind]).array
                made[column.name] = missing[column.kind].copy()
        # Column by column, without a copy and without an index to agree on: a long clip's table is large.
        return pd.DataFrame(made, index=index, copy=False)


def _of_kind(values: pd.Series, kind: Kind) -> pd.Series:
    import pandas as pd

    if kind == "text":
        if values.dtype == "str" and not values.hasnans:
            return values
        return values.astype("object").where(values.notna(), "").astype(_DTYPES[kind])
    if values.dtype == "float64" and kind == "float":
        return values
    return (values if values.dtype == "float64" else pd.to_numeric(values)).astype(_DTYPES[kind])


def cell(value: Any) -> str:
    """A value as it stands in a CSV: missing is empty, floats have nine significant digits, text stays text."""
    if value is None:
        return ""
    if isinstance(value, str):
        return "'" + value if value.startswith(_FORMULA_STARTS) else value
    if isinstance(value, bool):
        return "1" if value else "0"
    if str(value) in ("nan", "<NA>", "NaT"):
        return ""
    if isinstance(value, float) or (hasattr(value, "dtype") and value.dtype.kind == "f"):
        return _number(float(value))
    return str(int(value)) if hasattr(value, "__index__") else str(value)


def csv_text(frame: pd.DataFrame) -> str:
    """The table as CSV text: comma, ``\\n``, a header line; the same on every machine and in any locale."""
    out = io.StringIO()
    _write_rows(out, frame)
    return out.getvalue()


def _write_rows(out: TextIO, frame: pd.DataFrame) -> None:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([cell(str(name)) for name in frame.columns])
    # Some rows at a time: as Python objects a long table takes ten times its memory.
    for start in range(0, len(frame), _ROWS):
        part = frame.iloc[start : start + _ROWS]
        columns = [_cells(part[name]) for name in part.columns]
        writer.writerows(zip(*columns, strict=True))


def _cells(column: pd.Series) -> list[str]:
    values = column.tolist()
    if column.dtype == "float64":
        return ["" if value != value else _number(value) for value in values]
    return [cell(value) for value in values]


def _number(value: float) -> str:
    text = f"{value:.9g}"
    return "0" if text == "-0" else text


def write_csv(path: str | Path, frame: pd.DataFrame) -> None:
    """Write a table, whole or not at all.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    with written_whole(path) as beside, beside.open("w", encoding="utf-8", newline="") as out:
        _write_rows(out, frame)


def read_csv(path: str | Path, table: Table) -> pd.DataFrame:
    """Read back a table that `write_csv` wrote; columns it lacks come as missing, extra ones are kept at the end.

    Raises
    ------
    OutputError
        The file is missing or is no such table.
    """
    import pandas as pd

    path = Path(path)
    kinds = {c.name: c.kind for c in table.columns}
    try:
        # Numbers as numbers at once: as text a long table takes ten times its memory.
        names = pd.read_csv(path, nrows=0, dtype=str, encoding="utf-8-sig").columns
        numbers = {name for name in names if kinds.get(name) == "float"}
        frame = pd.read_csv(
            path,
            dtype={name: "str" for name in names if name not in numbers},
            converters=dict.fromkeys(numbers, _number_in),
            keep_default_na=False,
            encoding="utf-8-sig",
        )
    except FileNotFoundError:
        raise OutputError(f"{path}: no such file; measure the clip first") from None
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise OutputError(f"{path}: cannot be read as a table ({error}); measure the clip again") from None
    except ValueError as error:
        raise _no_number(path, error) from None
    for name in frame.columns:
        if name not in numbers:
            frame[name] = [
                text[1:] if text[:1] == "'" and text[1:2] and text[1] in "=+-@\t\r" else text
                for text in frame[name]
            ]
    extra = [name for name in frame.columns if name not in table.names]
    known = {
        name: frame[name] if name in numbers else [text if text != "" else None for text in frame[name]]
        for name in table.names
        if name in frame
    }
    try:
        result = table.frame(known)
    except (ValueError, TypeError) as error:
        raise _no_number(path, error) from None
    for name in extra:
        result[name] = frame[name]
    return result


def _number_in(text: str) -> float:
    if "_" in text:  # Python takes it as a mark between thousands.
        raise ValueError(f"could not convert string to float: {text!r}")
    return float(text) if text else math.nan


def _no_number(path: Path, error: Exception) -> OutputError:
    return OutputError(
        f"{path}: a column holds something that is no number ({error}); measure the clip again"
    )
