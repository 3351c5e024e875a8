"""From the tables of one clip to its spectra and its score row."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..model.errors import MeasurementError, UsageError
from ..model.flags import check_flags
from ..model.quantities import KEYHOLE, LENGTH, PARTS, SIGNALS, WIDTH, Signal
from ..model.recording import Recording
from ..model.tables import SPECTRA
from ..stability import (
    Collapses,
    Fluctuation,
    PartSeries,
    Series,
    StabilityIndex,
    StabilitySettings,
    SteadyPart,
    collapse_share,
    collapses,
    fluctuation,
    peaks,
    rate_interval,
    root_level,
    spectrum,
    stability_index,
    steady_part,
    variation,
)
from .score_basis import ScoreBasis
from .score_spatter import spatter_figures
from .status_remedies import remedy_of
from .welds import longest, welds_of

if TYPE_CHECKING:
    import pandas as pd

# Fewest frames for any statistics.
_FEWEST = 30
# Share of the frames of the steady part below which the clip is flagged.
_MEASURED = 0.9
# Share of frames cut off by the border from which the largest pools are missing: it takes 3 % off a fluctuation, and a
# twentieth of it off the mean.
_CUT_OFF = 0.02


@dataclass(frozen=True)
class Scored:
    """What scoring gives.

    Attributes
    ----------
    row
        Column → value of the score row.
    spectra
        The spectra table.
    steady
        The steady part.
    part
        First frame and frame after the last of the weld that was scored, in which the steady part was looked for.
    flags
        Flags that scoring raised.
    """

    row: dict[str, Any]
    spectra: pd.DataFrame
    steady: SteadyPart
    part: tuple[int, int]
    flags: tuple[str, ...]


def score(
    frames: pd.DataFrame,
    spatter: pd.DataFrame | None,
    recording: Recording,
    settings: StabilitySettings,
    basis: ScoreBasis,
) -> Scored:
    """Compute the score row and the spectra from the tables.

    Parameters
    ----------
    frames
        The frames table.
    spatter
        The spatter table; None where particles were not looked for.
    recording
        Facts about the recording.
    settings
        Settings of the series statistics and of the index.
    basis
        Band, smallest particle and parts that count.

    Raises
    ------
    MeasurementError
        Too few frames were measured for any statistics.
    """
    rate = recording.record_rate_hz
    _check_enough(frames["status"])
    whole = {signal.name: _series(frames, signal, rate) for signal in SIGNALS}
    steady, weld, flags = _steady_part(frames["status"], whole, settings)
    part = slice(steady.start, steady.stop)
    inside = {name: series.part(steady.start, steady.stop) for name, series in whole.items()}
    flags |= _frame_flags(frames["status"][part])
    series = _series_figures(inside, settings, basis.band_hz)
    flags |= series.flags
    agitation = Series("agitation", frames["agitation_power"].to_numpy(dtype=np.float64)[part], rate, "")
    figures = _keyhole_and_agitation(inside[KEYHOLE.name], agitation, settings)
    parts = _parts(inside, agitation)
    if spatter is not None:
        keyhole = inside[KEYHOLE.name] if _enough(inside[KEYHOLE.name]) else None
        flown = spatter_figures(spatter, steady, recording, settings, basis, keyhole)
        figures |= flown.row
        parts |= flown.parts
    index = stability_index(
        {name: p for name, p in parts.items() if name not in basis.leave_out}, settings, band_hz=basis.band_hz
    )
    if any(settings.index.parts[name].weight > 0 for name in index.left_out):
        flags.add("index_partial")
    if series.too_short or index.too_short:
        flags.add("too_short")
    row = {
        "frames_measured": int((frames["status"][part] == "ok").sum()),
        "steady_start_s": steady.start / rate,
        "steady_end_s": steady.stop / rate,
        **series.row,
        **figures,
        **_index_figures(index),
    }
    return Scored(row, series.spectra, steady, weld, check_flags(flags))


def _series(frames: pd.DataFrame, signal: Signal, rate_hz: float) -> Series:
    return Series(signal.name, frames[signal.column].to_numpy(dtype=np.float64), rate_hz, signal.unit)


def _index_figures(index: StabilityIndex) -> dict[str, float]:
    return {
        "stability_index": index.value,
        "stability_index_low": index.low,
        "stability_index_high": index.high,
        **{part.column: index.parts[part.name].desirability for part in PARTS if part.name in index.parts},
    }


def _enough(series: Series) -> bool:
    """Whether a series holds enough for statistics."""
    return int(series.seen.sum()) >= _FEWEST


def _check_enough(status: pd.Series) -> None:
    ok = (status == "ok").to_numpy()
    if ok.sum() < _FEWEST:
        words = status[~ok].value_counts()
        why = f" ({', '.join(f'{count} {word}' for word, count in words.items())})" if len(words) else ""
        cure = "record more" if len(ok) < _FEWEST else remedy_of(words.to_dict())
        raise MeasurementError(
            f"only {int(ok.sum())} of {len(ok)} frames could be measured{why}; statistics need {_FEWEST}: {cure}"
        )


def _steady_part(
    status: pd.Series, whole: Mapping[str, Series], settings: StabilitySettings
) -> tuple[SteadyPart, tuple[int, int], set[str]]:
    """The steady part, the weld in which it was looked for (first frame, frame after the last), and flags."""
    flags = set()
    rate = whole[LENGTH.name].rate_hz
    start, stop, welds = _place_to_look(status, rate, settings)
    if welds > 1 and settings.steady.start_s is None and settings.steady.stop_s is None:
        flags.add("several_welds")
    gates = [
        whole[signal.name].part(start, stop)
        for signal in SIGNALS
        if signal.gates and whole[signal.name].seen[start:stop].any()
    ]
    measured = int((status[start:stop] == "ok").sum())
    if not gates or measured < _FEWEST:
        raise MeasurementError(
            f"only {measured} of the frames from {start} to {stop} could be measured; that is too few "
            "for statistics: give another start_s and stop_s in [stability.steady]"
        )
    place = steady_part(gates, settings)
    words = f"in frames {start} to {stop}, counted from {start}: {place.reason}" if start else place.reason
    steady = SteadyPart(start + place.start, start + place.stop, place.found, words)
    if not steady.found:
        flags.add("no_steady_part")
    return steady, (start, stop), flags


def _frame_flags(status: pd.Series) -> set[str]:
    """What the frames of the steady part say."""
    flags = set()
    if (status == "ok").to_numpy().mean() < _MEASURED:
        flags.add("few_frames_measured")
    if (status == "cut_off").mean() > _CUT_OFF:
        flags.add("pool_cut_off")
    return flags


@dataclass(frozen=True)
class _SeriesFigures:
    """Figures of the score row, spectra, flags, and whether any signal was too short for its band."""

    row: dict[str, Any]
    spectra: pd.DataFrame
    flags: set[str]
    too_short: bool


def _series_figures(
    inside: Mapping[str, Series], settings: StabilitySettings, band_hz: tuple[float, float] | None
) -> _SeriesFigures:
    """Fluctuation, spectrum and peak of every signal of the steady part."""
    import pandas as pd

    row: dict[str, Any] = {}
    tables, flags, too_short = [], set(), False
    for signal in SIGNALS:
        series = inside[signal.name]
        if not _enough(series):
            continue
        found = fluctuation(series, settings, band_hz=band_hz)
        too_short |= found.too_short
        if not found.noise_known and signal in (LENGTH, WIDTH):
            flags.add("noise_unknown")
        row |= _figures(signal, found)
        spec = spectrum(series, settings, band_hz=band_hz)
        tables.append(_spectrum_rows(signal.name, spec))
        tops = peaks(spec, series, settings)
        if tops and signal.peak:
            row[signal.peak_column] = tops[0].frequency_hz
        if signal is LENGTH:
            row |= {"band_low_hz": found.band_low_hz, "band_high_hz": found.band_high_hz}
    spectra = SPECTRA.frame(pd.concat(tables, ignore_index=True) if tables else None)
    return _SeriesFigures(row, spectra, flags, too_short)


def _keyhole_and_agitation(keyhole: Series, agitation: Series, settings: StabilitySettings) -> dict[str, Any]:
    row: dict[str, Any] = {}
    if _enough(keyhole):
        row |= _collapse_rate(collapses(keyhole, settings))
    if _enough(agitation):
        row["agitation_mean"] = math.sqrt(max(float(np.nanmean(agitation.values)), 0.0))
    return row


def _collapse_rate(found: Collapses) -> dict[str, float]:
    """Collapses per second, with its interval where anything was measured."""
    row = {"keyhole_collapses_per_s": found.per_s}
    if found.seen_s > 0:
        rate = rate_interval(len(found.frames), found.seen_s)
        row |= {"keyhole_collapses_per_s_low": rate.low, "keyhole_collapses_per_s_high": rate.high}
    return row


def _parts(inside: Mapping[str, Series], agitation: Series) -> dict[str, PartSeries]:
    """The series that make the parts of the index, spatter aside; what was seen too seldom makes none."""
    keyhole = inside[KEYHOLE.name]
    parts = {
        part.name: variation(inside[part.signal.name])
        for part in PARTS
        if part.signal is not None and (part.signal is not KEYHOLE or _enough(keyhole))
    }
    if _enough(agitation):
        parts["agitation"] = root_level(agitation)
    if _enough(keyhole):
        parts["collapses"] = collapse_share(keyhole)
    return parts


def _place_to_look(status: pd.Series, rate_hz: float, settings: StabilitySettings) -> tuple[int, int, int]:
    """First frame and frame after the last of what is scored, and how many welds the clip has."""
    welds = welds_of(status)
    start, stop = longest(welds, status)
    first, last = settings.steady.start_s, settings.steady.stop_s
    if first is not None or last is not None:
        start = 0 if first is None else round(first * rate_hz)
        stop = len(status) if last is None else min(round(last * rate_hz), len(status))
    if start >= stop:
        raise UsageError(
            f"stability.steady: from start_s {first or 0:g} on there is no frame before the stop of the part or of the "
            f"clip, {stop / rate_hz:g} s"
        )
    return start, stop, len(welds)


def _figures(signal: Signal, found: Fluctuation) -> dict[str, float]:
    name = signal.name
    return {
        signal.mean_column: found.mean,
        f"{name}_mean_low": found.mean_low,
        f"{name}_mean_high": found.mean_high,
        f"{name}_cv": found.cv,
        f"{name}_cv_low": found.cv_low,
        f"{name}_cv_high": found.cv_high,
    }


def _spectrum_rows(name: str, spec: Any) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(
        {
            "signal": name,
            "frequency_hz": spec.frequency_hz,
            "psd": spec.psd,
            "psd_unit": spec.unit,
            "red_noise_psd": spec.red_noise,
            "peak_level_psd": spec.peak_level,
        }
    )
