"""Tool minus hand: what the marks say of a measured clip."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError
from ..model.version import __version__
from .agreement import (
    Agreement,
    Estimate,
    Spread,
    agreement,
    between_ways,
    left_over,
    spread_of,
    within_subjects,
)
from .marks import ENDS, HandMarks, Marking, outline_area
from .particles import ParticleCheck, check_particles
from .sampling import LEAST_RANDOM, WORST

if TYPE_CHECKING:
    from ..measure import Measurement

Floats = NDArray[np.float64]
QUANTITIES = ("length", "width", *ENDS, "area")
# Pictures of frames in which tool and hand differ most.
_SHOWN = 4


@dataclass(frozen=True)
class QuantityCheck:
    """One quantity, tool minus hand, px in the plane of the weld (area: per cent).

    Attributes
    ----------
    agreement
        Over the frames drawn at random.
    hand
        Standard deviation of one marking, from several rounds or persons; None where nobody marked twice.
    left
        Standard deviation of the difference without the hand's own; None with `hand`.
    persons
        Mean difference, tool minus hand, of each person.
    worst
        Differences in the worst moments, by frame; not part of `agreement`.
    """

    agreement: Agreement
    hand: Spread | None
    left: Estimate | None
    persons: dict[str, float]
    worst: dict[int, float]


@dataclass(frozen=True)
class HandCheck:
    """A check by hand.

    Attributes
    ----------
    marks
        The marks that it rests on.
    tool, hand
        By quantity: what was measured in each frame of the draw, shape (n,), and what was marked, shape (n, m); NaN
        where nothing was. Px; area in px².
    quantities
        What they say.
    particles
        By person and round.
    differ
        Frames in which length or width differ most, largest first.
    repeated
        ``rounds`` or ``persons``: where the hand's own scatter comes from; empty where nobody marked twice.
    """

    marks: HandMarks
    tool: dict[str, Floats]
    hand: dict[str, Floats]
    quantities: dict[str, QuantityCheck]
    particles: dict[str, ParticleCheck]
    differ: tuple[int, ...]
    repeated: str


def hand_check(measurement: Measurement, marks: HandMarks) -> HandCheck:
    """Compare a measurement with marks made by hand.

    A frame is one unit: its marks of several persons and rounds are averaged, and bias and limits of agreement rest on
    frames drawn at random alone. The worst moments were chosen by what was measured, so they stand apart.

    Raises
    ------
    MeasurementError
        Too few frames were marked.
    """
    frames = marks.draw.frames
    tool = _measured(measurement, frames)
    hand = {name: np.full((len(frames), len(marks.markings)), math.nan) for name in QUANTITIES}
    for column, marking in enumerate(marks.markings):
        for row, frame in enumerate(frames):
            for name, value in _marked(measurement, marking, frame).items():
                hand[name][row, column] = value
    seen = np.isfinite(hand["length"]).any(axis=1) & np.isin(frames, marks.draw.random)
    if seen.sum() < LEAST_RANDOM:
        raise MeasurementError(
            f"only {int(seen.sum())} frames drawn at random were marked, the others were called unclear; at least "
            f"{LEAST_RANDOM} are needed: write a page with another --seed or more --frames"
        )
    persons = [marking.person for marking in marks.markings]
    repeated = "rounds" if len(set(persons)) < len(persons) else "persons" if len(set(persons)) > 1 else ""
    quantities = {}
    for name in QUANTITIES:
        found = _quantity(_difference(name, tool[name], hand[name]), marks, repeated)
        if found is not None:
            quantities[name] = found
    particles = {
        f"{marking.person}, round {marking.round}": check_particles(
            measurement, marking.particles, marks.draw.run
        )
        for marking in marks.markings
        if marking.run_seen and marks.draw.run is not None
    }
    return HandCheck(marks, tool, hand, quantities, particles, _differ(frames, tool, hand), repeated)


def record(
    check: HandCheck, measurement: Measurement, shapes: Mapping[str, float] | None = None
) -> dict[str, Any]:
    """The check as plain values, for ``run.json`` and the reports; px as in `QuantityCheck`.

    Parameters
    ----------
    check
        The check.
    measurement
        The measurement it belongs to.
    shapes
        By ``length`` and ``width``: how far the means of the beam shapes of a trial lie apart, mm.
    """
    draw, markings = check.marks.draw, check.marks.markings
    unclear = set.intersection(*(marking.unclear for marking in markings))
    return {
        **{name: str(measurement.row[name]) for name in ("clip_id", "settings_id")},
        "poolwatch": __version__,
        "seed": draw.seed,
        "drawn": draw.wanted.words,
        "frames": len(draw.frames) - len(unclear),
        "frames_at_random": check.quantities["length"].agreement.count,
        "frames_unclear": sorted(unclear),
        "worst_moments": list(draw.worst),
        "worst_means": WORST,
        "markings": [{"person": marking.person, "round": marking.round} for marking in markings],
        "repeated": check.repeated,
        "lines": sum(len(ends) for marking in markings for ends in marking.ends.values()),
        "lines_in_raised_tone": sum(marking.raised for marking in markings),
        "quantities": {name: _plain(quantity) for name, quantity in check.quantities.items()},
        "particles": {who: asdict(found) for who, found in check.particles.items()},
        "run": draw.run,
        "differ_most": list(check.differ),
        "frames_by_hand": _by_frame(check),
        "shapes_differ_mm": dict(shapes or {}),
    }


def _by_frame(check: HandCheck) -> list[dict[str, Any]]:
    """What was measured and marked in each frame, px, the marks of a frame averaged."""
    rows = []
    for row, frame in enumerate(check.marks.draw.frames):
        values = {
            f"{way}_{name}_px": float(np.nanmean(table[name][row]))
            for way, table in (("tool", check.tool), ("hand", check.hand))
            for name in ("length", "width")
            if np.isfinite(table[name][row]).any()
        }
        rows.append({"frame": frame, "worst": frame in check.marks.draw.worst, **values})
    return rows


def _plain(quantity: QuantityCheck) -> dict[str, Any]:
    found = asdict(quantity)
    return {**found.pop("agreement"), **found}


def _measured(measurement: Measurement, frames: tuple[int, ...]) -> dict[str, Floats]:
    """What the tool measured in each frame, px."""
    from ..pool.geometry import SHARP, VAGUE, extents

    mm = measurement.axes.mm_per_px
    table = measurement.frames.iloc[list(frames)]
    (ux, uy), (vx, vy) = measurement.axes.matrix.tolist()
    origin = measurement.axes.matrix @ (measurement.axes.origin_x, measurement.axes.origin_y)
    share = VAGUE if measurement.row["footage"] == "illuminated" else SHARP
    ends = np.full((4, len(frames)), math.nan)
    for row, frame in enumerate(frames):
        outline = measurement.outlines(frame)
        if len(outline):
            x, y = (np.ascontiguousarray(side) for side in outline.T)
            ends[:, row] = extents(x, y, ux, uy, vx, vy, share)
    ends -= origin[[0, 0, 1, 1], None]
    return {
        "length": table["pool_length_mm"].to_numpy(dtype=np.float64) / mm,
        "width": table["pool_width_mm"].to_numpy(dtype=np.float64) / mm,
        "area": table["pool_area_mm2"].to_numpy(dtype=np.float64) / mm**2,
        **dict(zip(ENDS, ends, strict=True)),
    }


def _marked(measurement: Measurement, marking: Marking, frame: int) -> dict[str, float]:
    """What one marking says of one frame, px."""
    found: dict[str, float] = {}
    points = marking.ends.get(frame)
    if points:
        places = measurement.axes.px(np.array([points[kind] for kind in ENDS]))
        found = dict(zip(ENDS, (float(places[k, k // 2]) for k in range(4)), strict=True))
        found["length"] = found["front"] - found["rear"]
        found["width"] = found["left"] - found["right"]
    if frame in marking.outlines:
        found["area"] = outline_area(measurement.axes.px(np.array(marking.outlines[frame])))
    return found


def _difference(name: str, tool: Floats, hand: Floats) -> Floats:
    """Tool minus hand, shape (n, m); of areas in per cent of the marked one."""
    away = tool[:, None] - hand
    return np.asarray(100.0 * away / hand) if name == "area" else away


def _quantity(away: Floats, marks: HandMarks, repeated: str) -> QuantityCheck | None:
    """One quantity from its differences, shape (n frames, m markings); None where too little was marked."""
    frames = np.array(marks.draw.frames)
    random = np.isin(frames, marks.draw.random) & np.isfinite(away).any(axis=1)
    if random.sum() < LEAST_RANDOM:
        return None
    drawn = away[random]
    persons = [marking.person for marking in marks.markings]
    names = list(dict.fromkeys(persons))
    columns = {name: [k for k, person in enumerate(persons) if person == name] for name in names}
    hand = None
    if repeated == "rounds":
        hand = within_subjects(np.vstack([_padded(drawn[:, columns[name]], len(persons)) for name in names]))
    elif repeated == "persons":
        hand = between_ways(drawn)
    mean, markings = _over_persons(drawn, list(columns.values()))
    found = agreement(mean, repeat=hand, markings=markings)
    left = None
    if hand is not None:
        left = left_over(spread_of(found.sd**2 * (found.count - 1), found.count - 1), hand)
    worst = {
        int(frame): float(np.nanmean(row))
        for frame, row in zip(frames, away, strict=True)
        if frame in marks.draw.worst and np.isfinite(row).any()
    }
    by_person = {
        name: float(np.nanmean(drawn[:, columns[name]]))
        for name in names
        if np.isfinite(drawn[:, columns[name]]).any()
    }
    return QuantityCheck(found, hand, left, by_person, worst)


def _over_persons(away: Floats, columns: list[list[int]]) -> tuple[Floats, float]:
    """Mean over persons of their means over rounds, by frame, and how many single markings scatter as little."""
    sums, shares = np.zeros(len(away)), np.zeros(len(away))
    persons = np.zeros(len(away))
    for own in columns:
        known = np.isfinite(away[:, own])
        count = known.sum(axis=1)
        there = count > 0
        sums[there] += np.nansum(away[:, own], axis=1)[there] / count[there]
        shares[there] += 1.0 / count[there]
        persons += there
    return sums / persons, float(1.0 / np.mean(shares / persons**2))


def _padded(values: Floats, width: int) -> Floats:
    _, given = values.shape
    return np.pad(values, ((0, 0), (0, width - given)), constant_values=math.nan)


def _differ(frames: tuple[int, ...], tool: dict[str, Floats], hand: dict[str, Floats]) -> tuple[int, ...]:
    """Frames in which length or width differ most, by the larger of the two."""
    marked = np.isfinite(hand["length"]).any(axis=1)
    away = np.full(len(frames), -1.0)
    for name in ("length", "width"):
        off = np.abs(_difference(name, tool[name][marked], hand[name][marked]))
        away[marked] = np.fmax(away[marked], np.nanmean(off, axis=1))
    return tuple(frames[row] for row in np.argsort(-away, kind="stable")[:_SHOWN] if away[row] >= 0)
