"""Figures of beam pictures into the rows of a manifest."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..experiment.factors import ABSENT, period_of, wrapped
from ..model.errors import UsageError
from ..model.sheet import TableText, read_sheet, write_sheet
from ..model.weld_facts import BEAM_PICTURE, BEAM_PICTURE_SCALE

if TYPE_CHECKING:
    import pandas as pd

# A measured figure further from the planned one than this, as a share of it, differs; degrees for directions.
_DIFFERS, _DIFFERS_DEG = 0.05, 3.0


@dataclass(frozen=True)
class Filled:
    """What was written into a manifest: how many rows belong to a picture, and where plan and picture differ."""

    rows: int
    differences: tuple[str, ...]


@dataclass(frozen=True)
class BeamPicture:
    """A picture of a beam's profile, and the size of its pixels, mm."""

    path: Path
    mm_per_px: float

    def cells(self, folder: Path) -> dict[str, str | float]:
        """Cells of a manifest in a folder: the path from there where there is a way."""
        try:
            place = Path(os.path.relpath(self.path.resolve(), folder.resolve())).as_posix()
        except ValueError:
            # On another drive of Windows.
            place = self.path.resolve().as_posix()
        return {BEAM_PICTURE: place, BEAM_PICTURE_SCALE: self.mm_per_px}


def with_absent(figures: pd.DataFrame, gone: Sequence[frozenset[str]]) -> pd.DataFrame:
    """Figures with ``absent`` in the cells of parts that a beam lacks.

    Parameters
    ----------
    figures
        One row a picture, columns of `poolwatch.plan.beam_figures.BEAM`.
    gone
        Columns of absent parts, one set a row.
    """
    made = figures.astype({name: object for name in figures if any(name in one for one in gone)})
    for place, names in enumerate(gone):
        for name in names:
            made.loc[made.index[place], name] = ABSENT
    return made


def fill_manifest(
    path: Path,
    figures: pd.DataFrame,
    *,
    replace: bool = False,
    every: bool = False,
    pictures: Mapping[str, BeamPicture] | None = None,
) -> Filled:
    """Put figures into the manifest's rows of the same beam shape; what is filled in stays unless `replace`.

    Parameters
    ----------
    path
        The manifest.
    figures
        One row a beam shape: ``beam_shape`` and columns ``factor_…``.
    replace
        Whether measured figures take the place of planned ones.
    every
        Whether figures get columns that a manifest with some of them has not; one with none of them gets all.
    pictures
        Picture of the profile by beam shape, for the report.

    Raises
    ------
    UsageError
        No row of the manifest has one of the beam shapes.
    """
    sheet = read_sheet(path)
    if "beam_shape" not in sheet.columns:
        raise UsageError(f"{path}: has no column 'beam_shape'; give a trial's manifest")
    known = [str(name) for name in figures if str(name).startswith("factor_") and figures[name].notna().any()]
    planned = [name for name in known if name in sheet.columns]
    columns = known if every or not planned else planned
    by_shape = {row["beam_shape"]: row for row in figures.to_dict("records")}
    rows: list[dict[str, str | float]] = [dict(row) for row in sheet.rows]
    shown = {
        shape: cells
        for shape, picture in (pictures or {}).items()
        if _can_hold(sheet, str((cells := picture.cells(path.parent))[BEAM_PICTURE]))
    }
    differences: dict[str, None] = {}
    count = 0
    for row in rows:
        shape = str(row["beam_shape"])
        found = by_shape.get(shape)
        count += found is not None
        for name, cell in shown.get(shape, {}).items():
            if replace or not row.get(name, ""):
                row[name] = cell
        if found is not None:
            measured = {name: found[name] for name in columns}
            differences |= dict.fromkeys(f"{shape}: {one}" for one in _fill(row, measured, sheet, replace))
    if not count:
        raise UsageError(
            f"{path}: no row has a beam shape {', '.join(map(repr, by_shape))}; give --beam-shape"
        )
    write_sheet(sheet, rows, [*columns, *((BEAM_PICTURE, BEAM_PICTURE_SCALE) if shown else ())])
    return Filled(count, tuple(differences))


def _fill(
    row: dict[str, str | float], measured: Mapping[str, str | float], sheet: TableText, replace: bool
) -> list[str]:
    """Put measured figures into a row's empty cells, or all; returns where what was planned differs from them."""
    differences = []
    for name, value in measured.items():
        if value == "" or value != value:
            continue
        planned = str(row.get(name, ""))
        if planned and not _agree(sheet, name, planned, value):
            said = value if value == ABSENT else f"{value:.4g}"
            differences.append(f"{name} {planned}, measured {said}")
        if not planned or replace:
            row[name] = value
    return differences


def _can_hold(sheet: TableText, text: str) -> bool:
    """Whether the sheet's encoding has all letters of a text."""
    try:
        text.encode(sheet.encoding)
    except UnicodeEncodeError:
        return False
    return True


def _agree(sheet: TableText, name: str, planned: str, measured: str | float) -> bool:
    """Whether a planned cell says what was measured; a length or share of 0 is that of a part that is absent."""
    if planned.lower() == ABSENT:
        return measured in (ABSENT, 0)
    try:
        number = sheet.number(planned)
    except ValueError:
        return False
    if isinstance(measured, str):
        return number == 0
    period = period_of(name)
    if period:
        return abs(wrapped(measured - number, period)) <= _DIFFERS_DEG
    return abs(measured - number) <= _DIFFERS * max(abs(number), 0.05)
