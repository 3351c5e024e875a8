"""Ripples of the bead: their trail across it, their spacing along it, how regular they are.

Rows of the bead are band-passed around a likely spacing, the trail of the ripples across the bead is taken from the
phase between neighbouring rows, and the rows are averaged along that trail. Whether a spacing stands out of a red-noise
background is asked of the averaged row by the test that the caller hands in (see `PeakTest`); both halves of the bead
must also carry it in step, which grain and scratches do not.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter

from .facts import Edges, Floats, Ripples, Strip
from .looks import sample

PeakTest = Callable[[Floats], tuple[float, ...]]
"""From a row of values one px apart to the frequencies (1/px) that stand out of red noise, strongest first."""

# Spacings looked for: at least so many px, and so many bead widths at most.
_LEAST_PX, _MOST_WIDTHS = 3.5, 1.2
# Share of the half width that is used, and half the relative width of a band.
_USED, _BAND = 0.7, 0.3
_CANDIDATES = 3
# How far the point spread is taken out of fine ripples, in amplitude.
_MOST_GAIN = 6.0
# Chance that two halves of a bead without ripples agree so well.
_CHANCE = 1e-4


def find_ripples(strip: Strip, edges: Edges, *, stands_out: PeakTest) -> Ripples:
    """Find the ripples of a bead; none is a NaN spacing."""
    judged = np.flatnonzero(edges.judged)
    part = slice(int(judged[0]), int(judged[-1]) + 1)
    blur = 0.0 if edges.by_texture else min(edges.left.blur, edges.right.blur)
    rows, across = _rows(strip, edges, part, blur)
    width = float(np.median(edges.width[part]))
    count = strip.light.shape[1]
    none = Ripples(math.nan, math.nan, math.nan, np.full(count, math.nan), np.empty((0, 2)))
    best: tuple[float, Ripples] | None = None
    for frequency in _likely(rows, width):
        found = _at(rows, across, frequency, lambda mean: _standing_out(mean, blur, stands_out))
        if found is not None and (best is None or found[0] > best[0]):
            spacing, u, order, phase, trail = found[1:]
            whole = np.full(count, math.nan)
            whole[part] = phase
            best = found[0], Ripples(spacing, u, order, whole, trail)
    return none if best is None else best[1]


def _rows(strip: Strip, edges: Edges, part: slice, blur: float) -> tuple[Floats, Floats]:
    """Rows of the bead, straightened, freed of what is slow along it: (k, columns) and their places, half widths."""
    grey = strip.light.mean(axis=2)
    centre = gaussian_filter1d(edges.centre, 5.0)
    half = float(np.median(edges.width[part])) / 2
    reach = _USED * half
    places = np.arange(-reach, reach + 0.01, max(1.0, half / 40))
    straight = sample(grey, strip.rows(centre), -1, places)[:, part, 0].astype(np.float64)
    slow = gaussian_filter1d(straight, 0.6 * half * 2, axis=1)
    rest = straight / np.maximum(slow, 1e-3) - 1
    limit = 4 * 1.4826 * np.median(np.abs(rest)) + 1e-6
    # What the point spread took from fine ripples is put back, or their mean spacing would look too wide.
    f = np.fft.rfftfreq(rest.shape[1])
    gain = np.minimum(np.exp(2 * math.pi**2 * blur**2 * f**2), _MOST_GAIN)
    sharp = np.fft.irfft(np.fft.rfft(np.clip(rest, -limit, limit), axis=1) * gain, rest.shape[1], axis=1)
    return np.asarray(sharp), places / half


def _standing_out(mean: Floats, blur: float, stands_out: PeakTest) -> tuple[float, ...]:
    """What stands out of red noise, from the frequencies whose blur was put back whole.

    Blurred red noise is none: what falls off at its fine end makes all between stand out.
    """
    finest = math.sqrt(math.log(_MOST_GAIN) / 2) / (math.pi * max(blur, 1e-9))
    count = len(mean)
    kept = min(count, int(2 * finest * count))
    if kept < 16:
        return ()
    # Fewer samples of the same length: what is finer is left out.
    coarse = np.fft.irfft(np.fft.rfft(mean)[: kept // 2 + 1], kept) * kept / count
    return tuple(peak * kept / count for peak in stands_out(np.asarray(coarse)))


def _spectra(rows: Floats) -> tuple[Floats, Floats]:
    """Frequencies (1/px) and mean power of the rows."""
    window = np.hanning(rows.shape[1])
    power = np.mean(np.abs(np.fft.rfft(rows * window, axis=1)) ** 2, axis=0)
    return np.asarray(np.fft.rfftfreq(rows.shape[1]), np.float64), np.asarray(power, np.float64)


def _likely(rows: Floats, width: float) -> list[float]:
    """Frequencies at which the mean spectrum of the rows rises most above its surroundings."""
    frequency, power = _spectra(rows)
    smooth = gaussian_filter1d(power, max(1.0, 0.004 * len(power)))
    log = np.log(smooth + 1e-12)
    # The surroundings: a running median over an octave, on a logarithmic axis.
    first = max(3, int(len(frequency) * 2 / (_MOST_WIDTHS * width)))
    grid = np.exp(np.linspace(math.log(frequency[1]), math.log(frequency[-1]), 300))
    on_grid = np.interp(grid, frequency[1:], log[1:])
    rise = on_grid - median_filter(on_grid, 61, mode="nearest")
    low, high = max(frequency[first], 1 / (_MOST_WIDTHS * width)), 1 / _LEAST_PX
    rise[(grid < low) | (grid > high)] = -np.inf
    found: list[float] = []
    for _ in range(_CANDIDATES):
        top = int(np.argmax(rise))
        if not np.isfinite(rise[top]):
            break
        found.append(float(grid[top]))
        rise[np.abs(np.log(grid / grid[top])) < 0.35] = -np.inf
    return found


def _band(rows: Floats, frequency: float) -> Floats:
    """Analytic signal of the rows in a band around a frequency, with soft ends."""
    f = np.fft.fftfreq(rows.shape[-1])
    pass_ = np.exp(-(((f - frequency) / (_BAND * frequency)) ** 4)) * (f > 0)
    return np.asarray(np.fft.ifft(np.fft.fft(rows, axis=-1) * 2 * pass_, axis=-1))


def _trail(band: Floats, across: Floats, frequency: float) -> Floats:
    """How far the ripples trail in each row behind the middle one, px: a smooth curve through the phases."""
    steps = np.angle(np.sum(band[1:] * np.conj(band[:-1]), axis=1))
    weight = np.abs(np.sum(band[1:] * np.conj(band[:-1]), axis=1))
    lag = np.concatenate([[0.0], np.cumsum(steps)]) / (2 * math.pi * frequency)
    # Slope and curvature, the curvature of either side for itself: few enough not to follow noise.
    design = np.column_stack(
        [np.ones_like(across), across, across**2, np.abs(across) ** 3, np.sign(across) * across**2]
    )
    heavy = np.concatenate([[weight[0]], weight])
    heavy = np.sqrt(heavy / heavy.max())[:, None]
    fit = np.linalg.lstsq(design * heavy, lag * heavy[:, 0], rcond=None)[0]
    curve = design @ fit
    return np.asarray(curve - np.interp(0.0, across, curve))


def _shifted(rows: Floats, lags: Floats) -> Floats:
    """Rows moved along by their lags, so that their ripples stand in step."""
    f = np.fft.rfftfreq(rows.shape[1])
    moved = np.fft.rfft(rows, axis=1) * np.exp(-2j * math.pi * f[None, :] * lags[:, None])
    return np.asarray(np.fft.irfft(moved, rows.shape[1], axis=1))


def _at(
    rows: Floats, across: Floats, frequency: float, stands_out: PeakTest
) -> tuple[float, float, float, float, Floats, Floats] | None:
    """Power, spacing, its uncertainty, order, phase and trail of ripples near a frequency, if there are any."""
    for _ in range(2):
        band = _band(rows, frequency)
        lags = _trail(band, across, frequency)
        mean = _shifted(rows, lags).mean(axis=0)
        signal = _band(mean, frequency)
        turn = np.sum(signal[1:] * np.conj(signal[:-1]))
        better = float(np.angle(turn)) / (2 * math.pi)
        if not better > 0:
            return None
        frequency = better
    peaks = [peak for peak in stands_out(mean) if abs(peak / frequency - 1) < 0.25]
    if not peaks or not _in_step(rows, across, lags, frequency):
        return None
    # The phase wanders from ripple to ripple, so that its memory falls exponentially; noise is gone after one spacing.
    step = max(1, round(1 / frequency))
    near, far = (abs(np.mean(signal[lag:] * np.conj(signal[:-lag]))) for lag in (step, 3 * step))
    order = float(np.clip(far / near, 1e-3, 1.0) ** (1 / (2 * frequency * step)))
    scatter = math.sqrt(-math.log(min(order, 1 - 1e-6)) / (2 * math.pi**2))
    spacing = 1 / frequency
    # Half a per cent at least: where a ripple begins is a matter of its shape.
    u = spacing * math.hypot(scatter / math.sqrt(rows.shape[1] * frequency), 0.005)
    phase = np.angle(signal)
    return float(near), spacing, u, order, phase, np.column_stack([across, lags])


def _in_step(rows: Floats, across: Floats, lags: Floats, frequency: float) -> bool:
    """Whether both halves of the bead carry the ripples in step, beyond chance."""
    moved = _shifted(rows, lags)
    gap = 0.08
    one, other = (_band(moved[side].mean(axis=0), frequency) for side in (across < -gap, across > gap))
    together = abs(np.mean(one * np.conj(other))) ** 2
    coherence = float(together / max(float(np.mean(np.abs(one) ** 2) * np.mean(np.abs(other) ** 2)), 1e-30))
    # Independent pieces of a band-passed series: length times bandwidth.
    pieces = max(2.0, rows.shape[1] * frequency * 2 * _BAND * 0.9)
    return bool((1 - min(coherence, 1.0)) ** (pieces - 1) < _CHANCE)
