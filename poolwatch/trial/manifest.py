"""The manifest of a trial: read, then checked whole, before any frame is read."""

from __future__ import annotations

import difflib
import statistics
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path, PureWindowsPath
from typing import Any

from ..model.errors import UsageError
from ..model.materials import material
from ..model.recording import Recording
from .names import folder_names, slips_of_the_pen
from .sheet import Sheet, read_sheet

REQUIRED = ("clip", "beam_shape", "replicate", "record_rate_hz")
NUMBERS = (
    "record_rate_hz",
    "mm_per_px",
    "mm_per_px_u",
    "travel_direction_deg",
    "travel_speed_mm_s",
    "exposure_s",
)
KNOWN = (*REQUIRED, *NUMBERS[1:], "scale", "material", "settings")
_PREFIXES = ("factor_", "outcome_")
# Columns that measuring has no use for: of a planned run sheet, and for `poolwatch bead`.
_PLANNED = ("run", "bead_photo")
# Values of one column that lie further apart than this are in different units, not in different trials.
_UNIT_RATIO = {"record_rate_hz": 200.0, "mm_per_px": 100.0, "travel_speed_mm_s": 100.0, "exposure_s": 1000.0}


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
    """

    clip: str
    path: Path
    folder: str
    recording: Recording
    settings: Path | None = None
    factors: dict[str, float | str | None] = field(default_factory=dict)
    outcomes: dict[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Manifest:
    """All clips of a trial, and what was seen in the table that is no fault.

    Attributes
    ----------
    path
        The file.
    entries
        The clips, in the order of the rows.
    remarks
        In words: columns that were not used, beam shapes that may be one.
    """

    path: Path
    entries: tuple[Entry, ...]
    remarks: tuple[str, ...] = ()


def read_manifest(path: str | Path, *, check_settings: Callable[[Path], Any] | None = None) -> Manifest:
    """Read a manifest and check every cell of it.

    Parameters
    ----------
    path
        CSV as spreadsheets write it (see `read_sheet`); paths in it are relative to it.
    check_settings
        Called with each settings file once; raises `UsageError` where the file is wrong.

    Raises
    ------
    UsageError
        Anything is wrong; the message numbers all problems, each with its row and column.
    """
    sheet = read_sheet(path)
    problems: list[str] = []
    remarks = _check_columns(sheet, problems)
    if problems:
        raise _refusal(sheet, problems)
    if not sheet.rows:
        raise UsageError(f"{sheet.path}: has a header but no clips; add one row a clip")
    word_factors = _word_columns(sheet, "factor_")
    folders = iter(folder_names([row["clip"] for row in sheet.rows if row["clip"]]))
    scales: dict[Path, Any] = {}
    settings: dict[Path, str | None] = {}
    entries = []
    for row, line in zip(sheet.rows, sheet.lines, strict=True):
        reading = _Row(sheet, row, line, problems)
        entry = _entry(
            reading, word_factors, next(folders) if row["clip"] else "", scales, settings, check_settings
        )
        if entry is not None:
            entries.append(entry)
    _check_repeats(sheet, problems)
    _check_units(sheet, problems)
    if problems:
        raise _refusal(sheet, problems)
    remarks += slips_of_the_pen(sorted({entry.recording.beam_shape for entry in entries}))
    return Manifest(sheet.path, tuple(entries), tuple(remarks))


@dataclass
class _Row:
    """One row while it is read: notes each fault with its place and goes on."""

    sheet: Sheet
    cells: dict[str, str]
    line: int
    problems: list[str]

    def fault(self, column: str, text: str) -> None:
        self.problems.append(f"row {self.line}, {column}: {text}")

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
        self.fault(column, f"{text!r} is not there; looked in {self.sheet.path.parent.resolve()}")
        return None


def _entry(
    row: _Row,
    word_factors: set[str],
    folder: str,
    scales: dict[Path, Any],
    settings: dict[Path, str | None],
    check_settings: Callable[[Path], Any] | None,
) -> Entry | None:
    before = len(row.problems)
    for column in REQUIRED:
        if not row.cells[column]:
            row.fault(column, "is empty")
    values: dict[str, Any] = {name: row.number(name) for name in NUMBERS}
    values |= {name: row.cells.get(name, "") for name in ("beam_shape", "replicate")}
    values["material"] = row.cells.get("material") or None
    path = row.file("clip", folder_allowed=True)
    _scale(row, values, scales)
    if values["material"]:
        try:
            material(values["material"])
        except UsageError as error:
            row.fault("material", str(error))
    settings_path = row.file("settings")
    if settings_path and check_settings:
        if settings_path not in settings:
            try:
                check_settings(settings_path)
                settings[settings_path] = None
            except UsageError as error:
                settings[settings_path] = str(error)
        if settings[settings_path]:
            row.fault("settings", str(settings[settings_path]))
    factors: dict[str, float | str | None] = {
        name: (text or None) if name in word_factors else row.number(name)
        for name, text in row.cells.items()
        if name.startswith("factor_")
    }
    outcomes = {name: row.number(name) for name in row.cells if name.startswith("outcome_")}
    if (
        values["exposure_s"]
        and values["record_rate_hz"]
        and values["exposure_s"] * values["record_rate_hz"] > 1.001
    ):
        row.fault(
            "exposure_s",
            f"{values['exposure_s']:g} s is longer than the time between frames at "
            f"{values['record_rate_hz']:g} Hz; the exposure is in seconds",
        )
    # A rate that is missing or no number was complained of above; the others are held to their range all the same.
    given = {"record_rate_hz": 1.0} | {name: value for name, value in values.items() if value is not None}
    try:
        recording = Recording.checked(given, where=f"row {row.line}")
    except UsageError as error:
        row.problems.append(str(error))
    if len(row.problems) > before:
        return None
    assert path is not None
    return Entry(row.cells["clip"], path, folder, recording, settings_path, factors, outcomes)


def _scale(row: _Row, values: dict[str, Any], scales: dict[Path, Any]) -> None:
    """Fill in the scale from the row's scale file; complain where there is none, or both."""
    from ..scale.file import read_scale

    written, named = row.cells.get("mm_per_px", ""), row.cells.get("scale", "")
    if written and named:
        row.fault("scale", f"both mm_per_px {written!r} and a scale file {named!r} are given; keep one")
    elif not written and not named:
        row.fault("mm_per_px", "is empty and no scale file is given; one of the two is needed")
    elif named and (path := row.file("scale")):
        try:
            if path not in scales:
                scales[path] = read_scale(path)
        except UsageError as error:
            row.fault("scale", str(error))
            return
        scale = scales[path]
        values.update(
            mm_per_px=scale.mm_per_px,
            mm_per_px_u=scale.u_mm_per_px,
            scale_source=scale.source,
            stretch=scale.stretch,
            scale_picture_px=scale.picture_px,
            scale_place_px=scale.place_px,
        )


def _check_columns(sheet: Sheet, problems: list[str]) -> list[str]:
    for name in REQUIRED:
        if name not in sheet.columns:
            problems.append(f"header: the column {name!r} is missing")
    if not {"mm_per_px", "scale"} & set(sheet.columns):
        problems.append("header: a column 'mm_per_px' or 'scale' is missing")
    unused = []
    for name in sheet.columns:
        if name in KNOWN or name in _PLANNED or (name.startswith(_PREFIXES) and name not in _PREFIXES):
            continue
        near = difflib.get_close_matches(name.lower().replace(" ", "_").replace("-", "_"), KNOWN, 1, 0.75)
        prefix = next((p for p in _PREFIXES if name.lower().startswith(p[:-1])), None)
        if prefix:
            problems.append(f"header: {name!r} should be {prefix}<name>, in small letters")
        elif near:
            problems.append(f"header: unknown column {name!r}; did you mean {near[0]!r}? Units are fixed")
        else:
            unused.append(name)
    return [f"columns not used: {', '.join(unused)}"] if unused else []


def _word_columns(sheet: Sheet, prefix: str) -> set[str]:
    """Columns in which most filled cells are no numbers: words, not numbers with a fault."""
    words = set()
    for name in (name for name in sheet.columns if name.startswith(prefix)):
        filled = [row[name] for row in sheet.rows if row[name]]
        bad = 0
        for text in filled:
            try:
                sheet.number(text)
            except ValueError:
                bad += not any(ch.isdigit() for ch in text[:1])
        if filled and bad * 2 >= len(filled):
            words.add(name)
    return words


def _check_repeats(sheet: Sheet, problems: list[str]) -> None:
    clips: dict[str, list[int]] = defaultdict(list)
    welds: dict[tuple[str, ...], list[int]] = defaultdict(list)
    factors = [name for name in sheet.columns if name.startswith("factor_")]
    for row, line in zip(sheet.rows, sheet.lines, strict=True):
        if row["clip"]:
            clips[str((sheet.path.parent / row["clip"].replace("\\", "/")).resolve())].append(line)
        if row["beam_shape"] and row["replicate"]:
            welds[(row["beam_shape"], row["replicate"], *(row[name] for name in factors))].append(line)
    for clip, lines in clips.items():
        if len(lines) > 1:
            problems.append(
                f"rows {_and(lines)}, clip: the same recording, {Path(clip).name!r}, is named {len(lines)} times"
            )
    repeated = {tuple(lines) for lines in clips.values() if len(lines) > 1}
    for (shape, replicate, *_), lines in welds.items():
        if len(lines) > 1 and tuple(lines) not in repeated:
            problems.append(
                f"rows {_and(lines)}, replicate: {replicate!r} of {shape!r} stands {len(lines)} times; "
                "each weld has its own replicate, and one clip"
            )
    for name in ("beam_shape",):
        spellings: dict[str, set[str]] = defaultdict(set)
        for row in sheet.rows:
            spellings["".join(row[name].casefold().replace("-", " ").replace("_", " ").split())].add(
                row[name]
            )
        problems += [
            f"{name}: {_and(sorted(found))} differ in spelling only; write one way"
            for found in spellings.values()
            if len(found) > 1
        ]


def _check_units(sheet: Sheet, problems: list[str]) -> None:
    for column, ratio in _UNIT_RATIO.items():
        values = []
        for row, line in zip(sheet.rows, sheet.lines, strict=True):
            try:
                value = sheet.number(row.get(column, ""))
            except ValueError:
                continue
            if value > 0:
                values.append((value, line))
        if len(values) < 2:
            continue
        middle = statistics.median_low([value for value, _ in values])
        for value, line in values:
            if max(value / middle, middle / value) >= ratio:
                problems.append(
                    f"row {line}, {column}: {value:g} where others have about {middle:g}: mixed units; the unit is in "
                    "the column's name"
                )


def _refusal(sheet: Sheet, problems: list[str]) -> UsageError:
    listed = "\n".join(f"({n}) {text}" for n, text in enumerate(problems, 1))
    count = f"{len(problems)} problem{'s' * (len(problems) > 1)}"
    return UsageError(f"{sheet.path}: {count}, nothing was measured:\n{listed}")


def _and(things: list[Any]) -> str:
    return ", ".join(map(str, things[:-1])) + f" and {things[-1]}"
