"""Ripples of the finished weld against the pool's own oscillation: frequency = travel speed / spacing.

Common practice, no source: each ripple is taken for one swing of the pool.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..model.errors import OutputError
from ..model.quantities import SIGNALS
from ..model.table import read_csv
from ..model.tables import SCORE, SPECTRA

# Frequencies agree where they differ by at most so many combined standard uncertainties.
_COVERAGE = 2.0


@dataclass(frozen=True)
class RippleAgreement:
    """A peak of the pool beside the rate at which ripples froze.

    Attributes
    ----------
    signal
        Which of the pool's signals.
    peak_hz, peak_u_hz
        Its peak and standard uncertainty.
    agrees
        Whether the two differ by no more than two combined standard uncertainties.
    """

    signal: str
    peak_hz: float
    peak_u_hz: float
    agrees: bool


def ripple_rate(row: Mapping[str, Any], travel_speed_mm_s: float) -> tuple[float, float]:
    """Rate of ripples and its standard uncertainty, Hz, of a row of `BEAD`; NaN without a spacing."""
    spacing, u = row["bead_ripple_spacing_mm"], row["bead_ripple_spacing_u_mm"]
    rate = travel_speed_mm_s / spacing
    return rate, rate * u / spacing


def read_scores(path: str | Path) -> list[dict[str, Any]]:
    """Rows of a measured clip's or a trial's folder, or of a file like score.csv; each with its folder.

    Raises
    ------
    OutputError
        There is none.
    """
    path = Path(path)
    if path.is_dir():
        files = [path / name for name in ("score.csv", "scores.csv") if (path / name).is_file()]
        if not files:
            raise OutputError(
                f"{path}: holds no score.csv or scores.csv; measure the clip or the trial first"
            )
        path = files[0]
    rows: list[dict[str, Any]] = read_csv(path, SCORE).to_dict("records")
    for row in rows:
        folder = row.get("folder")
        row["_folder"] = path.parent / folder if isinstance(folder, str) and folder else path.parent
    return rows


def compare_with_pool(rate_hz: float, rate_u_hz: float, score: Mapping[str, Any]) -> list[RippleAgreement]:
    """The ripples' rate against each peak that a clip's score row holds."""
    made = []
    for name in (signal.name for signal in SIGNALS if signal.peak):
        peak = score.get(f"{name}_peak_hz")
        if peak is None or not math.isfinite(peak):
            continue
        u = _peak_u(score, name, float(peak))
        agrees = abs(peak - rate_hz) <= _COVERAGE * math.hypot(u, rate_u_hz)
        made.append(RippleAgreement(name, float(peak), u, agrees))
    return made


def _peak_u(score: Mapping[str, Any], signal: str, peak_hz: float) -> float:
    """Half the breadth of the peak in the clip's spectrum; without one, what the length of the clip resolves."""
    start, stop = score.get("steady_start_s"), score.get("steady_end_s")
    resolved = 1 / (stop - start) if start is not None and stop is not None and stop > start else 0.0
    file = Path(score["_folder"]) / SPECTRA.name
    if not file.is_file():
        return resolved
    table = read_csv(file, SPECTRA)
    table = table[table["signal"] == signal]
    frequency = table["frequency_hz"].to_numpy(dtype=float)
    if len(frequency) < 2:
        return resolved
    hot = (table["psd"] > table["peak_level_psd"]).to_numpy()
    step = float(frequency[1] - frequency[0])
    at = int(np.argmin(np.abs(frequency - peak_hz)))
    low = high = at
    while low > 0 and hot[low - 1]:
        low -= 1
    while high < len(hot) - 1 and hot[high + 1]:
        high += 1
    # A line fills a bin or two of averaged pieces; what is broader swings at several rates.
    broad = (high - low + 1) * step / 2 if high - low > 2 else 0.0
    return max(resolved, broad)
