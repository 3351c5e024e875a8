"""From the tables of one clip to its spectra and its score row."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError, UsageError
from ..model.flags import check_flags
from ..model.recording import Recording
from ..model.tables import INDEX_PARTS, SCORE, SPECTRA
from ..stability import (
    Fluctuation,
    PartSeries,
    Series,
    StabilitySettings,
    SteadyPart,
    collapse_share,
    collapses,
    counts_per_window,
    event_triggered,
    events,
    fano,
    fluctuation,
    peaks,
    rate_interval,
    root_level,
    spectrum,
    stability_index,
    steady_part,
    variation,
)
from .cures import cure_of
from .welds import longest, welds_of

if TYPE_CHECKING:
    import pandas as pd

_SIGNALS = (
    ("pool_length", "pool_length_mm", "mm"),
    ("pool_width", "pool_width_mm", "mm"),
    ("pool_area", "pool_area_mm2", "mm²"),
    ("keyhole_brightness", "keyhole_brightness", "full scale"),
)
_WINDOWS = 40
# Fewest frames for any statistics.
_FEWEST = 30
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
    *,
    min_diameter_mm: float,
    density_kg_m3: float | None,
    band_hz: tuple[float, float] | None = None,
    leave_out: tuple[str, ...] = (),
) -> Scored:
    """Work out the score row and the spectra from the tables.

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
    min_diameter_mm
        Smallest particle that counts, mm; smaller ones in the table are left out.
    density_kg_m3
        Density of the liquid; None where no material was given.
    band_hz
        Band of the fluctuations; None: all that the clip can show.
    leave_out
        Parts of the index that must not enter.

    Raises
    ------
    MeasurementError
        Too few frames were measured for any statistics.
    """
    rate = recording.record_rate_hz
    flags: set[str] = set()
    ok = (frames["status"] == "ok").to_numpy()
    if ok.sum() < _FEWEST:
        words = frames["status"][~ok].value_counts()
        why = f" ({', '.join(f'{count} {word}' for word, count in words.items())})" if len(words) else ""
        cure = "record more" if len(ok) < _FEWEST else cure_of(words.to_dict())
        raise MeasurementError(
            f"only {int(ok.sum())} of {len(ok)} frames could be measured{why}; statistics need {_FEWEST}: {cure}"
        )
    whole = {
        name: Series(name, frames[column].to_numpy(dtype=np.float64), rate, unit)
        for name, column, unit in _SIGNALS
    }
    start, stop, welds = _place_to_look(frames["status"], rate, settings)
    if welds > 1 and settings.steady.start_s is None and settings.steady.stop_s is None:
        flags.add("several_welds")
    gates = [
        Series(name, whole[name].values[start:stop], rate, whole[name].unit)
        for name in ("pool_length", "pool_width", "keyhole_brightness")
        if whole[name].seen[start:stop].any()
    ]
    if not gates or ok[start:stop].sum() < 30:
        raise MeasurementError(
            f"only {int(ok[start:stop].sum())} of the frames from {start} to {stop} could be measured; that is too few "
            "for statistics: give another start_s and stop_s in [stability.steady]"
        )
    place = steady_part(gates, settings)
    words = f"in frames {start} to {stop}, counted from {start}: {place.reason}" if start else place.reason
    steady = SteadyPart(start + place.start, start + place.stop, place.found, words)
    if not steady.found:
        flags.add("no_steady_part")
    part = slice(steady.start, steady.stop)
    inside = {name: Series(name, s.values[part], rate, s.unit) for name, s in whole.items()}
    row: dict[str, Any] = {
        "frames_measured": int(ok[part].sum()),
        "steady_start_s": steady.start / rate,
        "steady_end_s": steady.stop / rate,
    }
    if ok[part].mean() < 0.9:
        flags.add("few_frames_measured")
    if (frames["status"][part] == "cut_off").mean() > _CUT_OFF:
        flags.add("pool_cut_off")
    tables = []
    short = False
    for name, column, unit in _SIGNALS:
        series = inside[name]
        if series.seen.sum() < 30:
            continue
        found = fluctuation(series, settings, band_hz=band_hz)
        short |= found.too_short
        if not found.noise_known and name in ("pool_length", "pool_width"):
            flags.add("noise_unknown")
        row |= _figures(name, column, found)
        spec = spectrum(series, settings, band_hz=band_hz)
        tables.append(_spectrum_rows(name, spec, unit))
        tops = peaks(spec, series, settings)
        if tops and f"{name}_peak_hz" in SCORE.names:
            row[f"{name}_peak_hz"] = tops[0].frequency_hz
        if name == "pool_length":
            row |= {"band_low_hz": found.band_low_hz, "band_high_hz": found.band_high_hz}
    keyhole = inside["keyhole_brightness"]
    keyhole_known = int(keyhole.seen.sum()) >= 30
    if keyhole_known:
        row["keyhole_collapses_per_s"] = collapses(keyhole, settings).per_s
    agitation = frames["agitation_power"].to_numpy(dtype=np.float64)[part]
    agitation_known = int(np.isfinite(agitation).sum()) >= 30
    if agitation_known:
        row["agitation_mean"] = math.sqrt(max(float(np.nanmean(agitation)), 0.0))
    parts: dict[str, PartSeries | None] = {
        "pool_length": variation(inside["pool_length"]),
        "pool_width": variation(inside["pool_width"]),
        "pool_area": variation(inside["pool_area"]),
        "agitation": root_level(Series("agitation", agitation, rate, "")) if agitation_known else None,
        "keyhole": variation(keyhole) if keyhole_known else None,
        "collapses": collapse_share(keyhole) if keyhole_known else None,
    }
    if spatter is not None:
        more, more_parts = _spatter(
            spatter,
            steady,
            recording,
            min_diameter_mm,
            density_kg_m3,
            keyhole if keyhole_known else None,
            settings,
        )
        row |= more
        parts |= more_parts
    index = stability_index(
        {name: p for name, p in parts.items() if p is not None and name not in leave_out},
        settings,
        band_hz=band_hz,
    )
    if any(settings.index.parts[name].weight > 0 for name in index.left_out):
        flags.add("index_partial")
    if short or index.too_short:
        flags.add("too_short")
    row |= {
        "stability_index": index.value,
        "stability_index_low": index.low,
        "stability_index_high": index.high,
        **{f"d_{name}": index.parts[name].desirability for name in INDEX_PARTS if name in index.parts},
    }
    import pandas as pd

    spectra = SPECTRA.frame(pd.concat(tables, ignore_index=True) if tables else None)
    return Scored(row, spectra, steady, (start, stop), check_flags(flags))


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


def _figures(name: str, column: str, found: Fluctuation) -> dict[str, float]:
    suffix = column.removeprefix(name)
    return {
        f"{name}_mean{suffix}": found.mean,
        f"{name}_mean_low": found.mean_low,
        f"{name}_mean_high": found.mean_high,
        f"{name}_cv": found.cv,
        f"{name}_cv_low": found.cv_low,
        f"{name}_cv_high": found.cv_high,
    }


def _spectrum_rows(name: str, spec: Any, unit: str) -> pd.DataFrame:
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


def _spatter(
    spatter: pd.DataFrame,
    steady: SteadyPart,
    recording: Recording,
    min_diameter_mm: float,
    density_kg_m3: float | None,
    keyhole: Series | None,
    settings: StabilitySettings,
) -> tuple[dict[str, Any], dict[str, PartSeries | None]]:
    """Spatter figures of the score row, and the parts of the index that rest on them."""
    rate = recording.record_rate_hz
    left = spatter["left_frame"].to_numpy(dtype=np.float64)
    left = np.where(np.isfinite(left), left, spatter["first_frame"].to_numpy(dtype=np.float64))
    diameter = spatter["diameter_mm"].to_numpy(dtype=np.float64)
    counted = (left >= steady.start) & (left < steady.stop)
    if math.isfinite(min_diameter_mm):
        # Below the size that half of are seen, the count says more of the camera than of the weld.
        counted &= ~(diameter < min_diameter_mm)
    length_frames = steady.stop - steady.start
    duration = length_frames / rate
    at = left[counted] - steady.start
    count = int(counted.sum())
    burst = fano(counts_per_window(at, length_frames, max(length_frames // _WINDOWS, 1)))
    interval = rate_interval(count, duration, fano=burst.value)
    row: dict[str, Any] = {
        "spatter_count": count,
        "spatter_per_s": interval.value,
        "spatter_per_s_low": interval.low,
        "spatter_per_s_high": interval.high,
        "spatter_min_diameter_mm": min_diameter_mm,
        "spatter_fano": burst.value,
        "spatter_fano_low": burst.poisson_low,
        "spatter_fano_high": burst.poisson_high,
    }
    parts: dict[str, PartSeries | None] = {}
    d = diameter[counted]
    d = d[np.isfinite(d)]
    if len(d):
        row |= {f"spatter_d{q}_mm": float(np.percentile(d, q)) for q in (10, 50, 90)}
        row["spatter_sauter_mm"] = float((d**3).sum() / (d**2).sum())
        row["spatter_speed_median_mm_s"] = float(
            np.nanmedian(spatter["speed_mm_s"].to_numpy(dtype=np.float64)[counted])
        )
        row |= _directions(spatter["direction_deg"].to_numpy(dtype=np.float64)[counted])
    if recording.travel_speed_mm_s:
        metres = recording.travel_speed_mm_s * duration / 1000.0
        row["spatter_per_m"] = count / metres
        parts["spatter_count"] = events(at, length_frames, 1000.0 * metres)
        if density_kg_m3 is not None and (count == 0 or len(d)):
            mass_mg = spatter["mass_ug"].to_numpy(dtype=np.float64)[counted] / 1000.0
            mass_mg = np.where(np.isfinite(mass_mg), mass_mg, np.nanmean(mass_mg) if len(d) else 0.0)
            row["spatter_mass_mg_per_m"] = float(mass_mg.sum()) / metres
            smallest = min_diameter_mm if math.isfinite(min_diameter_mm) and min_diameter_mm > 0 else 0.05
            # kg/m³ × mm³ = µg.
            typical = (
                float(np.mean(mass_mg)) if len(d) else density_kg_m3 * math.pi / 6 * smallest**3 / 1000.0
            )
            parts["spatter_mass"] = events(at, length_frames, metres, amounts=mass_mg, typical=typical)
    if keyhole is not None and count >= 3:
        before = event_triggered(keyhole, at, settings)
        row["keyhole_before_spatter"] = before.before
        row["keyhole_before_spatter_p"] = before.p
    return row, parts


def _directions(degrees: NDArray[np.float64]) -> Mapping[str, float]:
    """Shares flying within 45° of each of the four ways."""
    known = degrees[np.isfinite(degrees)]
    if not len(known):
        return {}
    quarter = np.round(known / 90.0).astype(int) % 4
    return {
        f"spatter_share_{name}": float((quarter == k).mean())
        for k, name in enumerate(("forward", "left", "back", "right"))
    }
