"""The stability index of one clip with its interval.

Each part has an interval of its own, made for strongly correlated series (`fluctuation`, `events`). How the parts
move together comes from a block bootstrap that takes the same blocks for all: its ranks are joined to the parts'
own distributions. A plain block bootstrap alone gives intervals that are too narrow for short, slow series.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from poolwatch.model.errors import UsageError
from poolwatch.model.tables import INDEX_PARTS

from .collapses import collapses
from .desirability import desirability, index_of, weights
from .fluctuation import energy, fluctuation, summary
from .longrun import block_length, block_sums, mean_error
from .series import Series
from .settings import StabilitySettings


@dataclass(frozen=True)
class PartSeries:
    """What a part of the index is made of; by `variation`, `level`, `root_level`, `collapse_share` or `events`.

    Attributes
    ----------
    kind
        Which of the five.
    series
        The steady part of a signal (not for events).
    frames
        Shape (k,): frame of each event, from the start of the steady part.
    amounts
        Shape (k,): what each event adds.
    frame_count
        Frames of the steady part.
    length
        Length of weld (or time) by which the sum is divided.
    typical
        What one event would add that was not seen, for the upper bound.
    """

    kind: Literal["variation", "level", "root", "collapse", "events"]
    series: Series | None = None
    frames: NDArray[np.float64] | None = None
    amounts: NDArray[np.float64] | None = None
    frame_count: int = 0
    length: float = 1.0
    typical: float = 1.0


def variation(series: Series) -> PartSeries:
    """Part whose value is the coefficient of variation of a series."""
    return PartSeries("variation", series, frame_count=len(series.values))


def level(series: Series) -> PartSeries:
    """Part whose value is the mean of a series (surface agitation)."""
    return PartSeries("level", series, frame_count=len(series.values))


def root_level(power: Series) -> PartSeries:
    """Part whose value is the square root of the mean of a series of squares, from which noise was taken out.

    Single values may be negative there; only their mean is cut at 0, so noise adds nothing on average.
    """
    return PartSeries("root", power, frame_count=len(power.values))


def collapse_share(keyhole: Series) -> PartSeries:
    """Part whose value is the share of time in which the keyhole is collapsed.

    The share of time depends neither on the record rate nor on units; a number per second would depend on how short
    a drop the rate can show.
    """
    return PartSeries("collapse", keyhole, frame_count=len(keyhole.values))


def events(
    frames: NDArray[np.float64],
    frame_count: int,
    length: float,
    *,
    amounts: NDArray[np.float64] | None = None,
    typical: float = 1.0,
) -> PartSeries:
    """Part whose value is a sum over events per length of weld.

    Parameters
    ----------
    frames
        Shape (k,): frame of each event, from the start of the steady part.
    frame_count
        Frames of the steady part.
    length
        Length of weld made in that time: mm for `spatter_count`, m for `spatter_mass`.
    amounts
        Shape (k,): what each event adds (mg for `spatter_mass`); 1 each where not given.
    typical
        Amount of one event that was not seen, for the upper bound of a clip that shows none; 1 for counts.

    Raises
    ------
    UsageError
        Shapes differ, an event is outside the part, or a number is not above 0.
    """
    at = np.asarray(frames, dtype=np.float64)
    each = np.ones(len(at)) if amounts is None else np.asarray(amounts, dtype=np.float64)
    if each.shape != at.shape or at.ndim != 1:
        raise UsageError(f"events: frames {at.shape} and amounts {each.shape} must have the same shape (k,)")
    if not (frame_count > 0 and length > 0 and typical > 0 and math.isfinite(length)):
        raise UsageError("events: frame_count, length and typical must be above 0")
    if len(at) and not (
        at.min() >= 0 and at.max() < frame_count and np.isfinite(each).all() and each.min() >= 0
    ):
        raise UsageError(
            f"events: each must be in frames 0 to {frame_count - 1} and add a finite amount of at least 0"
        )
    return PartSeries("events", None, at, each, frame_count, length, typical)


@dataclass(frozen=True)
class PartResult:
    """One part of an index.

    Attributes
    ----------
    x, x_low, x_high
        Its value and interval, in the units of `IndexSettings.parts`.
    desirability
        0 to 1.
    weight
        Its weight among the parts that this clip gives; they add up to 1.
    """

    x: float
    x_low: float
    x_high: float
    desirability: float
    weight: float


@dataclass(frozen=True)
class StabilityIndex:
    """Stability index of a clip.

    Attributes
    ----------
    value, low, high
        0 to 100, higher is steadier, and its interval within this clip. NaN where no part is given.
    parts
        Name → result, of the parts that count.
    left_out
        Parts that the clip could not give.
    block_frames
        Block length of the bootstrap, frames.
    too_short
        A part's series is too short against its slowest motion.
    """

    value: float
    low: float
    high: float
    parts: Mapping[str, PartResult]
    left_out: tuple[str, ...]
    block_frames: int
    too_short: bool


@dataclass(frozen=True)
class _Prepared:
    """A part's interval, and per-frame columns whose block sums tell how it moves: above, below and mean."""

    x: float
    low: float
    high: float
    columns: tuple[NDArray[np.floating | np.bool_], ...]
    too_short: bool


def stability_index(
    parts: Mapping[str, PartSeries | None],
    settings: StabilitySettings,
    *,
    band_hz: tuple[float, float] | None = None,
) -> StabilityIndex:
    """Stability index with its interval.

    Parameters
    ----------
    parts
        Part (named as in `poolwatch.model.tables.INDEX_PARTS`) → what it is worked out from, all over the same
        frames; None or absent where the clip cannot give it.
    settings
        All settings of this room.
    band_hz
        Band of the fluctuations, Hz.

    Raises
    ------
    UsageError
        A part is unknown, or parts differ in the number of frames.
    MeasurementError
        Too few frames were measured.
    """
    for name in parts:
        if name not in INDEX_PARTS:
            raise UsageError(f"unknown index part {name!r}; the parts are {', '.join(INDEX_PARTS)}")
    given = {name: part for name in INDEX_PARTS if (part := parts.get(name)) is not None}
    counts = {part.frame_count for part in given.values()}
    if len(counts) > 1:
        raise UsageError(f"all parts of an index must span the same frames, got {sorted(counts)}")
    prepared = {name: _prepare(part, settings, band_hz) for name, part in given.items()}
    prepared = {name: p for name, p in prepared.items() if math.isfinite(p.x)}
    share = weights(prepared, settings)
    left_out = tuple(name for name in INDEX_PARTS if name not in share)
    if not share:
        return StabilityIndex(math.nan, math.nan, math.nan, {}, left_out, 0, False)
    x = {name: p.x for name, p in prepared.items()}
    value = index_of(x, settings)
    drawn, length = _draw(prepared, settings)
    # A part that is 0 can only be worse than it was seen to be: its draws move the lower end alone.
    log, log_high = np.zeros(settings.interval.resamples), np.zeros(settings.interval.resamples)
    results = {}
    for name, p in prepared.items():
        half = settings.index.parts[name].half
        step = share[name] * np.log(desirability(drawn[name], half, settings.index.exponent))
        log += step
        log_high += step if p.x > 0 else 0.0
        d = float(desirability(p.x, half, settings.index.exponent))
        results[name] = PartResult(p.x, p.low, p.high, d, share[name])
    tail = (1 - settings.interval.confidence) / 2
    low = 100 * np.exp(np.quantile(log, tail))
    high = 100 * np.exp(np.quantile(log_high, 1 - tail))
    short = any(p.too_short for p in prepared.values())
    return StabilityIndex(
        value, min(float(low), value), max(float(high), value), results, left_out, length, short
    )


def _draw(
    prepared: Mapping[str, _Prepared], settings: StabilitySettings
) -> tuple[dict[str, NDArray[np.float64]], int]:
    """Draws of all parts: ranks from one block bootstrap, values from each part's own interval."""
    from scipy.special import gammaincinv, ndtri

    generator = np.random.default_rng(settings.interval.seed)
    series = [p.columns[0].astype(np.float64) for p in prepared.values()]
    n = len(series[0])
    lengths = [circular for _, circular in map(block_length, series)]
    # Not more than 100 blocks: more cost time and tell nothing new of how the parts move together; not fewer than 8.
    length = int(max(1, min(max(math.ceil(max(lengths)), n // 100), n // 8)))
    resamples = settings.interval.resamples
    # Blocks are built from eighths: the sums are the same, and long clips cost less.
    piece = max(1, length // 8)
    starts = np.arange(0, n, piece)
    eighths = np.stack(
        [
            np.add.reduceat(column, starts, dtype=np.float64)
            for p in prepared.values()
            for column in p.columns
        ],
        axis=1,
    )
    sums = block_sums(eighths, max(1, round(length / piece)), resamples, generator)
    z = float(ndtri(0.5 + settings.interval.confidence / 2))
    result = {}
    for i, (name, p) in enumerate(prepared.items()):
        above, below, mean = sums[:, 3 * i], sums[:, 3 * i + 1], sums[:, 3 * i + 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.nan_to_num(above / below / np.where(mean != 0, mean, 1.0) ** 2)
        # Ties (no event in any block) are broken at random.
        order = np.lexsort((generator.random(resamples), ratio))
        rank = np.empty(resamples)
        rank[order] = (np.arange(resamples) + 0.5) / resamples
        score = ndtri(rank) / z
        if p.x > 0:
            down = _scaled(p.x, p.low, score)
            result[name] = np.where(score < 0, down, _scaled(p.x, p.high, -score))
        else:
            top = gammaincinv(0.5, 0.5 + settings.interval.confidence / 2)
            result[name] = p.high * gammaincinv(0.5, rank) / top
    return result, length


def _scaled(x: float, end: float, score: NDArray[np.float64]) -> NDArray[np.float64]:
    """From `x` (score 0) to `end` (score -1): on the log scale, or straight where the end is 0."""
    if end > 0:
        return np.asarray(x * np.exp(-score * math.log(end / x)))
    return np.asarray(np.maximum(x + score * x, 0.0))


def _prepare(part: PartSeries, settings: StabilitySettings, band_hz: tuple[float, float] | None) -> _Prepared:
    if part.kind == "events":
        return _events(part, settings)
    series = part.series
    if series is None:
        raise UsageError(f"a part of kind {part.kind!r} needs a series")
    if part.kind == "collapse":
        return _collapse(series, settings)
    seen = series.seen
    values = np.where(seen, np.nan_to_num(series.values), 0.0)
    if part.kind in ("level", "root"):
        f = fluctuation(replace(series, noise_sd=0.0), settings)
        columns = (values, seen, _all(0.0, len(seen)))
        value, low, high = (max(end, 0.0) for end in (f.mean, f.mean_low, f.mean_high))
        if part.kind == "root":
            value, low, high = math.sqrt(value), math.sqrt(low), math.sqrt(high)
        return _Prepared(value, low, high, columns, f.too_short)
    e = energy(series, settings, band_hz=band_hz)
    f = summary(series, e, settings)
    columns = (e.signal**2, seen, values)
    return _Prepared(f.cv, f.cv_low, f.cv_high, columns, f.too_short)


def _collapse(series: Series, settings: StabilitySettings) -> _Prepared:
    found = collapses(series, settings)
    seen = series.seen
    columns = (found.inside, seen, _all(0.0, len(seen)))
    lasted = found.duration_s * series.rate_hz
    time = float(seen.sum())
    if len(lasted) == 0:
        one = max(1.0, settings.collapse.unseen_s * series.rate_hz)
        bound = _counted(0.0, settings)[1] / max(time, 1.0)
        return _Prepared(found.share, 0.0, min(1.0, bound * one), columns, False)
    low, high = _compound(found.frames.astype(np.float64), lasted, len(seen), settings)
    return _Prepared(found.share, found.share * low, min(1.0, found.share * high), columns, False)


def _events(part: PartSeries, settings: StabilitySettings) -> _Prepared:
    assert part.frames is not None
    assert part.amounts is not None
    n = part.frame_count
    above = np.bincount(part.frames.astype(np.int64), weights=part.amounts, minlength=n).astype(np.float64)
    columns = (above, _all(1.0, n), _all(0.0, n))
    total = float(part.amounts.sum())
    if total == 0:
        return _Prepared(0.0, 0.0, _counted(0.0, settings)[1] / part.length * part.typical, columns, False)
    low, high = _compound(part.frames, part.amounts, n, settings)
    return _Prepared(
        total / part.length, total * low / part.length, total * high / part.length, columns, False
    )


def _all(value: float, n: int) -> NDArray[np.float64]:
    """A column of one value that takes no memory."""
    return np.broadcast_to(np.float64(value), (n,))


def _compound(
    frames: NDArray[np.float64], amounts: NDArray[np.float64], n: int, settings: StabilitySettings
) -> tuple[float, float]:
    """Ends of the interval of a sum of random amounts at random times, relative to the sum.

    The sum is worth (sum a)²/(sum a²) equal events; bursts make that fewer, by the long-run variance of the counts
    over that of a Poisson process.
    """
    worth = float(amounts.sum() ** 2 / np.sum(amounts**2))
    burst = 1.0
    if len(frames) >= 20:
        counts = np.bincount(frames.astype(np.int64), minlength=n).astype(np.float64)
        error = mean_error(counts, 0.0)
        burst = max(1.0, error.se**2 * n / float(counts.mean()))
    own = max(worth / burst, 0.5)
    low, high = _counted(own, settings)
    return min(low / own, 1.0), high / own


def _counted(count: float, settings: StabilitySettings) -> tuple[float, float]:
    """Interval of the mean of a Poisson count by its posterior Gamma(count + 1/2) (Jeffreys); low end 0 for 0.

    Its coverage is near the stated one on average; the exact limits of `rate_interval` never fall below it, and so
    are too wide for small counts (Brown, Cai & DasGupta 2003, Statistica Sinica 13, 19).
    """
    from scipy.special import gammainccinv, gammaincinv

    tail = (1 - settings.interval.confidence) / 2
    low = float(gammaincinv(count + 0.5, tail)) if count > 0 else 0.0
    return low, float(gammainccinv(count + 0.5, tail))
