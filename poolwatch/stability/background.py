"""The continuum of a spectrum: red noise of AR(1) form and a white floor, robust against peaks.

The spectrum is estimated with sine tapers (Riedel & Sidorenko 1995, doi:10.1109/78.365298) and the continuum by
Whittle likelihood, with bins that stand out taken out first, in the spirit of Mann & Lees 1996
(doi:10.1007/BF00142586), whose robust background is AR(1) alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

TAPERS = 4


@dataclass(frozen=True)
class Background:
    """Red noise plus white floor.

    Attributes
    ----------
    phi
        Lag-one correlation of the red part, 0 to 1.
    variance
        Variance of both parts over all frequencies up to half the rate.
    white
        Best share of the white floor in `variance`, 0 to 1.
    white_low, white_high
        Ends of its interval by profile likelihood.
    red_phi
        `phi` where the floor is forced to 0.
    red_variance
        `variance` where the floor is forced to 0.
    evidence
        Twice the log likelihood ratio in favour of a floor.
    memory_evidence
        Twice the log likelihood ratio against a flat continuum.
    rate_hz
        Record rate, Hz.
    peak_power
        Variance of the bins that stood out, above the continuum.
    """

    phi: float
    variance: float
    white: float
    white_low: float
    white_high: float
    red_phi: float
    red_variance: float
    evidence: float
    memory_evidence: float
    rate_hz: float
    peak_power: float

    def psd(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """One-sided density of the best continuum."""
        shape = (1 - self.white) * _red(self.phi, frequency_hz, self.rate_hz) + self.white
        return np.asarray(self.variance * shape * 2 / self.rate_hz)


def _red(
    phi: float | NDArray[np.float64], frequency_hz: NDArray[np.float64], rate_hz: float
) -> NDArray[np.float64]:
    """AR(1) spectrum with mean 1 over all frequencies."""
    angle = 2 * np.pi * frequency_hz / rate_hz
    return np.asarray((1 - phi**2) / (1 + phi**2 - 2 * phi * np.cos(angle)))


def multitaper(
    values: NDArray[np.float64], rate_hz: float, weight: float | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies and one-sided density by `TAPERS` sine tapers.

    A sine taper is a difference of two shifted spectra of the series padded to twice its length, so one
    transform serves all tapers. `weight` is the share of the frames that hold data.
    """
    from scipy.fft import next_fast_len, rfft

    n = len(values)
    m = next_fast_len(n, real=True)
    # Tapers of length m would not end with the data: use the exact series, padded only to an even fast length.
    total = np.zeros(m // 2 + 1)
    t = np.arange(1, n + 1)
    padded = np.zeros(m)
    for k in range(1, TAPERS + 1):
        padded[:n] = values * np.sin(np.pi * k * t / (n + 1))
        total += np.abs(rfft(padded)) ** 2
    power = total * (2 / (n + 1)) / TAPERS * 2 / rate_hz
    power /= 1.0 if weight is None else weight
    return np.arange(m // 2 + 1) * rate_hz / m, power


def fit(
    values: NDArray[np.float64], rate_hz: float, low_hz: float, *, share: float = 1.0, evidence: float = 3.84
) -> Background:
    """Fit the continuum above `low_hz` of a series whose long gaps are 0.

    Parameters
    ----------
    values
        Shape (n,): conditioned series.
    rate_hz
        Record rate, Hz.
    low_hz
        Bins below are left out: drift was taken out there.
    share
        Share of frames that hold data.
    evidence
        Drop of twice the log likelihood that bounds the interval of the white share.
    """
    frequency, power = multitaper(values, rate_hz, share)
    scale = len(values) / (2 * (len(frequency) - 1))  # independent bins a bin: padding makes more of them
    used = (frequency >= low_hz + (TAPERS + 1) / 2 * rate_hz / len(values)) & (frequency < rate_hz / 2)
    if used.sum() < 8:
        used = frequency > 0
    keep = used.copy()
    level = float(np.median(power[used])) or float(np.mean(power[used]))
    if not level > 0:
        return Background(0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, rate_hz, 0.0)
    bins = int(used.sum())
    groups = _groups(bins)
    start = int(np.flatnonzero(used)[0])
    # First a robust pass on medians of groups; then bins that stand out are dropped, and means are used.
    grouped = _grouped(frequency, power, keep, groups, start, robust=True)
    for _ in range(4):
        phi, variance, white = _coarse(*grouped, rate_hz)
        model = variance * ((1 - white) * _red(phi, frequency, rate_hz) + white) * 2 / rate_hz
        last = keep
        keep = used & ~_spread(used & (power > model * _cut(bins, 0.1)), TAPERS // 2 + 2)
        if keep.sum() < 0.2 * bins:
            keep = used & (power <= np.quantile(power[used] / model[used], 0.8) * model)
        grouped = _grouped(frequency, power, keep, groups, start, robust=False)
        if np.array_equal(keep, last):
            break
    best = _fine(*grouped, scale, rate_hz, evidence)
    model = best.psd(frequency)
    # Dropping one chance bin too many costs nothing; to say that there are peaks takes more.
    there = bool((power[used] > model[used] * _cut(bins, 0.001)).any())
    peak = float(np.sum(np.maximum(power - model, 0)[used & ~keep]) * frequency[1]) if there else 0.0
    return replace(best, peak_power=peak)


def _cut(bins: int, chance: float) -> float:
    """Ratio to the continuum that a series without peaks passes anywhere with at most this chance."""
    from scipy.special import chdtri

    return float(chdtri(2 * TAPERS, chance / bins) / (2 * TAPERS))


def _spread(hit: NDArray[np.bool_], by: int) -> NDArray[np.bool_]:
    """Mark the neighbours of marked bins, too."""
    if not hit.any():
        return hit
    total = np.concatenate(([0], np.cumsum(hit)))
    index = np.arange(len(hit))
    high, low = np.minimum(index + by + 1, len(hit)), np.maximum(index - by, 0)
    return np.asarray(total[high] > total[low])


def _groups(bins: int) -> NDArray[np.int64]:
    """Edges of groups of bins: narrow where the spectrum bends (low), and never wider than a fortieth of it."""
    edges = np.concatenate([np.geomspace(1, bins, 40), np.linspace(1, bins, 41)])
    return np.unique(np.concatenate([[0], edges.astype(np.int64)]))


def _grouped(
    frequency: NDArray[np.float64],
    power: NDArray[np.float64],
    keep: NDArray[np.bool_],
    groups: NDArray[np.int64],
    start: int,
    robust: bool,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Mean (or median, scaled to a mean) of each group's kept bins, with their number."""
    begins = groups[:-1] + start
    stop = groups[-1] + start
    kept = keep[:stop].astype(np.float64)
    count = np.add.reduceat(kept, begins)
    f = np.add.reduceat(frequency[:stop] * kept, begins)
    p = np.add.reduceat(power[:stop] * kept, begins)
    good = count > 0
    f[good] /= count[good]
    p[good] /= count[good]
    if robust:
        # Median over mean of chi-square with 2 TAPERS degrees of freedom (Wilson & Hilferty).
        factor = (1 - 2 / (9 * 2 * TAPERS)) ** 3
        sizes = np.diff(groups)
        order = np.lexsort((power[start:stop], np.repeat(np.arange(len(sizes)), sizes)))
        ranked = power[start:stop][order]
        p = (ranked[groups[:-1] + (sizes - 1) // 2] + ranked[groups[:-1] + sizes // 2]) / 2 / factor
    return f[good], np.maximum(p[good], 1e-300), count[good]


def _grids(
    f: NDArray[np.float64], rate_hz: float, count: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Trial values of phi (even in the logarithm of the memory) and of the white share."""
    memory = np.exp(np.linspace(math.log(0.2), math.log(max(20.0, rate_hz / f[0] / 3)), count))
    white = np.exp(np.linspace(math.log(0.003), 0.0, count))
    return np.append(0.0, np.exp(-1 / memory)), np.append(0.0, white)


def _coarse(
    f: NDArray[np.float64], p: NDArray[np.float64], weight: NDArray[np.float64], rate_hz: float
) -> tuple[float, float, float]:
    phis, whites = _grids(f, rate_hz, 16)
    value, variance = _likelihood(f, p, weight, rate_hz, phis, whites)
    i, j = divmod(int(np.argmax(value)), len(whites))
    return float(phis[i]), float(variance[i, j]), float(whites[j])


def _fine(
    f: NDArray[np.float64],
    p: NDArray[np.float64],
    weight: NDArray[np.float64],
    scale: float,
    rate_hz: float,
    drop: float,
) -> Background:
    """Maximum of the Whittle likelihood, with the profile of the white share."""
    weight = weight * scale
    phis, whites = _grids(f, rate_hz, 24)
    value, _ = _likelihood(f, p, weight, rate_hz, phis, whites)
    i, j = divmod(int(np.argmax(value)), len(whites))
    more = np.linspace(phis[max(i - 1, 0)], phis[min(i + 1, len(phis) - 1)], 13)
    phis = np.unique(np.concatenate([phis, more]))
    more = np.linspace(whites[max(j - 1, 0)], whites[min(j + 1, len(whites) - 1)], 13)
    whites = np.unique(np.concatenate([whites, more]))
    value, variance = _likelihood(f, p, weight, rate_hz, phis, whites)
    i, j = divmod(int(np.argmax(value)), len(whites))
    # Once more for the best itself; the profile needs no finer grid.
    close = np.linspace(phis[max(i - 1, 0)], phis[min(i + 1, len(phis) - 1)], 15)
    floor = np.linspace(whites[max(j - 1, 0)], whites[min(j + 1, len(whites) - 1)], 15)
    near, scale_near = _likelihood(f, p, weight, rate_hz, close, floor)
    k, m = divmod(int(np.argmax(near)), len(floor))
    profile = value.max(axis=0)
    top = float(profile.max())
    inside = np.flatnonzero(2 * (top - profile) <= drop)
    red = int(np.argmax(value[:, 0]))
    return Background(
        phi=float(close[k]),
        variance=float(scale_near[k, m]),
        white=float(floor[m]),
        white_low=float(whites[inside.min()]),
        white_high=float(whites[inside.max()]),
        red_phi=float(phis[red]),
        red_variance=float(variance[red, 0]),
        evidence=2 * (top - float(profile[0])),
        memory_evidence=2 * (top - float(value[0, 0])),
        rate_hz=rate_hz,
        peak_power=0.0,
    )


def _likelihood(
    f: NDArray[np.float64],
    p: NDArray[np.float64],
    weight: NDArray[np.float64],
    rate_hz: float,
    phis: NDArray[np.float64],
    whites: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Whittle log likelihood on a grid (phis, whites), and the variance that is best at each node."""
    red = _red(phis[:, None], f, rate_hz)
    shape = (1 - whites[None, :, None]) * red[:, None, :] + whites[None, :, None]
    total = weight.sum()
    variance = (1 / shape) @ (p * weight) / total
    value = -(np.log(shape) @ weight) - total * np.log(variance)
    return value, variance * rate_hz / 2
