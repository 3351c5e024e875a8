"""How long a clip must be for a wanted interval, from a pilot clip.

Beyond the correlation time T_c of a series, what is known grows with the number of independent values in the
clip, T / T_c: every interval narrows with the square root of the clip's length T.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..model.errors import UsageError
from .pilot import Z95, Pilot, points_to_logit

Floats = NDArray[np.float64]
# Correlation times in a pilot clip below which its own figures are guesses, and in a planned clip.
LEAST_INDEPENDENT = 15.0
# Frames: longest gap in a series that is bridged by a straight line.
BRIDGED = 5


@dataclass(frozen=True)
class Memory:
    """How long a series remembers, and how much it fluctuates.

    Attributes
    ----------
    mean, sd
        Of the series, in its unit.
    correlation_s
        T_c: time that yields one independent value for the mean; n_eff = T / T_c.
    square_correlation_s
        The same for the variance: integral of the squared autocorrelation.
    clip_s
        Time that was measured.
    frames
        Frames that were measured; 0 where the correlation time was given.
    """

    mean: float
    sd: float
    correlation_s: float
    square_correlation_s: float
    clip_s: float
    frames: int = 0

    @property
    def effective_n(self) -> float:
        """Independent values in the pilot clip, for its mean."""
        return self.clip_s / self.correlation_s

    @property
    def u_rel(self) -> float:
        """Relative standard uncertainty of a clip length planned from this, rough: 0 where it was given.

        That of a mean over the lowest 0.4 n^(2/3) frequencies of n frames, or of n_eff squares, the larger.
        """
        if not self.frames:
            return 0.0
        return math.sqrt(2 / min(0.4 * self.frames ** (2 / 3), max(self.effective_n, 2.0)))


@dataclass(frozen=True)
class ClipPlan:
    """Length of clip for a wanted interval.

    Attributes
    ----------
    clip_s
        Length of the steady part, s.
    wanted
        In words: which interval.
    low_s, high_s
        Between which the length lies as far as the pilot knows it.
    notes
        What to know.
    """

    clip_s: float
    wanted: str
    low_s: float
    high_s: float
    notes: tuple[str, ...] = ()


def clip_length_for_index(pilot: Pilot, points: float) -> ClipPlan:
    """Length of clip for a wanted 95 % interval of the index of one clip.

    T = T_pilot (h_pilot / h)², h the half-widths on the logit scale; the mean over the pilot clips.

    Parameters
    ----------
    pilot
        Score rows with intervals and the ends of the steady part.
    points
        Half-width wanted, index points.

    Raises
    ------
    UsageError
        No row has an interval and a steady part, or the interval reaches beyond 0 to 100.
    """
    half = points_to_logit(points, pilot.index)
    known = np.isfinite(pilot.half_width) & np.isfinite(pilot.clip_s) & (pilot.half_width > 0)
    if not known.any():
        raise UsageError(
            "no pilot row has stability_index_low and _high with steady_start_s and steady_end_s; measure a pilot clip"
        )
    each = pilot.clip_s[known] * (pilot.half_width[known] / half) ** 2
    notes = list(pilot.notes)
    if each.mean() < pilot.clip_s[known].min() / 4:
        notes.append(
            "much shorter than the pilot clips: the square root law may not hold so far down; film a quarter of a "
            "pilot clip at least"
        )
    return ClipPlan(
        float(each.mean()),
        f"index ± {points:g} points",
        float(each.min()),
        float(each.max()),
        tuple(notes),
    )


def clip_length_for_mean(memory: Memory, half_width: float) -> ClipPlan:
    """Length of clip for a wanted 95 % interval of a mean: T = T_c (1.96 sd / h)².

    Parameters
    ----------
    memory
        From `correlation_time`, or given.
    half_width
        Half-width wanted, unit of the series.

    Raises
    ------
    UsageError
        The half-width is not above 0.
    """
    if not half_width > 0:
        raise UsageError(f"the interval wanted must be above 0, got {half_width:g}")
    return _plan(memory, memory.correlation_s * (Z95 * memory.sd / half_width) ** 2, f"mean ± {half_width:g}")


def clip_length_for_variation(memory: Memory, share: float) -> ClipPlan:
    """Length of clip for a wanted 95 % interval of a standard deviation or cv: T = T_v / 2 (1.96 / share)².

    The variance of a Gaussian series' variance is 2 sd⁴ T_v / T (Bartlett), T_v the integral of the squared
    autocorrelation.

    Parameters
    ----------
    memory
        From `correlation_time`, or given.
    share
        Half-width wanted as a share of the value, 0.1 for ± 10 %.

    Raises
    ------
    UsageError
        The share is not between 0 and 1.
    """
    if not 0 < share < 1:
        raise UsageError(f"the interval wanted must be between 0 and 1 of the value, got {share:g}")
    return _plan(
        memory, memory.square_correlation_s / 2 * (Z95 / share) ** 2, f"fluctuation ± {100 * share:g} %"
    )


def _plan(memory: Memory, seconds: float, wanted: str) -> ClipPlan:
    notes = []
    least = LEAST_INDEPENDENT * memory.correlation_s
    if seconds < least:
        notes.append(
            f"raised from {seconds:.3g} s to {LEAST_INDEPENDENT:g} correlation times, below which no interval holds"
        )
        seconds = least
    if memory.effective_n < LEAST_INDEPENDENT:
        notes.append(
            f"the pilot clip holds only {memory.effective_n:.0f} independent values: too short to plan from; "
            "film a longer pilot"
        )
    spread = 1 + memory.u_rel
    return ClipPlan(seconds, wanted, seconds / spread, seconds * spread, tuple(notes))


def correlation_time(values: Floats, rate_hz: float) -> Memory:
    """Correlation times of a series, from an autoregression fitted to it.

    Its order is chosen by Akaike's criterion; the spectrum of the fit at frequency 0 over the variance is T_c.
    Gaps of up to five frames are bridged, longer ones take no part. A straight line is taken out first.

    Parameters
    ----------
    values
        Shape (n,): one value a frame, NaN where not measured.
    rate_hz
        Record rate, Hz.

    Raises
    ------
    UsageError
        Fewer than 50 frames were measured, or the series does not move.

    References
    ----------
    Brockwell P. J., Davis R. A., Time Series: Theory and Methods, 2nd ed., Springer 1991, sections 8.1 and 9.3.
    Priestley M. B., Spectral Analysis and Time Series, Academic Press 1981, section 5.3 (variance of a variance).
    """
    seen = np.isfinite(values)
    n = int(seen.sum())
    if n < 50:
        raise UsageError(
            f"{n} measured frames are too few for a correlation time; give a clip with 50 or more"
        )
    place = np.flatnonzero(seen)
    mean = float(values[seen].mean())
    slope, offset = np.polyfit(place, values[seen], 1)
    filled, used = _bridged(values, seen)
    rest = filled - (slope * np.arange(len(values)) + offset)
    covariance = _autocovariance(rest, used, min(n // 4, 400))
    if covariance[0] <= 1e-24 * max(mean * mean, 1e-300):
        raise UsageError("the series does not move; give one that fluctuates")
    coefficients, residual = _autoregression(covariance, n)
    angle = np.pi * np.arange(8192 + 1) / 8192
    turns = np.exp(-1j * np.outer(angle, np.arange(1, len(coefficients) + 1)))
    density = residual / np.abs(1 - turns @ coefficients) ** 2
    variance = _average(density)
    return Memory(
        mean,
        math.sqrt(covariance[0] * n / max(n - 2, 1)),
        float(density[0] / variance) / rate_hz,
        float(_average(density**2) / variance**2) / rate_hz,
        n / rate_hz,
        n,
    )


def _average(density: Floats) -> float:
    """Mean over 0 to pi, trapezoids."""
    return float((density.sum() - (density[0] + density[-1]) / 2) / (len(density) - 1))


def _autocovariance(rest: Floats, used: NDArray[np.bool_], longest: int) -> Floats:
    """Autocovariance over the frames used, all lags over their number: always positive definite."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(len(rest) + longest + 1, real=True)
    products = irfft(np.abs(rfft(np.where(used, rest, 0.0), size)) ** 2, size)[: longest + 1]
    return np.asarray(products / used.sum())


def _bridged(values: Floats, seen: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.bool_]]:
    """The series with gaps of up to `BRIDGED` frames filled by straight lines, and which frames count."""
    place = np.flatnonzero(seen)
    filled = np.interp(np.arange(len(values)), place, values[seen])
    used = np.zeros(len(values), dtype=bool)
    used[place] = True
    for left, right in pairwise(place):
        if 1 < right - left <= BRIDGED + 1:
            used[left:right] = True
    return filled, used


def _autoregression(covariance: Floats, n: int) -> tuple[Floats, float]:
    """Levinson and Durbin's recursion, stopped at the order of least AIC: coefficients, residual variance."""
    best: tuple[Floats, float] = (np.empty(0), float(covariance[0]))
    least = n * math.log(covariance[0])
    now, error = np.empty(0), float(covariance[0])
    for order in range(1, len(covariance)):
        reflection = (
            (covariance[order] - now @ covariance[order - 1 : 0 : -1]) / error
            if order > 1
            else (covariance[1] / error)
        )
        if abs(reflection) >= 1:
            break
        now = np.append(now - reflection * now[::-1], reflection)
        error *= 1 - reflection**2
        criterion = n * math.log(error) + 2 * order
        if criterion < least:
            least, best = criterion, (now.copy(), error)
    return best
