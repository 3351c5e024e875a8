"""Collapses: drops of the keyhole's brightness far below its usual level."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .series import Series, bridge
from .settings import StabilitySettings


@dataclass(frozen=True)
class Collapses:
    """Drops of the keyhole brightness.

    Attributes
    ----------
    frames
        Shape (k,): frame in which each begins.
    stops
        Shape (k,): frame after the last of each.
    depth
        Shape (k,): deepest drop as a share of the usual brightness, 0 to 1.
    duration_s
        Shape (k,): how long each lasts, s.
    per_s
        Collapses per second of measured time; NaN where nothing was measured.
    seen_s
        Measured time, s.
    share
        Share of measured time in collapse: free of units, of the camera and of its rate.
    inside
        Shape (n,): True in a collapse.
    """

    frames: NDArray[np.int64]
    stops: NDArray[np.int64]
    depth: NDArray[np.float64]
    duration_s: NDArray[np.float64]
    per_s: float
    seen_s: float
    share: float
    inside: NDArray[np.bool_]


def collapses(keyhole: Series, settings: StabilitySettings) -> Collapses:
    """Find collapses with hysteresis: in below one level, out above a higher one.

    The usual brightness is a running median. The lower level lies also a number of fast-noise standard
    deviations below it (robust, from second differences), so that noise makes no event. A long gap ends a collapse.

    Parameters
    ----------
    keyhole
        Keyhole brightness in the steady part.
    settings
        All settings of this room.
    """
    s = settings.collapse
    n = len(keyhole.values)
    values = bridge(keyhole.values, settings.conditioning.bridge_frames)
    seen = np.isfinite(values)
    none = np.empty(0)
    nothing = np.empty(0, dtype=np.int64)
    if not seen.any():
        return Collapses(nothing, nothing, none, none, math.nan, 0.0, math.nan, np.zeros(n, dtype=np.bool_))
    usual = running_median(values, max(3, round(s.window_s * keyhole.rate_hz)))
    second = values[2:] - 2 * values[1:-1] + values[:-2]
    second = second[np.isfinite(second)]
    noise = 1.4826 * float(np.median(np.abs(second))) / math.sqrt(6) if len(second) else 0.0
    enter = np.minimum(s.enter * usual, usual - s.sigmas * noise)
    leave = np.maximum(s.leave * usual, enter)
    below = seen & (values < enter)
    above = ~seen | (values > leave)
    # State of a hysteresis: the last of "below" and "above" that was met.
    mark = np.where(below, 1, np.where(above, -1, 0))
    last = np.maximum.accumulate(np.where(mark != 0, np.arange(n), -1))
    inside = (last >= 0) & (mark[np.maximum(last, 0)] == 1)
    change = np.diff(np.concatenate(([0], inside.astype(np.int8), [0])))
    starts, stops = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    relative = np.where(usual > 0, values / np.where(usual > 0, usual, 1.0), 1.0)
    depth = np.array([1 - float(np.nanmin(relative[a:b])) for a, b in zip(starts, stops, strict=True)])
    time = int(seen.sum()) / keyhole.rate_hz
    return Collapses(
        starts.astype(np.int64),
        stops.astype(np.int64),
        depth,
        (stops - starts) / keyhole.rate_hz,
        len(starts) / time,
        time,
        float(inside.sum() / seen.sum()),
        inside,
    )


def running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Median over about `width` frames, from medians of pieces joined by straight lines; NaN left out."""
    n = len(values)
    pieces = max(1, round(n / width))
    edges = np.linspace(0, n, pieces + 1).astype(np.int64)
    middle, level = [], []
    for a, b in itertools.pairwise(edges):
        part = values[a:b]
        part = part[np.isfinite(part)]
        if len(part):
            middle.append((a + b - 1) / 2)
            level.append(float(np.median(part)))
    # Median of three neighbours: a collapse that fills most of one piece does not become the usual.
    smooth = [float(np.median(level[max(0, i - 1) : i + 2])) for i in range(len(level))]
    if len(level) == 2:
        smooth = level
    return np.interp(np.arange(n), middle, smooth)
