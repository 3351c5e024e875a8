"""Mean and fluctuation of one series, measurement noise taken out, with intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .background import Background, fit
from .conditioning import Conditioned, band_pass, check_band, condition
from .longrun import mean_error
from .series import Series
from .settings import StabilitySettings


@dataclass(frozen=True)
class Fluctuation:
    """Mean and fluctuation of a series.

    Attributes
    ----------
    mean, mean_low, mean_high
        Mean of the measured frames and its interval.
    sd, sd_low, sd_high
        Standard deviation of the fluctuation in the band, measurement noise taken out, and its interval.
    cv, cv_low, cv_high
        `sd` over the mean, and its interval; NaN where the mean is not above 0.
    noise_sd
        Standard deviation of the measurement noise of one frame that was taken out.
    noise_known
        Whether the noise could be told from the pool's own fluctuation: it was given, or a floor stands out.
    effective_n
        Independent frames that would give the mean as well.
    band_low_hz, band_high_hz
        Band of the fluctuation, Hz. Where no band was asked for, drift stays that is no more than the
        continuum gives below `band_low_hz`; else it is taken out, and put back is what the continuum would give if
        it went on at its level there. So the value does not depend on the length of the series.
    frames
        Measured frames.
    too_short
        The series is too short against its slowest motion for its intervals to be trusted.
    """

    mean: float
    mean_low: float
    mean_high: float
    sd: float
    sd_low: float
    sd_high: float
    cv: float
    cv_low: float
    cv_high: float
    noise_sd: float
    noise_known: bool
    effective_n: float
    band_low_hz: float
    band_high_hz: float
    frames: int
    too_short: bool


@dataclass(frozen=True)
class Energy:
    """The parts that a fluctuation is made of.

    Attributes
    ----------
    signal
        Shape (n,): conditioned signal in the band, 0 where not measured.
    seen
        Shape (n,): True where measured.
    total
        Mean square of the signal over the measured frames.
    restored
        Variance put back below the band (0 where a band was asked for).
    noise
        Variance of the measurement noise within the band, with the ends of its interval.
    background
        The continuum.
    conditioned
        The conditioned series.
    band_hz
        Ends of the band, Hz.
    noise_sd
        Standard deviation of the noise of one frame.
    noise_known
        As in `Fluctuation`.
    noise_shared
        Whether chance in the noise moves `total` and the noise taken out alike.
    """

    signal: NDArray[np.float64]
    seen: NDArray[np.bool_]
    total: float
    restored: float
    noise: tuple[float, float, float]
    background: Background
    conditioned: Conditioned
    band_hz: tuple[float, float]
    noise_sd: float
    noise_known: bool
    noise_shared: bool


def energy(
    series: Series, settings: StabilitySettings, *, band_hz: tuple[float, float] | None = None
) -> Energy:
    """Condition a series, fit its continuum, and tell noise from fluctuation.

    Raises
    ------
    MeasurementError
        Too few frames were measured.
    UsageError
        The series cannot show the band.
    """
    check_band(band_hz, series.rate_hz, series.duration_s)
    nyquist = series.rate_hz / 2
    low, high = band_hz or (None, nyquist)
    c = condition(series, settings.conditioning, low_hz=None if low is None else max(low, 1e-9))
    low, high = c.low_hz if low is None else low, min(high, nyquist)
    share = float(np.mean(np.isfinite(c.values)))
    background = fit(c.filled, series.rate_hz, c.low_hz, share=share)
    restored = 0.0
    if band_hz is None:
        level = float(background.psd(np.array([low]))[0]) / (2 * c.duration_s)
        if c.drift_energy() <= level * _chance_drift(
            c.cosines - 1
        ) and c.slowest_energy() <= level * _chance_drift(2):
            # What was taken for drift is no more than the continuum gives there: it stays.
            c = c.with_drift(series.values, settings.conditioning.bridge_frames)
            background = fit(c.filled, series.rate_hz, c.low_hz, share=share)
        restored = level * c.cosines
    filled = c.filled
    signal = filled if high >= nyquist else band_pass(filled, series.rate_hz, 0.0, high)
    signal = np.where(c.seen, signal, 0.0)
    total = float(np.sum(signal**2) / c.seen.sum())
    noise, known, shared = _noise(series, background, settings, int(c.seen.sum()))
    width = (high - (0.0 if band_hz is None else low)) / nyquist
    lowest, best, most = (min(value * width, total + restored) for value in noise)
    _, likely, _ = noise
    return Energy(
        signal,
        c.seen,
        total,
        restored,
        (lowest, best, most),
        background,
        c,
        (low, high),
        math.sqrt(likely),
        known,
        shared,
    )


def _chance_drift(functions: int) -> float:
    """Sum of squares of so many coefficients of a continuum of level 1 that chance passes once in two hundred.

    Two such sums are tried, that of all slow functions and that of the slowest two: a steady rise among many functions
    would pass for chance.
    """
    from scipy.special import chdtri

    return float(chdtri(functions, 0.005))


def _noise(
    series: Series, background: Background, settings: StabilitySettings, frames: int
) -> tuple[tuple[float, float, float], bool, bool]:
    """Variance of the noise of one frame (low end, best, high end); whether it could be told; whether it is shared."""
    if series.noise_sd is not None:
        variance = series.noise_sd**2
        return (variance, variance, variance), True, False
    b = background
    if b.evidence > settings.noise.evidence and b.memory_evidence > settings.noise.memory_evidence:
        return (b.white_low * b.variance, b.white * b.variance, b.white_high * b.variance), True, False
    # No floor stands out under the red noise. A continuum without memory is either: what lies flat under peaks is
    # taken for noise; where nothing stands out, nothing tells them apart and all of it is the pool's.
    flat = (
        b.red_phi < math.exp(-1 / settings.noise.memory_frames)
        or b.memory_evidence <= settings.noise.memory_evidence
    )
    if flat and b.peak_power > 0:
        error = 1.96 * math.sqrt(2 / frames)
        return (b.red_variance * (1 - error), b.red_variance, b.red_variance * (1 + error)), True, True
    if flat:
        return (0.0, 0.0, 0.0), False, False
    return (0.0, 0.0, b.white_high * b.variance), True, False


def fluctuation(
    series: Series, settings: StabilitySettings, *, band_hz: tuple[float, float] | None = None
) -> Fluctuation:
    """Mean and fluctuation of a series with intervals.

    Parameters
    ----------
    series
        The steady part of a signal.
    settings
        All settings of this room.
    band_hz
        Band in which the fluctuation is taken, Hz; from the drift frequency to half the rate where it is not given.

    Notes
    -----
    White measurement noise and a pool that fluctuates without any memory from frame to frame look the same.
    Without `Series.noise_sd`, the floor under red noise is noise as far as the likelihood tells it apart; a flat
    continuum is noise where peaks stand out of it; where the whole spectrum is flat it counts as the pool's own,
    so that unsteadiness is never understated.

    The variance is a mean of squares, so its standard error comes from the long-run variance of the squares, and
    Student's t on the log scale gives its interval; that of the noise is joined by the method of variance
    estimates recovery (Zou & Donner 2008, doi:10.1002/sim.2999).

    Raises
    ------
    MeasurementError
        Too few frames were measured.
    UsageError
        The series cannot show the band.
    """
    return summary(series, energy(series, settings, band_hz=band_hz), settings)


def summary(series: Series, e: Energy, settings: StabilitySettings) -> Fluctuation:
    """Mean and fluctuation from the energy of the same series."""
    from scipy.special import stdtrit

    b = e.background
    tail = 0.5 + settings.interval.confidence / 2
    values = series.values[e.seen]
    level = mean_error(values, b.phi, white=b.white)
    mean = float(values.mean())
    half = float(stdtrit(level.dof, tail)) * level.se
    squares = e.signal[e.seen] ** 2
    total, total_low, total_high = total_interval(e, squares, tail)
    noise_low, noise, noise_high = e.noise
    variance = max(total - noise, 0.0)
    low = max(variance - _joined(total - total_low, noise_high - noise, e.noise_shared), 0.0)
    high = variance + _joined(total_high - total, noise - noise_low, e.noise_shared)
    sd, sd_low, sd_high = math.sqrt(variance), math.sqrt(low), math.sqrt(high)
    cv = cv_low = cv_high = math.nan
    if mean > 0:
        cv = sd / mean
        # The mean's own error, on the log scale.
        spread = half / mean
        ratio_low = math.hypot(_log_ratio(sd, sd_low), spread)
        ratio_high = math.hypot(_log_ratio(sd_high, sd), spread)
        cv_low = cv * math.exp(-ratio_low)
        cv_high = cv * math.exp(ratio_high) if sd > 0 else sd_high / mean
    return Fluctuation(
        mean,
        mean - half,
        mean + half,
        sd,
        sd_low,
        sd_high,
        cv,
        cv_low,
        cv_high,
        e.noise_sd,
        e.noise_known,
        level.effective_n,
        *e.band_hz,
        int(e.seen.sum()),
        level.effective_n < settings.interval.min_effective_n,
    )


def total_interval(e: Energy, squares: NDArray[np.float64], tail: float) -> tuple[float, float, float]:
    """Variance before noise is taken out, and the ends of its interval."""
    from scipy.special import chdtri, gammaincinv, ndtr, stdtrit

    b = e.background
    total = e.total + e.restored
    if not total > 0:
        return 0.0, 0.0, 0.0
    error = mean_error(squares, b.phi**2, white=_square_white(b.white))
    # Few cosines scatter: they are pooled with what a Gaussian series of this continuum would have, unless they say
    # significantly more (bursts).
    squared = (1 - b.white) ** 2 * b.phi**2
    gaussian = b.variance**2 * 2 / len(squares) * (1 + 2 * squared / (1 - b.phi**2))
    bursts = error.se**2 > gaussian * float(chdtri(error.dof, 0.05)) / error.dof
    relative = math.sqrt(error.se**2 if bursts else (error.se**2 + gaussian) / 2) / total
    if e.restored > 0:
        # The part put back is as uncertain as the level of the AR(1) spectrum at frequency 0.
        relative += e.restored / total * 2 * math.sqrt((1 + b.phi) / ((1 - b.phi) * len(squares)))
    # A mean square of a Gaussian series is about a scaled chi-square, whose degrees of freedom follow from its
    # relative error; Student's t widens it for the error of that error.
    freedom = 2 / relative**2 if relative > 0 else math.inf
    if not math.isfinite(freedom):
        return total, total, total
    miss = float(ndtr(-stdtrit(error.dof, tail)))
    return (
        total,
        total * freedom / float(chdtri(freedom, miss)),
        total * freedom / float(2.0 * gammaincinv(0.5 * freedom, miss)),
    )


def _square_white(white: float) -> float:
    """Share of the white part in the variance of the squares: their correlation is the square of the series'."""
    red = (1 - white) ** 2
    return 1 - red


def _joined(total: float, noise: float, shared: bool) -> float:
    """Half-width of a difference; a noise whose error is shared by the total drops out of it."""
    return math.sqrt(max(total**2 - noise**2, 0.25 * total**2)) if shared else math.hypot(total, noise)


def _log_ratio(above: float, below: float) -> float:
    return math.log(above / below) if below > 0 else math.inf
