"""The steady part of a clip: the longest stretch in which level and scatter neither step nor run away."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolwatch.model.errors import UsageError

from .series import Series
from .settings import StabilitySettings, SteadySettings


@dataclass(frozen=True)
class SteadyPart:
    """Frames of the steady part.

    Attributes
    ----------
    start, stop
        First frame, and frame after the last.
    found
        Whether a steady part was found; if not, the whole series is given.
    reason
        In words.
    """

    start: int
    stop: int
    found: bool
    reason: str


@dataclass(frozen=True)
class _Blocks:
    level: NDArray[np.float64]
    scatter: NDArray[np.float64]
    usable: NDArray[np.bool_]


def steady_part(series: Sequence[Series], settings: StabilitySettings) -> SteadyPart:
    """Find the longest stretch that is steady in all series.

    A stretch is steady when, in each series, the medians of its pieces stay near their own straight line, that
    line changes no more than slow drift may, and no piece scatters much more or less than the rest. Medians are
    deaf to spikes; missing frames are left out.

    Parameters
    ----------
    series
        Signals of the same clip, all of the same length.
    settings
        All settings of this room.

    Raises
    ------
    UsageError
        No series is given, or their lengths differ.
    """
    if not series:
        raise UsageError("steady_part needs at least one series")
    n = len(series[0].values)
    if any(len(s.values) != n for s in series):
        raise UsageError(
            f"all series of a clip must have the same length, got {[len(s.values) for s in series]}"
        )
    s = settings.steady
    count = max(4, min(s.blocks, n // 8))
    if n < 32:
        return SteadyPart(0, n, False, f"{n} frames are too few to look for a steady part")
    edges = np.linspace(0, n, count + 1).astype(np.int64)
    blocks = [_blocks(one.values, edges) for one in series]
    least = max(4, int(np.ceil(s.min_share * count)))
    for length in range(count, least - 1, -1):
        for begin in range(count - length + 1):
            if all(_steady(b, begin, begin + length, s) for b in blocks):
                return _ends(series, edges, begin, begin + length, count)
    return SteadyPart(0, n, False, "level or scatter changes all along; no stretch is steady")


def _blocks(values: NDArray[np.float64], edges: NDArray[np.int64]) -> _Blocks:
    level = np.full(len(edges) - 1, np.nan)
    scatter = np.full(len(edges) - 1, np.nan)
    for i, (a, b) in enumerate(itertools.pairwise(edges)):
        part = values[a:b]
        part = part[np.isfinite(part)]
        if len(part) >= max(3, 0.3 * (b - a)):
            level[i] = np.median(part)
            scatter[i] = 1.4826 * np.median(np.abs(part - level[i]))
    return _Blocks(level, scatter, np.isfinite(level))


def _steady(blocks: _Blocks, begin: int, end: int, s: SteadySettings) -> bool:
    usable = np.flatnonzero(blocks.usable[begin:end])
    length = end - begin
    # Missing at an end is no part of it; a series that is missing nearly everywhere has no say.
    if blocks.usable.mean() < 0.05:
        return True
    if len(usable) < 4 or usable.min() > 0 or usable.max() < length - 1:
        return False
    level = blocks.level[begin:end][usable]
    scatter = blocks.scatter[begin:end][usable]
    slope, offset = _line(usable.astype(np.float64), level)
    rest = level - (offset + slope * usable)
    typical = abs(float(np.median(level)))
    # Scatter within pieces misses what is slower than a piece; differences of near pieces show it, and one step
    # spoils few of them.
    within = float(np.median(scatter))
    apart = max(1, len(level) // 16)
    between = 1.4826 / np.sqrt(2) * float(np.median(np.abs(level[apart:] - level[:-apart])))
    allowed = max(s.level_tolerance * typical, s.scatter_tolerance * max(within, 2 * between))
    if abs(slope) * length > max(s.trend_tolerance * typical, 2 * within):
        return False
    # Thirds and the outer pieces: a step or a ramp shows in their medians, one odd piece inside does not.
    outer = max(1, length // 16)
    parts = [
        *np.array_split(np.arange(len(rest)), 6),
        np.arange(outer),
        np.arange(len(rest) - outer, len(rest)),
    ]
    for part in parts:
        if len(part) and abs(float(np.median(rest[part]))) > allowed:
            return False
    if abs(rest[0]) > allowed or abs(rest[-1]) > allowed:
        return False
    floor = max(1e-3 * typical, 1e-300)
    for part in parts[:6]:
        # A clip of few pieces has fewer than six.
        if not len(part):
            continue
        ratio = (float(np.median(scatter[part])) + floor) / (within + floor)
        if not 1 / s.scatter_ratio < ratio < s.scatter_ratio:
            return False
    return True


def _line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Theil–Sen line: deaf to a quarter of odd pieces."""
    i, j = np.triu_indices(len(x), k=max(1, len(x) // 4))
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    return slope, float(np.median(y - slope * x))


def _ends(series: Sequence[Series], edges: NDArray[np.int64], begin: int, end: int, count: int) -> SteadyPart:
    whole = begin == 0 and end == count
    # The piece next to a cut may hold the last of a ramp.
    if begin > 0 and end - begin > 8:
        begin += 1
    if end < count and end - begin > 8:
        end -= 1
    start, stop = int(edges[begin]), int(edges[end])
    seen = np.any([one.seen[start:stop] for one in series], axis=0)
    inside = np.flatnonzero(seen)
    if len(inside) == 0:
        return SteadyPart(0, int(edges[-1]), False, "nothing was measured")
    start, stop = start + int(inside.min()), start + int(inside.max()) + 1
    if whole:
        return SteadyPart(start, stop, True, "level and scatter hold over the whole clip")
    n = int(edges[-1])
    return SteadyPart(
        start,
        stop,
        True,
        f"frames before {start} and from {stop} of {n} on step, ramp or scatter differently",
    )
