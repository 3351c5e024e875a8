"""What the rows of a manifest say together that no single row shows: doubles, spellings, units, odd facts."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from ..experiment.factors import ABSENT
from ..model.sheet import TableText
from .facts import CONFIRMED, FACTS, StatedFacts, confirmed_by, refuted_facts

# Values of one column that lie further apart than this are in different units, not in different trials.
_UNIT_RATIO = {"record_rate_hz": 200.0, "mm_per_px": 100.0, "travel_speed_mm_s": 100.0, "exposure_s": 1000.0}


class Problem(NamedTuple):
    """Something wrong in a manifest, or still missing from it.

    Attributes
    ----------
    text
        In words, with its place.
    lines
        Lines of the file that cannot be measured for it; empty where it is the whole table.
    missing
        Whether it will go away when the row is filled in or the recording is there.
    cell
        Name of the cell that is empty, where it is that.
    clip
        The recording that is not there, as the row names it, where it is that.
    """

    text: str
    lines: tuple[int, ...] = ()
    missing: bool = False
    cell: str = ""
    clip: str = ""


def in_words(problems: Sequence[Problem]) -> list[str]:
    """Problems in words, one item for all rows that lack the same cells."""
    cells: dict[int, list[str]] = defaultdict(list)
    for problem in problems:
        if problem.cell:
            cells[problem.lines[0]].append(problem.cell)
    lacking: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for line, names in cells.items():
        lacking[tuple(names)].append(line)
    return [
        f"{'rows' if len(lines) > 1 else 'row'} {_ranges(lines)}: {listed(names)} to be filled in"
        for names, lines in lacking.items()
    ] + [problem.text for problem in problems if not problem.cell]


def crosscheck(sheet: TableText) -> list[Problem]:
    """All problems between rows."""
    units = list(_units(sheet))
    return [*_repeats(sheet), *_spellings(sheet), *units, *_facts(sheet, units)]


def word_columns(sheet: TableText, prefix: str) -> set[str]:
    """Columns in which most filled cells are no numbers: words, not numbers with a fault."""
    words = set()
    for name in (name for name in sheet.columns if name.startswith(prefix)):
        filled = [row[name] for row in sheet.rows if row[name] and row[name].lower() != ABSENT]
        bad = sum(_number(sheet, text) is None and not text[:1].isdigit() for text in filled)
        if filled and bad * 2 >= len(filled):
            words.add(name)
    return words


def _repeats(sheet: TableText) -> Iterator[Problem]:
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
            yield Problem(
                f"rows {listed(lines)}, clip: the same recording, {Path(clip).name!r}, is named {len(lines)} times",
                tuple(lines[1:]),
            )
    repeated = {tuple(lines) for lines in clips.values() if len(lines) > 1}
    for (shape, replicate, *_), lines in welds.items():
        if len(lines) > 1 and tuple(lines) not in repeated:
            yield Problem(
                f"rows {listed(lines)}, replicate: {replicate!r} of {shape!r} stands {len(lines)} times; "
                "each weld has its own replicate, and one clip",
                tuple(lines[1:]),
            )


def _spellings(sheet: TableText) -> Iterator[Problem]:
    spellings: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for row, line in zip(sheet.rows, sheet.lines, strict=True):
        name = row["beam_shape"]
        plain = "".join(name.casefold().replace("-", " ").replace("_", " ").split())
        spellings[plain][name].append(line)
    for found in spellings.values():
        if len(found) > 1:
            usual = max(found, key=lambda name: len(found[name]))
            rarer = tuple(line for name, lines in found.items() if name != usual for line in lines)
            yield Problem(
                f"beam_shape: {listed(sorted(found))} differ in spelling only; write one way", rarer
            )


def _units(sheet: TableText) -> Iterator[Problem]:
    for column, ratio in _UNIT_RATIO.items():
        values = [
            (value, line)
            for row, line in zip(sheet.rows, sheet.lines, strict=True)
            if (value := _number(sheet, row.get(column, ""))) and value > 0
        ]
        if len(values) < 2:
            continue
        middle = statistics.median_low([value for value, _ in values])
        for value, line in values:
            if max(value / middle, middle / value) >= ratio:
                yield Problem(
                    f"row {line}, {column}: {value:g} where others have about {middle:g}: mixed units; the unit is in "
                    "the column's name",
                    (line,),
                )


def _facts(sheet: TableText, units: Sequence[Problem]) -> Iterator[Problem]:
    clips = []
    for row, line in zip(sheet.rows, sheet.lines, strict=True):
        factors = {name: text for name, text in row.items() if name.startswith("factor_")}
        numbers = {name: _number(sheet, text) for name, text in factors.items()}
        facts = {name: _number(sheet, row.get(name, "")) for name in FACTS}
        confirmed = confirmed_by(row.get(CONFIRMED, "")) is True
        known = {name: value for name, value in numbers.items() if value is not None}
        clips.append(StatedFacts(facts, (row["beam_shape"], *factors.values()), known, confirmed))
        for name, value in facts.items():
            planned = known.get(f"factor_{name}")
            if value and planned and abs(value / planned - 1) > 0.02:
                yield Problem(
                    f"row {line}, {name}: {value:g}, but factor_{name} says {planned:g}; one of the two is wrong",
                    (line,),
                )
    elsewhere = {(problem.lines, problem.text.split(":")[0]) for problem in units}
    for n, name, words in refuted_facts(clips):
        line = sheet.lines[n]
        if ((line,), f"row {line}, {name}") not in elsewhere:
            yield Problem(
                f"row {line}, {name}: {words}; mend it, or write yes into a column {CONFIRMED} of this row if it is "
                "right",
                (line,),
            )


def _number(sheet: TableText, text: str) -> float | None:
    try:
        return sheet.number(text)
    except ValueError:
        return None


def _ranges(lines: Sequence[int]) -> str:
    """``2 to 7, 9 and 10``."""
    runs: list[list[int]] = []
    for line in lines:
        if runs and line == runs[-1][-1] + 1:
            runs[-1].append(line)
        else:
            runs.append([line])
    return listed([f"{min(run)} to {max(run)}" if len(run) > 2 else listed(run) for run in runs])


def listed(things: Sequence[Any]) -> str:
    """``a, b and c``."""
    *others, last = map(str, things)
    return f"{', '.join(others)} and {last}" if others else last
