"""A table made by hand in a spreadsheet: any of the usual separators, decimal marks and encodings."""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .errors import UsageError
from .files import written_whole
from .table import cell

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
# Faults that one message lists.
_LISTED = 8
_MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}")


@dataclass(frozen=True)
class TableText:
    """Cells as text, with the line of the file that each row stands on.

    Attributes
    ----------
    path
        Where it was read.
    columns
        Names in the header, in order.
    rows
        One dict a row, cell text by column name, blanks at the ends removed.
    lines
        Line of the file on which each row begins, from 1 as editors and spreadsheets count.
    decimal_comma
        Whether a cell of the file shows that numbers are written with a decimal comma.
    separator
        ``,``, ``;`` or a tab.
    encoding
        Of the text.
    """

    path: Path
    columns: tuple[str, ...]
    rows: tuple[dict[str, str], ...]
    lines: tuple[int, ...]
    decimal_comma: bool
    separator: str
    encoding: str = "utf-8"

    @property
    def writes_comma(self) -> bool:
        """Whether numbers are written with a decimal comma, as semicolons mean, too, unless a cell has a point."""
        points = any("." in text and _NUMBER.fullmatch(text) for row in self.rows for text in row.values())
        return self.decimal_comma or (self.separator == ";" and not points)

    def number(self, text: str) -> float:
        """The number in a cell.

        Raises
        ------
        ValueError
            It is none, is not finite, or could be read in two ways; the message says which.
        """
        if not _NUMBER.fullmatch(text):
            raise ValueError(
                f"{text!r} is not a plain number; the unit is in the column's name, write the number alone"
            )
        thousands = _MAYBE_THOUSANDS.fullmatch(text)
        decimal = "," if self.decimal_comma else "."
        if thousands and thousands.group(1) != decimal:
            raise ValueError(
                f"{text!r} can be read in two ways; write it without a thousands mark, or with more decimals"
            )
        value = float(text.replace(",", "."))
        if not math.isfinite(value):
            raise ValueError(f"{text!r} is too large")
        return value


def read_sheet(path: str | Path) -> TableText:
    """Read a CSV file as spreadsheets write it.

    Commas, semicolons or tabs; UTF-8 with or without a byte-order mark, UTF-16 with one, else Windows-1252;
    decimal points or commas. Empty rows, unnamed empty columns and a header that stands again are left out.

    Parameters
    ----------
    path
        The file.

    Raises
    ------
    UsageError
        It is missing, unreadable, empty, has a column name twice, or a row with more cells than the header.
    """
    path = Path(path)
    text, encoding = _text(path)
    if text.lstrip()[:20].lower().startswith(("<!doctype", "<html", "<?xml")):
        raise UsageError(f"{path}: is a page for a browser, no table; give the CSV file")
    separator, table = _cells(path, text)
    header_line, header = table[0]
    names = [name.strip() for name in header]
    while names and not names[-1]:
        names.pop()
    faults = [f"column {n} has no name" for n, name in enumerate(names, 1) if not name]
    faults += [
        f"column {name!r} stands {names.count(name)} times"
        for name in dict.fromkeys(names)
        if name and names.count(name) > 1
    ]
    rows, lines = [], []
    for line, cells in table[1:]:
        stripped = [cell.strip() for cell in cells]
        if any(stripped[len(names) :]):
            faults.append(f"line {line} has more cells than the header has names")
            continue
        stripped += [""] * (len(names) - len(stripped))
        if all(cell in ("", name) for cell, name in zip(stripped, names, strict=False)):
            continue  # The header again: tables were put one behind the other.
        rows.append(dict(zip(names, stripped, strict=False)))
        lines.append(line)
    if faults:
        more = f"; and {len(faults) - _LISTED} more like these" if len(faults) > _LISTED else ""
        raise UsageError(
            f"{path}: {'; '.join(faults[:_LISTED])}{more}; mend the table (header in line {header_line})"
        )
    numbers = [cell for row in rows for cell in row.values() if _NUMBER.fullmatch(cell)]
    comma = any(
        "," in cell and not (separator == "," and _MAYBE_THOUSANDS.fullmatch(cell)) for cell in numbers
    )
    return TableText(path, tuple(names), tuple(rows), tuple(lines), comma, separator, encoding)


def _cells(path: Path, text: str) -> tuple[str, list[tuple[int, list[str]]]]:
    """Separator, and the rows that hold anything with the line each begins on."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    bare = re.sub(r'"[^"]*"', "", first)
    separator = max((",", ";", "\t"), key=bare.count)
    table = []
    try:
        reader = csv.reader(io.StringIO(text), delimiter=separator, strict=True)
        begins = 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                table.append((begins, cells))
            begins = reader.line_num + 1
    except csv.Error as error:
        raise UsageError(f"{path}: line {begins}: is no table of cells ({error}); mend that line") from None
    if not table:
        raise UsageError(f"{path}: is empty; it needs a header line and one row a clip")
    return separator, table


def _text(path: Path) -> tuple[str, str]:
    """The text, and the encoding in which it is to be written back."""
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise UsageError(f"{path}: no such file; check the path") from None
    except IsADirectoryError:
        raise UsageError(f"{path}: is a folder; give the table itself, a CSV file in it") from None
    except OSError as error:
        raise UsageError(
            f"{path}: cannot be read ({error.strerror}); check the path and its permissions"
        ) from None
    for encoding in ("utf-16",) if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252"):
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            marked = encoding != "utf-8-sig" or raw.startswith(codecs.BOM_UTF8)
            return text, encoding if marked else "utf-8"
    raise UsageError(f"{path}: is no text file; save the table as CSV (UTF-8)")


def write_sheet(sheet: TableText, rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> None:
    """Write a sheet back with other rows and further columns, as it came: separator, decimal mark, encoding.

    Parameters
    ----------
    sheet
        As it was read.
    rows
        Cells by column name: text stays as it is, numbers get the sheet's decimal mark, NaN is empty.
    columns
        Columns that stand behind those that it had, where they are new.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    names = [*sheet.columns, *(name for name in columns if name not in sheet.columns)]
    mark = "," if sheet.writes_comma else "."
    with (
        written_whole(sheet.path) as beside,
        beside.open("w", encoding=sheet.encoding, newline="") as out,
    ):
        writer = csv.writer(out, delimiter=sheet.separator, lineterminator="\n")
        writer.writerow(names)
        for row in rows:
            cells = (row.get(name, "") for name in names)
            writer.writerow(one if isinstance(one, str) else cell(one).replace(".", mark) for one in cells)
