"""Marks that a person made: read from CSV, every row checked against the measured clip and its draw."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..model.errors import UsageError
from ..model.sheet import TableText, read_sheet
from ..model.tables import MARKS
from .sampling import FrameDraw, Wanted, draw_frames

if TYPE_CHECKING:
    from ..measure import Measurement

ENDS = ("front", "rear", "left", "right")
"""Marks of a frame: where the pool ends along travel and across it."""
KINDS = (*ENDS, "outline", "unclear", "particle", "run_seen")
TONES = ("linear", "raised")
# Points from which an outline encloses an area.
LEAST_OUTLINE = 6
# Faults that one message lists.
_LISTED = 8
Point = tuple[float, float]


@dataclass
class Marking:
    """What one person marked in one round.

    Attributes
    ----------
    person, round
        Who, and which time.
    ends
        Image place (x, y) px of each of `ENDS`, by frame.
    outlines
        Points on the outline, in order, px, by frame.
    unclear
        Frames in which the person could not see the pool's ends.
    particles
        Frame and image place, px, where each particle was first seen in the run.
    run_seen
        Whether the run was looked through to its end.
    raised
        Lines placed in pictures whose faint parts were raised.
    """

    person: str
    round: int
    ends: dict[int, dict[str, Point]] = field(default_factory=dict)
    outlines: dict[int, list[Point]] = field(default_factory=dict)
    unclear: set[int] = field(default_factory=set)
    particles: list[tuple[int, float, float]] = field(default_factory=list)
    run_seen: bool = False
    raised: int = 0


@dataclass(frozen=True)
class HandMarks:
    """All marks of a clip: its draw, and who marked it how often."""

    draw: FrameDraw
    markings: tuple[Marking, ...]


@dataclass(frozen=True)
class _MarkRow:
    """A row of a sheet with where it stands."""

    sheet: TableText
    line: int
    cells: dict[str, str]

    @property
    def place(self) -> str:
        return f"{self.sheet.path.name}, row {self.line}"


def read_marks(paths: Sequence[str | Path], measurement: Measurement) -> HandMarks:
    """Read marks and check every row.

    Parameters
    ----------
    paths
        CSV files as the page saves them, of one or several persons and rounds.
    measurement
        The clip as measured.

    Raises
    ------
    UsageError
        A file cannot be read, or a row is of another clip, measurement or draw, wrong, there twice, or missing; the
        message lists the rows.
    """
    rows = [row for path in paths for row in _rows(path)]
    faults = _foreign(rows, measurement)
    _refuse(paths, faults)
    draw = _draw(paths, rows, measurement)
    width, height = (int(measurement.run["input"][side]) for side in ("width", "height"))
    markings: dict[tuple[str, int], Marking] = {}
    first: dict[tuple[str, int], _MarkRow] = {}
    for row in rows:
        try:
            person, number = row.cells["person"], _whole(row, "round", 1)
            if not person:
                raise ValueError("person is empty; write who marked")
            if first.setdefault((person, number), row).sheet is not row.sheet:
                other = first[person, number].sheet.path.name
                raise ValueError(f"round {number} of {person} is in {other} already; give it once")
            marking = markings.setdefault((person, number), Marking(person, number))
            _take(row, marking, draw, (width, height))
        except ValueError as error:
            faults.append(f"{row.place}: {error}")
    for key, marking in markings.items():
        where = first[key].sheet.path.name
        faults += [f"{where}: {words}" for words in _missing(marking, draw)]
        faults += [f"{where}: {words}" for words in _turned(marking, measurement)]
    _refuse(paths, faults)
    return HandMarks(draw, tuple(markings[key] for key in sorted(markings)))


def _rows(path: str | Path) -> Iterator[_MarkRow]:
    sheet = read_sheet(path)
    missing = [name for name in MARKS.names if name not in sheet.columns]
    if missing:
        raise UsageError(
            f"{sheet.path}: no column {', '.join(map(repr, missing))}; give the CSV that the page saved"
        )
    if not sheet.rows:
        raise UsageError(f"{sheet.path}: has a header but no marks; give the CSV that the page saved")
    for cells, line in zip(sheet.rows, sheet.lines, strict=True):
        yield _MarkRow(sheet, line, {name: cell.removeprefix("'") for name, cell in cells.items()})


def _foreign(rows: Sequence[_MarkRow], measurement: Measurement) -> list[str]:
    """Rows of another clip, measurement or draw."""
    own = {name: str(measurement.row[name]) for name in ("clip_id", "settings_id")}
    words = {
        "clip_id": "is of another clip; give the marks of this one",
        "settings_id": "is of a measurement with other settings; write the page again and mark it",
    }
    faults = []
    first = rows[0]
    for row in rows:
        strange = next((name for name in own if row.cells[name] != own[name]), None)
        if strange is not None:
            faults.append(f"{row.place}: {strange} {row.cells[strange]!r} {words[strange]}")
            continue
        for name in ("seed", "drawn"):
            if row.cells[name] != first.cells[name]:
                faults.append(
                    f"{row.place}: {name} {row.cells[name]!r}, but {first.cells[name]!r} in {first.place}; "
                    "all must come from one page"
                )
    return faults


def _draw(paths: Sequence[str | Path], rows: Sequence[_MarkRow], measurement: Measurement) -> FrameDraw:
    first = rows[0]
    try:
        seed, wanted = _whole(first, "seed", 0), Wanted.read(first.cells["drawn"])
    except ValueError as error:
        raise UsageError(f"{paths[0]}: {first.place}: {error}; give the CSV that the page saved") from None
    return draw_frames(measurement, seed, wanted)


def _take(row: _MarkRow, marking: Marking, draw: FrameDraw, size: tuple[int, int]) -> None:
    """Put a row into its marking; `ValueError` says what is wrong with it."""
    kind, frame = row.cells["mark"], _whole(row, "frame", 0)
    if kind not in KINDS:
        raise ValueError(f"mark {kind!r} is none of {', '.join(KINDS)}")
    in_run = kind in ("particle", "run_seen")
    inside = frame in (draw.in_row if in_run else draw.frames)
    if not inside:
        raise ValueError(
            f"frame {frame} was not drawn with seed {draw.seed}{' for particles' * in_run}; write the page again"
        )
    if kind == "unclear":
        if frame in marking.unclear:
            raise ValueError(f"frame {frame} is called unclear twice")
        marking.unclear.add(frame)
        return
    if kind == "run_seen":
        marking.run_seen = True
        return
    x, y = _place(row, size)
    if row.cells["tone"] not in TONES:
        raise ValueError(f"tone {row.cells['tone']!r} is none of {', '.join(TONES)}")
    if kind == "particle":
        marking.particles.append((frame, x, y))
    elif kind == "outline":
        marking.outlines.setdefault(frame, []).append((x, y))
    elif kind in marking.ends.setdefault(frame, {}):
        raise ValueError(f"{kind} of frame {frame} is there twice")
    else:
        marking.ends[frame][kind] = (x, y)
        marking.raised += row.cells["tone"] == "raised"


def _missing(marking: Marking, draw: FrameDraw) -> Iterator[str]:
    """What a marking lacks."""
    who = f"{marking.person}, round {marking.round}"
    for frame in draw.frames:
        ends = marking.ends.get(frame, {})
        if frame in marking.unclear:
            if ends or frame in marking.outlines:
                yield f"{who}, frame {frame}: is marked, and called unclear; keep one of the two"
            continue
        lacking = [kind for kind in ENDS if kind not in ends]
        if len(lacking) == len(ENDS):
            yield f"{who}, frame {frame}: not marked; finish the page, it keeps what is done"
        elif lacking:
            yield f"{who}, frame {frame}: {', '.join(lacking)} not marked; finish the page, it keeps what is done"
        points = len(marking.outlines.get(frame, ()))
        if 0 < points < LEAST_OUTLINE:
            yield f"{who}, frame {frame}: an outline of {points} points; give at least {LEAST_OUTLINE} or none"
    if marking.particles and not marking.run_seen:
        yield f"{who}: particles are marked, but the run was not looked through; finish it on the page"


def _turned(marking: Marking, measurement: Measurement) -> Iterator[str]:
    """Frames whose ends stand the wrong way round."""
    for frame, ends in sorted(marking.ends.items()):
        if len(ends) == len(ENDS):
            x, y = measurement.axes.px(np.array([ends[kind] for kind in ENDS])).T
            (front, rear, _, _), (_, _, left, right) = x, y
            for ahead, behind, one, other in ((front, rear, "front", "rear"), (left, right, "left", "right")):
                if ahead <= behind:
                    yield (
                        f"{marking.person}, round {marking.round}, frame {frame}: {one} and {other} stand the "
                        "wrong way round; mark the frame again"
                    )


def _whole(row: _MarkRow, name: str, least: int) -> int:
    value = row.sheet.number(row.cells[name])
    if value != round(value) or value < least:
        raise ValueError(f"{name} {row.cells[name]!r} is no whole number from {least}")
    return int(value)


def _place(row: _MarkRow, size: tuple[int, int]) -> Point:
    width, height = size

    def read(name: str, side: int) -> float:
        text = row.cells[name]
        if not text:
            raise ValueError(f"{name} is empty")
        value = row.sheet.number(text)
        if not -0.5 <= value <= side - 0.5:
            raise ValueError(f"{name} {text} is outside the picture, which is {width} x {height} px")
        return value

    return read("x_px", width), read("y_px", height)


def _refuse(paths: Sequence[str | Path], faults: Sequence[str]) -> None:
    if not faults:
        return
    listed = "\n".join(f"({n}) {words}" for n, words in enumerate(faults[:_LISTED], 1))
    if len(faults) > _LISTED:
        listed += f"\nand {len(faults) - _LISTED} more like these"
    raise UsageError(f"{', '.join(str(path) for path in paths)}: marks cannot be used:\n{listed}")


def outline_area(points: NDArray[np.float64]) -> float:
    """Area inside a closed smooth curve through points on it, shape (n, 2): chords alone would cut it short."""
    from scipy.interpolate import CubicSpline

    ring = np.vstack([points, points[:1]])
    step = np.hypot(*np.diff(ring, axis=0).T)
    keep = np.append(step > 0, True)
    ring = ring[keep]
    along = np.concatenate([[0.0], np.cumsum(step[step > 0])])
    fine = CubicSpline(along, ring, bc_type="periodic")(np.linspace(0, along[-1], 64 * len(ring)))
    x, y = fine.T
    return float(abs(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])) / 2)
