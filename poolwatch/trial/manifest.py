"""The manifest of a trial: read, then checked whole, before any frame is read."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PureWindowsPath
from typing import Any

from ..experiment.factors import ABSENT
from ..model.errors import TableError, UsageError
from ..model.materials import material
from ..model.quantities import GIVEN
from ..model.recording import Recording, scale_facts
from ..model.sheet import TableText, read_sheet
from ..model.weld_facts import WELD_FACTS
from .crosschecks import Problem, crosscheck, in_words, word_columns
from .facts import CONFIRMED, confirmed_by
from .names import folder_names, slips_of_the_pen

REQUIRED = ("clip", "beam_shape", "replicate", "record_rate_hz")
NUMBERS = tuple(fact.name for fact in GIVEN if fact.unit)
KNOWN = (*REQUIRED, *NUMBERS[1:], "scale", "material", "settings", CONFIRMED, *WELD_FACTS.names)
_PREFIXES = ("factor_", "outcome_")
# Columns that measuring has no use for: of a planned run sheet, and for `poolwatch bead`.
_PLANNED = ("run", "bead_photo")


@dataclass(frozen=True)
class Entry:
    """One clip of a trial.

    Attributes
    ----------
    clip
        As written in the manifest.
    path
        Where the recording lies.
    folder
        Name of its result folder inside the trial's folder.
    recording
        What the manifest says of it.
    settings
        Its settings file, None for the defaults.
    factors, outcomes
        Values of the ``factor_…`` and ``outcome_…`` columns by full column name; None where the cell is empty.
    weld
        Values of the columns of `poolwatch.model.weld_facts.WELD_FACTS` that the manifest has; None where empty.
    confirmed
        Whether somebody has checked facts that look wrong.
    line
        Line of the manifest on which its row begins.
    """

    clip: str
    path: Path
    folder: str
    recording: Recording
    settings: Path | None = None
    factors: dict[str, float | str | None] = field(default_factory=dict)
    outcomes: dict[str, float | None] = field(default_factory=dict)
    weld: dict[str, float | str | None] = field(default_factory=dict)
    confirmed: bool = False
    line: int = 0


@dataclass(frozen=True)
class Manifest:
    """All clips of a trial, and what was seen in the table that is no fault.

    Attributes
    ----------
    path
        The file.
    entries
        The clips that can be measured, in the order of the rows.
    remarks
        In words: columns that were not used, beam shapes that may be one.
    rows
        Welds in the table, filled in or not.
    pending
        What keeps the other rows from being measured, each with its place.
    away
        Rows that lack nothing but their recording, which is not there.
    """

    path: Path
    entries: tuple[Entry, ...]
    remarks: tuple[str, ...] = ()
    rows: int = 0
    pending: tuple[Problem, ...] = ()
    away: tuple[Entry, ...] = ()

    @property
    def state(self) -> str:
        """How far the table is filled in, such as ``6 of 9 welds filled in``."""
        return f"{len(self.entries)} of {self.rows} welds filled in"

    def with_away(self, clips: Collection[str]) -> Manifest:
        """The same with some of the rows whose recording is away among the entries."""
        taken = [entry for entry in self.away if entry.clip in clips]
        return replace(
            self,
            entries=tuple(sorted((*self.entries, *taken), key=lambda entry: entry.line)),
            pending=tuple(problem for problem in self.pending if problem.clip not in clips),
            away=tuple(entry for entry in self.away if entry.clip not in clips),
        )


def read_manifest(
    path: str | Path, *, check_settings: Callable[[Path], Any] | None = None, keep_going: bool = False
) -> Manifest:
    """Read a manifest and check every cell of it.

    Rows with empty cells, and rows whose recording is not there, are still to be filled in: they are left out, and
    named in `Manifest.pending`.

    Parameters
    ----------
    path
        CSV as spreadsheets write it (see `read_sheet`); paths in it are relative to it.
    check_settings
        Called with each settings file once; raises `UsageError` where the file is wrong.
    keep_going
        Leave rows out for faults, too. Without it, any fault is an error, and so is a table without a whole row.

    Raises
    ------
    TableError
        Anything is wrong; it holds all problems, each with its row and column.
    UsageError
        The file cannot be read as a table, or has no rows.
    """
    sheet = read_sheet(path)
    problems: list[Problem] = []
    remarks = _check_columns(sheet, problems)
    if problems:
        raise _refusal(sheet, problems)
    if not sheet.rows:
        raise UsageError(f"{sheet.path}: has a header but no clips; add one row a clip")
    word_factors = word_columns(sheet, "factor_")
    folders = iter(folder_names([row["clip"] for row in sheet.rows if row["clip"]]))
    scales: dict[Path, Any] = {}
    settings: dict[Path, str | None] = {}
    entries = {}
    for row, line in zip(sheet.rows, sheet.lines, strict=True):
        reading = _ManifestRow(sheet, row, line, problems)
        entry = _entry(
            reading, word_factors, next(folders) if row["clip"] else "", scales, settings, check_settings
        )
        if entry is not None:
            entries[line] = entry
    problems += crosscheck(sheet)
    whole_table = any(not problem.lines for problem in problems)
    faulty = any(not problem.missing for problem in problems)
    if whole_table or (not keep_going and (faulty or not entries)):
        raise _refusal(sheet, problems, "" if entries else f"0 of {len(sheet.rows)} welds filled in: ")
    left_out = {line for problem in problems for line in problem.lines}
    beyond_help = {line for problem in problems if not problem.clip for line in problem.lines}
    kept = tuple(entry for line, entry in entries.items() if line not in left_out)
    away = tuple(entry for line, entry in entries.items() if line in left_out - beyond_help)
    remarks += slips_of_the_pen(sorted({entry.recording.beam_shape for entry in kept}))
    return Manifest(sheet.path, kept, tuple(remarks), len(sheet.rows), tuple(problems), away)


@dataclass
class _ManifestRow:
    """One row while it is read: notes each fault with its place and goes on."""

    sheet: TableText
    cells: dict[str, str]
    line: int
    problems: list[Problem]

    def fault(self, column: str, text: str) -> None:
        self.problems.append(Problem(f"row {self.line}, {column}: {text}", (self.line,)))

    def empty(self, column: str) -> None:
        self.problems.append(Problem(f"row {self.line}, {column}: is empty", (self.line,), True, column))

    def number(self, column: str) -> float | None:
        text = self.cells.get(column, "")
        if not text:
            return None
        try:
            return self.sheet.number(text)
        except ValueError as error:
            self.fault(column, str(error))
            return None

    def file(self, column: str, *, folder_allowed: bool = False) -> Path | None:
        text = self.cells.get(column, "")
        if not text:
            return None
        # A backslash is a separator only for those who write paths on Windows; try the text as it stands first.
        for spelling in (text, PureWindowsPath(text).as_posix()):
            path = self.sheet.path.parent / spelling
            try:
                if path.is_file() or (folder_allowed and path.is_dir()):
                    return path
            except (OSError, ValueError):
                continue
        where = f"{text!r} is not there; looked in {self.sheet.path.parent.resolve()}"
        if column == "clip":
            # It may be still to come; a scale or settings file that is not there is a slip.
            self.problems.append(
                Problem(f"row {self.line}, clip: {where}", (self.line,), missing=True, clip=text)
            )
        else:
            self.fault(column, where)
        return None


def _entry(
    row: _ManifestRow,
    word_factors: set[str],
    folder: str,
    scales: dict[Path, Any],
    settings: dict[Path, str | None],
    check_settings: Callable[[Path], Any] | None,
) -> Entry | None:
    before = len(row.problems)
    for column in REQUIRED:
        if not row.cells[column]:
            row.empty(column)
    path = row.file("clip", folder_allowed=True)
    recording = _recording(row, scales)
    settings_path = row.file("settings")
    if settings_path and check_settings:
        _check_settings(row, settings_path, settings, check_settings)
    confirmed = confirmed_by(row.cells.get(CONFIRMED, ""))
    if confirmed is None:
        row.fault(CONFIRMED, f"{row.cells[CONFIRMED]!r} is neither yes nor no")
    factors = {
        name: _level(row, name, text, words=name in word_factors)
        for name, text in row.cells.items()
        if name.startswith("factor_")
    }
    outcomes = {name: row.number(name) for name in row.cells if name.startswith("outcome_")}
    weld = {
        column.name: row.number(column.name) if column.kind == "float" else row.cells[column.name] or None
        for column in WELD_FACTS.columns
        if column.name in row.cells
    }
    if path is None and row.cells["clip"]:
        # Not there: where it would be.
        path = row.sheet.path.parent / PureWindowsPath(row.cells["clip"]).as_posix()
    if path is None or recording is None or any(not problem.clip for problem in row.problems[before:]):
        return None
    return Entry(
        row.cells["clip"],
        path,
        folder,
        recording,
        settings_path,
        factors,
        outcomes,
        weld,
        bool(confirmed),
        row.line,
    )


def _level(row: _ManifestRow, name: str, text: str, *, words: bool) -> float | str | None:
    """Level of a factor: a number, a word where the factor has words, or that the part is absent."""
    if text.lower() == ABSENT:
        return ABSENT
    return text or None if words else row.number(name)


def _check_settings(
    row: _ManifestRow, path: Path, known: dict[Path, str | None], check: Callable[[Path], Any]
) -> None:
    """Complain of a settings file that is wrong; `known` holds what was found of those checked before."""
    if path not in known:
        try:
            check(path)
            known[path] = None
        except UsageError as error:
            known[path] = str(error)
    if known[path]:
        row.fault("settings", str(known[path]))


def _recording(row: _ManifestRow, scales: dict[Path, Any]) -> Recording | None:
    """Facts about the recording; None where one of them is wrong."""
    values: dict[str, Any] = {name: row.number(name) for name in NUMBERS}
    values |= {name: row.cells.get(name, "") for name in ("beam_shape", "replicate")}
    values["material"] = row.cells.get("material") or None
    _scale(row, values, scales)
    if values["material"]:
        try:
            material(values["material"])
        except UsageError as error:
            row.fault("material", str(error))
    exposure_s, rate_hz = values["exposure_s"], values["record_rate_hz"]
    if exposure_s and rate_hz and exposure_s * rate_hz > 1.001:
        row.fault(
            "exposure_s",
            f"{exposure_s:g} s is longer than the time between frames at {rate_hz:g} Hz; the exposure is in seconds",
        )
    # A rate that is missing or no number was complained of above; the others are held to their range all the same.
    given = {"record_rate_hz": 1.0} | {name: value for name, value in values.items() if value is not None}
    try:
        return Recording.checked(given, where=f"row {row.line}")
    except UsageError as error:
        row.problems.append(Problem(str(error), (row.line,)))
        return None


def _scale(row: _ManifestRow, values: dict[str, Any], scales: dict[Path, Any]) -> None:
    """Fill in the scale from the row's scale file; complain where there is none, or both."""
    from ..scale.file import read_scale

    written, named = row.cells.get("mm_per_px", ""), row.cells.get("scale", "")
    if written and named:
        row.fault("scale", f"both mm_per_px {written!r} and a scale file {named!r} are given; keep one")
    elif not written and not named:
        row.empty("mm_per_px" if "mm_per_px" in row.cells else "scale")
    elif named and (path := row.file("scale")):
        try:
            if path not in scales:
                scales[path] = read_scale(path)
        except UsageError as error:
            row.fault("scale", str(error))
            return
        values.update(scale_facts(scales[path]))


def _check_columns(sheet: TableText, problems: list[Problem]) -> list[str]:
    for name in REQUIRED:
        if name not in sheet.columns:
            problems.append(Problem(f"header: the column {name!r} is missing"))
    if not {"mm_per_px", "scale"} & set(sheet.columns):
        problems.append(Problem("header: a column 'mm_per_px' or 'scale' is missing"))
    unused = []
    for name in sheet.columns:
        if name in KNOWN or name in _PLANNED or (name.startswith(_PREFIXES) and name not in _PREFIXES):
            continue
        near = difflib.get_close_matches(name.lower().replace(" ", "_").replace("-", "_"), KNOWN, 1, 0.75)
        prefix = next((p for p in _PREFIXES if name.lower().startswith(p[:-1])), None)
        if prefix:
            problems.append(Problem(f"header: {name!r} should be {prefix}<name>, in small letters"))
        elif near:
            problems.append(
                Problem(f"header: unknown column {name!r}; did you mean {near[0]!r}? Units are fixed")
            )
        else:
            unused.append(name)
    return [f"columns not used: {', '.join(unused)}"] if unused else []


def nothing_there(manifest: Manifest) -> TableError:
    """The error of a manifest without a row that can be measured."""
    return TableError(f"{manifest.path}: {manifest.state}, nothing was measured:", in_words(manifest.pending))


def _refusal(sheet: TableText, problems: Sequence[Problem], state: str = "") -> TableError:
    lines = in_words(problems)
    count = f"{len(lines)} problem{'s' * (len(lines) > 1)}"
    return TableError(
        f"{sheet.path}: {state}{count}, nothing was measured:",
        [f"({n}) {text}" for n, text in enumerate(lines, 1)],
    )
