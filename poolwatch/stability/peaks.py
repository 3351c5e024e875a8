"""Peaks that stand out of the continuum, with frequency and amplitude to better than a bin."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .conditioning import condition
from .series import Series
from .settings import StabilitySettings
from .spectra import Spectrum

# Variance of a Hann-weighted least-squares fit over that of an even one: of the amplitude (its noise bandwidth),
# and of the frequency, integral of w² t² times that of t² over (integral of w t²)² on -1/2 to 1/2.
_HANN_AMPLITUDE = 1.5
_T = np.linspace(-0.5, 0.5, 2001)
_W = 0.5 + 0.5 * np.cos(2 * np.pi * _T)
_HANN_FREQUENCY = float(np.mean(_W**2 * _T**2) * np.mean(_T**2) / np.mean(_W * _T**2) ** 2)


@dataclass(frozen=True)
class Peak:
    """A peak of a spectrum.

    Attributes
    ----------
    frequency_hz, frequency_u_hz
        Frequency and its standard uncertainty, Hz.
    amplitude, amplitude_u
        Amplitude of the sinusoid (half its swing) and its standard uncertainty, unit of the series. For a broad
        peak: that of the sinusoid with the same power.
    prominence
        Highest bin over the continuum.
    width_hz
        0 for a tone; else the width of a broad peak, Hz.
    """

    frequency_hz: float
    frequency_u_hz: float
    amplitude: float
    amplitude_u: float
    prominence: float
    width_hz: float


def peaks(spectrum: Spectrum, series: Series, settings: StabilitySettings) -> tuple[Peak, ...]:
    """Peaks of a spectrum, strongest first.

    A group of neighbouring bins above `Spectrum.peak_level` is a peak. Within it, sinusoids are fitted one after
    the other to the whole series by Hann-weighted least squares over the measured frames. Where they carry too
    little of the group's power the peak is broad: its centroid and width are given.

    Parameters
    ----------
    spectrum
        From `spectrum` of the same series and settings.
    series
        The series.
    settings
        All settings of this room.

    Notes
    -----
    A tone above half the record rate appears mirrored below it; no test on one series can tell.
    """
    c = condition(series, settings.conditioning)
    frames = c.seen
    x = np.where(frames, np.nan_to_num(c.values), 0.0)
    n = len(x)
    window = np.where(frames, 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(n) + 0.5) / n), 0.0)
    duration = n / series.rate_hz
    step = float(spectrum.frequency_hz[1])
    found: list[Peak] = []
    groups = sorted(((_excess(spectrum, *group), *group) for group in _hot(spectrum)), reverse=True)
    for excess, first, last in groups:
        strongest = sorted((peak.amplitude for peak in found), reverse=True)[: settings.spectrum.max_peaks]
        if len(strongest) == settings.spectrum.max_peaks and 2 * excess < 0.25 * strongest[-1] ** 2:
            # A line has no more than its group's power; twice the amplitude is left for chance. Nothing in the groups
            # that are left is among the strongest.
            break
        # A cosine and a sine are one function at 0 and at half the rate: keep a resolution away.
        low = max(float(spectrum.frequency_hz[first]) - step, c.low_hz / 2, 0.75 / duration)
        high = min(float(spectrum.frequency_hz[last]) + step, series.rate_hz / 2 - 0.75 / duration)
        red = float(np.mean(spectrum.red_noise[first : last + 1]))
        ratio = float(np.max(spectrum.psd[first : last + 1] / spectrum.red_noise[first : last + 1]))
        # A line at least this high cannot be the continuum's own (whole-length bins, exponential).
        bins = max(4.0, (high - low) * duration)
        least = red * 1.5 / duration * 2 * math.log(bins / settings.spectrum.false_alarm)
        rest = x.copy()
        lines: list[Peak] = []
        for _ in range(4):
            frequency, amplitude, phase = _tone(rest, window, series.rate_hz, low, high)
            if amplitude**2 < least or (lines and amplitude < 0.1 * lines[0].amplitude):
                break
            u_f = math.sqrt(3 * red / (math.pi**2 * amplitude**2 * duration**3) * _HANN_FREQUENCY)
            u_a = math.sqrt(red / duration * _HANN_AMPLITUDE)
            lines.append(Peak(frequency, u_f, amplitude, u_a, ratio, 0.0))
            rest -= amplitude * np.cos(2 * np.pi * frequency * np.arange(n) / series.rate_hz + phase) * frames
        power = sum(line.amplitude**2 / 2 for line in lines)
        if lines and power >= settings.spectrum.line_share * excess:
            found += lines
        else:
            found.append(_broad(spectrum, first, last, excess, ratio))
    found.sort(key=lambda peak: -peak.amplitude)
    return tuple(found[: settings.spectrum.max_peaks])


def _hot(spectrum: Spectrum) -> list[tuple[int, int]]:
    """Groups of bins above the level of a peak, at most one bin between; 0 and half the rate are none."""
    hot = np.flatnonzero(spectrum.psd > spectrum.peak_level)
    hot = hot[(hot > 0) & (hot < len(spectrum.psd) - 1)]
    groups: list[tuple[int, int]] = []
    for bin_ in hot.tolist():
        if groups and bin_ - groups[-1][1] <= 2:
            groups[-1] = (groups[-1][0], bin_)
        else:
            groups.append((bin_, bin_))
    return groups


def _excess(spectrum: Spectrum, first: int, last: int) -> float:
    """Variance above the continuum in a group and the bins beside it."""
    part = slice(max(first - 1, 0), last + 2)
    return float(
        np.sum(np.maximum(spectrum.psd[part] - spectrum.red_noise[part], 0)) * spectrum.frequency_hz[1]
    )


def _broad(spectrum: Spectrum, first: int, last: int, excess: float, ratio: float) -> Peak:
    part = slice(max(first - 1, 0), last + 2)
    f = spectrum.frequency_hz[part]
    weight = np.maximum(spectrum.psd[part] - spectrum.red_noise[part], 0)
    centre = float(np.sum(f * weight) / np.sum(weight))
    width = 2 * math.sqrt(max(float(np.sum((f - centre) ** 2 * weight) / np.sum(weight)), 0.0))
    # Each resolution cell of the whole series within the peak gives an exponential's worth of knowledge.
    cells = max(1.0, width / spectrum.resolution_hz)
    amplitude = math.sqrt(2 * excess)
    return Peak(
        centre, width / 2 / math.sqrt(cells), amplitude, amplitude / 2 / math.sqrt(cells), ratio, width
    )


def _tone(
    x: NDArray[np.float64], window: NDArray[np.float64], rate_hz: float, low_hz: float, high_hz: float
) -> tuple[float, float, float]:
    """Frequency, amplitude and phase of the strongest sinusoid in a range, by weighted least squares.

    A padded transform finds it to half a bin. Then the series is shifted to zero frequency and summed in short
    pieces, so that each trial frequency costs a few hundred terms and not the whole series.
    """
    from scipy.fft import next_fast_len, rfft
    from scipy.optimize import minimize_scalar

    n = len(x)
    size = next_fast_len(2 * n, real=True)
    first = max(1, round(low_hz * size / rate_hz))
    last = max(first, min(round(high_hz * size / rate_hz), size // 2 - 1))
    top = first + int(np.argmax(np.abs(rfft(window * x, size)[first : last + 1])))
    centre = top * rate_hz / size
    half = rate_hz / size
    piece = max(1, n // 256)
    t = np.arange(n) / rate_hz
    turned = np.exp(-2j * np.pi * centre * t)
    starts = np.arange(0, n, piece)
    sums = np.add.reduceat(window * x * turned, starts)
    # The mirrored part of the weights matters near frequency 0 and half the rate only.
    mirror = np.add.reduceat(window * turned**2, starts)
    weight = np.add.reduceat(window, starts)
    middle = np.minimum(starts + piece, n)
    middle = (starts + middle - 1) / 2 / rate_hz

    def solve(offset: float) -> tuple[float, complex]:
        turn = np.exp(-2j * np.pi * offset * middle)
        y = turn @ sums
        m = turn**2 @ mirror
        w = weight.sum()
        # Minimise sum w (x - Re(z e^{iwt}))²: (w z + m conj(z)) / 2 = y, and its conjugate.
        z = 2 * (w * y - m * np.conj(y)) / (w**2 - np.abs(m) ** 2)
        return float(np.real(np.conj(z) * y)), complex(z)

    result = minimize_scalar(
        lambda offset: -solve(offset)[0],
        bounds=(-half, half),
        method="bounded",
        options={"xatol": half * 1e-4},
    )
    offset = float(result.x)
    z = solve(offset)[1]
    # Sum of a piece of a tone that is off the centre is a little low.
    loss = float(np.sinc(offset * piece / rate_hz))
    return centre + offset, abs(z) / loss, math.atan2(z.imag, z.real)
