"""Statistics of events: rate, bursts, and what the keyhole did before them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolwatch.model.errors import UsageError

from .series import Series
from .settings import StabilitySettings


@dataclass(frozen=True)
class Fano:
    """Variance over mean of counts per window.

    Attributes
    ----------
    value
        1 for a Poisson process, more for bursts; NaN where there are no counts.
    poisson_low, poisson_high
        Interval that a Poisson process would give.
    windows
        Number of windows.
    """

    value: float
    poisson_low: float
    poisson_high: float
    windows: int


@dataclass(frozen=True)
class Rate:
    """Events per unit of time or length, with interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class EventTriggered:
    """Mean of a signal around events.

    Attributes
    ----------
    lag_s
        Shape (k,): time from the event, s; negative before it.
    mean
        Shape (k,): mean of the signal at that lag over the events, relative to its overall mean.
    before
        Mean over the window before the events, relative to the overall mean; NaN where it cannot be said.
    p
        Share of circular shifts of the event times that give as large a departure; NaN where it cannot be said.
    events
        Number of events that were used.
    """

    lag_s: NDArray[np.float64]
    mean: NDArray[np.float64]
    before: float
    p: float
    events: int


def counts_per_window(
    event_frames: Sequence[float] | NDArray[np.float64], frames: int, window: int
) -> NDArray[np.int64]:
    """Counts of events in whole windows of `window` frames; a cut-off window at the end is left out."""
    if window < 1:
        raise UsageError(f"a window must hold at least one frame, got {window}")
    whole = frames // window
    where = np.floor(np.asarray(event_frames, dtype=np.float64) / window).astype(np.int64)
    where = where[(where >= 0) & (where < whole)]
    return np.bincount(where, minlength=whole).astype(np.int64)


def fano(counts: NDArray[np.integer] | Sequence[int], *, confidence: float = 0.95) -> Fano:
    """Fano factor of counts per window, with what a Poisson process would give.

    For a Poisson process (n - 1) F is about chi-square with n - 1 degrees of freedom. Given the total N its
    variance is exactly 2 (n - 1) (1 - 1/N), which a scaled chi-square matches.

    Parameters
    ----------
    counts
        Shape (n,): counts in windows of equal length.
    confidence
        Confidence of the interval.
    """
    from scipy.special import gammainccinv, gammaincinv

    values = np.asarray(counts, dtype=np.float64)
    n = len(values)
    if n < 2 or values.sum() == 0:
        return Fano(math.nan, math.nan, math.nan, n)
    value = float(values.var(ddof=1) / values.mean())
    total = float(values.sum())
    shrink = max(1 - 1 / total, 1e-9)
    dof = (n - 1) / shrink
    tail = (1 - confidence) / 2
    return Fano(
        value, float(2 * gammaincinv(dof / 2, tail) / dof), float(2 * gammainccinv(dof / 2, tail) / dof), n
    )


def rate_interval(count: int, duration: float, *, fano: float = 1.0, confidence: float = 0.95) -> Rate:
    """Rate of events with interval: exact for a Poisson process, wider for bursts.

    Parameters
    ----------
    count
        Events seen.
    duration
        Time or length over which they were counted; sets the unit of the rate.
    fano
        Fano factor of the counts where it is known; below 1 and NaN count as 1. Bursts of mean size `fano` leave
        ``count / fano`` independent events.
    confidence
        Confidence of the interval.

    Raises
    ------
    UsageError
        A count below 0 or a duration that is no positive number.

    References
    ----------
    Garwood 1936, doi:10.1093/biomet/28.3-4.437.
    """
    from scipy.special import gammainccinv, gammaincinv

    if count < 0 or not (math.isfinite(duration) and duration > 0):
        raise UsageError(
            f"a rate needs a count of at least 0 and a duration above 0, got {count} in {duration}"
        )
    spread = fano if math.isfinite(fano) and fano > 1 else 1.0
    tail = (1 - confidence) / 2
    own = count / spread
    low = float(gammaincinv(own, tail)) * spread if count > 0 else 0.0
    high = float(gammainccinv(own + 1, tail)) * spread
    return Rate(count / duration, low / duration, high / duration)


def event_triggered(
    keyhole: Series,
    event_frames: Sequence[float] | NDArray[np.float64],
    settings: StabilitySettings,
    *,
    before_s: float = 0.002,
    after_s: float = 0.001,
) -> EventTriggered:
    """Mean keyhole brightness around ejections, and how likely chance would give its departure before them.

    All event times are shifted together around the clip by every possible number of frames (at most the resamples of
    the settings, evenly spaced). This keeps the correlation of the signal and the bunching of the events, and breaks
    only the link between them.

    Parameters
    ----------
    keyhole
        Keyhole brightness in the steady part.
    event_frames
        Frame at which each particle left the pool, from the start of `keyhole`; fractions are rounded.
    settings
        All settings of this room.
    before_s, after_s
        Window, s; the mean before the events is taken over `before_s`.
    """
    n = len(keyhole.values)
    before, after = max(1, round(before_s * keyhole.rate_hz)), max(0, round(after_s * keyhole.rate_hz))
    lags = np.arange(-before, after + 1)
    empty = np.full(len(lags), math.nan)
    events = np.round(np.asarray(event_frames, dtype=np.float64)).astype(np.int64)
    events = events[(events >= before) & (events < n - after)]
    seen = keyhole.seen
    mean = float(np.mean(keyhole.values[seen])) if seen.any() else math.nan
    if len(events) < 3 or n < 4 * (before + after + 1) or not mean > 0:
        return EventTriggered(lags / keyhole.rate_hz, empty, math.nan, math.nan, len(events))
    values = np.where(seen, keyhole.values, 0.0) / mean
    at = events[:, None] + lags
    weight = seen[at].sum(axis=0)
    around = np.where(weight > 0, values[at].sum(axis=0) / np.maximum(weight, 1), math.nan)
    # Sums over the window before each frame, the clip taken as a ring.
    kernel_sum = _ring_window(values, before)
    kernel_seen = _ring_window(seen.astype(np.float64), before)
    own = kernel_seen[events].sum()
    if own == 0:
        return EventTriggered(lags / keyhole.rate_hz, around, math.nan, math.nan, len(events))
    departure = kernel_sum[events].sum() / own - 1
    most = min(settings.interval.resamples, n - 1)
    shifts = np.unique(np.linspace(1, n - 1, most).astype(np.int64))
    # One shift at a time: all at once would take memory for events times shifts.
    total, count = np.empty(len(shifts)), np.empty(len(shifts))
    for k, shift in enumerate(shifts):
        moved = (events + shift) % n
        total[k], count[k] = kernel_sum[moved].sum(), kernel_seen[moved].sum()
    chance = np.where(count > 0, total / np.maximum(count, 1), 1.0) - 1
    p = (1 + int(np.sum(np.abs(chance) >= abs(departure)))) / (1 + len(shifts))
    return EventTriggered(lags / keyhole.rate_hz, around, float(1 + departure), p, len(events))


def _ring_window(values: NDArray[np.float64], before: int) -> NDArray[np.float64]:
    """Sum over the `before` frames ahead of each frame, around the ring."""
    running = np.concatenate(([0.0], np.cumsum(np.concatenate([values[-before:], values]))))
    return np.asarray(running[before : before + len(values)] - running[: len(values)])
