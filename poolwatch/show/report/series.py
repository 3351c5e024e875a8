"""Interactive time series: curves drawn here, so that they show and print without a script."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..result import ClipResult
from ..segments import Segment, pack_segments
from ..stills.series import thinned
from ..ticks import decimals, digits, nice_step, ticks

WIDE, HIGH = 1000, 100
_COLUMNS = 700
_READ_OUT = 1500
# Frames that were not measured whose reason a page can read out.
_BAD_LISTED = 2000
# Beyond this place, %, a tick's number would be cut off.
_LAST_TICK = 94.0
_LANES = (
    ("pool_length_mm", "length", "pool"),
    ("pool_width_mm", "width", "pool"),
    ("keyhole_brightness", "keyhole brightness", "keyhole"),
    ("spatter_in_view", "particles in view", "particle"),
)


def series_view(result: ClipResult, segments: Sequence[Segment]) -> dict[str, Any]:
    """What the template draws and what the script reads for one clip.

    Returns
    -------
    dict
        ``lanes`` (name, unit, kind, path, ends), ``ticks`` (place in %, text), ``steady`` (start and width,
        %), ``bad`` (path of marks), ``data`` (for the script: frames, values and the map of the video).
    """
    numbers = result.numbers
    first, last = (int(numbers[0]), int(numbers[-1])) if len(numbers) else (0, 1)
    last = max(last, first + 1)
    x = WIDE * (numbers - first) / (last - first)
    stride = max(1, -(-len(numbers) // _READ_OUT))
    drawn = [_lane(result, x, stride, *lane) for lane in _LANES]
    per_ms = result.record_rate_hz / 1e3
    marks = ticks(first / per_ms, last / per_ms, 8)
    step = float(marks[1] - marks[0]) if len(marks) > 1 else 1.0
    places_in_time = [(100 * (t * per_ms - first) / (last - first), digits(float(t), step)) for t in marks]
    steady = [100 * (frame - first) / (last - first) for frame in result.steady]
    bad = np.unique(np.rint(2 * x[result.status != "ok"]) / 2)
    return {
        "lanes": [lane.drawn for lane in drawn],
        "ticks": [(p, words) for p, words in places_in_time if p <= _LAST_TICK],
        "steady": (steady[0], max(0.0, min(100.0, steady[1]) - steady[0])),
        "bad": "".join(f"M{_short(v)} 0V{HIGH}" for v in bad),
        "bad_count": int((result.status != "ok").sum()),
        "data": {
            "places": [lane.places for lane in drawn],
            "first": first,
            "last": last,
            "rate": result.record_rate_hz,
            "frames": [int(n) for n in numbers[::stride]],
            "stride": stride,
            "values": [lane.values for lane in drawn],
            "status": _bad_frames(result),
            "video": pack_segments(segments),
        },
    }


class _Lane(NamedTuple):
    """A lane as it is drawn, decimals of its values, and the values that are read out."""

    drawn: dict[str, Any]
    places: int
    values: list[float | None]


def _lane(
    result: ClipResult, x: NDArray[np.floating], stride: int, column: str, words: str, kind: str
) -> _Lane:
    """One signal over the clip; `x`: places of its frames across."""
    name = words if kind != "particle" or result.spatter_sought else f"{words}: not looked for"
    series = result.series(column)
    found = series[np.isfinite(series)]
    low, high = (float(found.min()), float(found.max())) if found.size else (0.0, 1.0)
    if kind == "particle":
        low, high = 0.0, max(1.0, high)
    elif high - low <= 1e-9 * max(1.0, abs(high)):
        low, high = low - 0.5, high + 0.5
    step = 1.0 if kind == "particle" else nice_step((high - low) / 50)
    unit = {"pool": result.unit, "keyhole": "of full scale", "particle": ""}[kind]
    y = HIGH - 6 - (HIGH - 12) * (series - low) / (high - low)
    drawn = {
        "name": name,
        "unit": unit,
        "kind": kind,
        "path": _path(*thinned(x, y, _COLUMNS)),
        "low": digits(low, step),
        "high": digits(high, step),
        "sentence": _sentence(name, unit, found, step),
    }
    places = decimals(step)
    return _Lane(
        drawn, places, [round(float(v), places) if np.isfinite(v) else None for v in series[::stride]]
    )


def _bad_frames(result: ClipResult) -> dict[int, str]:
    """Status of the first frames that were not measured, by number."""
    bad = np.flatnonzero(result.status != "ok")[:_BAD_LISTED]
    return {int(result.numbers[k]): str(result.status[k]) for k in bad}


def _short(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def _path(x: NDArray[np.floating], y: NDArray[np.float64]) -> str:
    parts: list[str] = []
    pen_down = False
    for a, b in zip(x, y, strict=True):
        if not np.isfinite(b):
            pen_down = False
            continue
        parts.append(f"{'L' if pen_down else 'M'}{_short(float(a))} {_short(float(b))}")
        pen_down = True
    return "".join(parts)


def _sentence(name: str, unit: str, found: NDArray[np.float64], step: float) -> str:
    """What a person who cannot see the curve is told."""
    if not found.size:
        return f"{name}: not measured in any frame"
    ends = [digits(float(v), step) for v in (found.min(), np.median(found), found.max())]
    return f"{name}: smallest {ends[0]}, median {ends[1]}, largest {ends[2]} {unit}".rstrip()
