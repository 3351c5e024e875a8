"""Power spectra by Welch's method."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .background import fit
from .conditioning import Conditioned, band_pass, check_band, condition
from .series import Series, runs
from .settings import StabilitySettings


@dataclass(frozen=True)
class Spectrum:
    """One-sided power spectral density of the conditioned signal.

    Attributes
    ----------
    frequency_hz
        Shape (k,), Hz.
    psd
        Shape (k,): density; its sum times the spacing is the variance of the conditioned signal (drift taken out,
        measurement noise still in).
    red_noise
        Shape (k,): continuum of red noise and white floor, same unit.
    peak_level
        Shape (k,): level that a bin must pass to count as a peak, same unit.
    resolution_hz
        One over the length of the series: two tones nearer than about this cannot be told apart, Hz.
    segments
        Number of averaged segments.
    segment_frames
        Length of a segment, frames.
    unit
        Unit of the density.
    """

    frequency_hz: NDArray[np.float64]
    psd: NDArray[np.float64]
    red_noise: NDArray[np.float64]
    peak_level: NDArray[np.float64]
    resolution_hz: float
    segments: int
    segment_frames: int
    unit: str


def spectrum(
    series: Series, settings: StabilitySettings, *, band_hz: tuple[float, float] | None = None
) -> Spectrum:
    """Welch spectrum (Hann, half overlap, one-sided density) with its continuum and the level of a peak.

    Parameters
    ----------
    series
        The steady part of a signal.
    settings
        All settings of this room.
    band_hz
        Band of the conditioned signal, Hz; from the drift frequency to half the rate where it is not given.

    Raises
    ------
    MeasurementError
        Too few frames were measured.
    UsageError
        The series cannot show the band.

    References
    ----------
    Welch 1967, doi:10.1109/TAU.1967.1161901.
    """
    check_band(band_hz, series.rate_hz, series.duration_s)
    low, high = band_hz or (None, math.inf)
    c = condition(series, settings.conditioning, low_hz=None if low is None else max(low, 1e-9))
    values = c.values
    if high < series.rate_hz / 2:
        kept = band_pass(c.filled, series.rate_hz, 0.0, high)
        values = np.where(np.isfinite(values), kept, np.nan)
    size, starts = _segments(c, settings.spectrum.segments)
    frequency, psd = _welch(values, series.rate_hz, size, starts)
    variance = float(np.sum(np.where(c.seen, np.nan_to_num(values), 0.0) ** 2) / c.seen.sum())
    area = float(psd.sum() * frequency[1])
    if area > 0:
        psd *= variance / area
    share = float(np.mean(np.isfinite(c.values)))
    background = fit(c.filled, series.rate_hz, c.low_hz, share=share)
    red = background.psd(frequency)
    level = red * _peak_ratio(len(starts), len(frequency), int(c.seen.sum()), settings.spectrum.false_alarm)
    unit = f"({series.unit})²/Hz" if series.unit else "1/Hz"
    return Spectrum(frequency, psd, red, level, 1 / series.duration_s, len(starts), size, unit)


def welch_dof(segments: int) -> float:
    """Degrees of freedom of a bin: half-overlapping Hann segments share 1/36 of their variance."""
    return 2 * segments / (1 + 2 / 36 * (segments - 1) / segments)


def _peak_ratio(segments: int, bins: int, frames: int, false_alarm: float) -> float:
    """Ratio to the continuum that the largest of all bins passes with the given probability.

    A bin is chi-square; the continuum has three parameters fitted to half as many bins as there are frames, which is
    as if it were chi-square with a third as many degrees of freedom: their ratio is F.
    """
    # From scipy.special here and elsewhere in this room: scipy.stats alone takes 0.7 s to import.
    from scipy.special import betaincinv

    # Upper quantile of the F distribution by its incomplete beta function.
    a, b = 0.5 * welch_dof(segments), 0.5 * max(frames / 3, 4)
    w = float(betaincinv(b, a, -math.expm1(math.log1p(-false_alarm) / bins)))
    return b * (1.0 - w) / (a * w)


def _segments(c: Conditioned, wanted: int) -> tuple[int, list[int]]:
    """Length and starts of the segments: as even as possible within each run between long gaps."""
    n = len(c.values)
    size = max(8, int(2 * n / (wanted + 1)))
    present = runs(np.isfinite(c.values))
    while True:
        starts: list[int] = []
        for begin, end in present:
            room = int(end - begin) - size
            if room >= 0:
                count = room // max(1, size // 2) + 1
                starts += (
                    [int(begin) + int(s) for s in np.linspace(0, room, count)] if count > 1 else [int(begin)]
                )
        # Broken series get shorter segments rather than few.
        if len(starts) >= min(3, wanted) or size <= 8:
            return size, starts or [0]
        size = max(8, size // 2)


def _welch(
    values: NDArray[np.float64], rate_hz: float, size: int, starts: list[int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    from scipy.fft import rfft

    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    filled = np.nan_to_num(values)
    total = np.zeros(size // 2 + 1)
    for start in starts:
        total += np.abs(rfft(filled[start : start + size] * window)) ** 2
    psd = total / len(starts) / (rate_hz * np.sum(window**2))
    psd[1:] *= 2
    if size % 2 == 0:
        psd[-1] /= 2
    return np.arange(size // 2 + 1) * rate_hz / size, psd
