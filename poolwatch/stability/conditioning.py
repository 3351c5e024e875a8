"""From a raw series to its fluctuation: gaps bridged, drift out, band kept.

Drift is what cosines slower than a stated frequency and a straight line can describe, fitted by least squares
to the frames that were measured. Unlike a high-pass filter this has no transients at the ends and no need of
values in the gaps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from poolwatch.model.errors import MeasurementError, UsageError

from .series import Series, bridge
from .settings import ConditioningSettings


@dataclass(frozen=True)
class Conditioned:
    """A series made fit for statistics.

    Attributes
    ----------
    values
        Shape (n,): departure from the drift; short gaps bridged, NaN in long gaps.
    seen
        Shape (n,): True where a frame was measured.
    drift
        Shape (n,): the fitted drift, the mean included.
    mean
        Mean of the measured frames.
    rate_hz
        Record rate, Hz.
    low_hz
        Frequency below which all was taken for drift, Hz.
    cosines
        Number of functions fitted as drift, the mean included.
    """

    values: NDArray[np.float64]
    seen: NDArray[np.bool_]
    drift: NDArray[np.float64]
    mean: float
    rate_hz: float
    low_hz: float
    cosines: int

    @property
    def duration_s(self) -> float:
        """Time from the first frame to the end of the last, s."""
        return len(self.seen) / self.rate_hz

    def drift_energy(self) -> float:
        """Mean square of the drift about the mean, over the measured frames."""
        return float(np.mean((self.drift[self.seen] - self.mean) ** 2))

    def slowest_energy(self) -> float:
        """Mean square of the part of the drift that half a period and one period over the series describe."""
        phase = np.pi * (np.flatnonzero(self.seen) + 0.5) / len(self.seen)
        slow = np.column_stack((np.cos(phase), np.cos(2 * phase)))
        slow -= slow.mean(axis=0)
        drift = self.drift[self.seen] - self.mean
        return float(np.mean((slow @ np.linalg.lstsq(slow, drift, rcond=None)[0]) ** 2))

    def with_drift(self, values: NDArray[np.float64], longest: int) -> Conditioned:
        """The same series with nothing but its mean taken out; `values` are the raw ones."""
        rest = bridge(values - self.mean, longest)
        return replace(
            self, values=rest, drift=np.full(len(values), self.mean), cosines=1, low_hz=0.5 / self.duration_s
        )

    @property
    def filled(self) -> NDArray[np.float64]:
        """Values with 0 in the long gaps."""
        return np.where(np.isfinite(self.values), self.values, 0.0)


def drift_hz(series: Series, settings: ConditioningSettings) -> float:
    """Frequency below which a series' variation counts as drift, Hz (at most a quarter of the rate)."""
    return min(max(settings.drift_periods / series.duration_s, settings.drift_hz), series.rate_hz / 4)


def condition(series: Series, settings: ConditioningSettings, *, low_hz: float | None = None) -> Conditioned:
    """Bridge short gaps and take the drift out.

    Parameters
    ----------
    series
        The series.
    settings
        What is bridged and what is drift.
    low_hz
        Lower end of the band; the drift frequency of the settings where it is not given.

    Raises
    ------
    MeasurementError
        Fewer than 16 frames were measured.
    """
    seen = series.seen
    count = int(seen.sum())
    if count < 16:
        raise MeasurementError(
            f"{series.name}: {count} measured frames, at least 16 are needed; record longer or check frames.csv"
        )
    low = drift_hz(series, settings) if low_hz is None else low_hz
    cosines = int(np.floor(2 * low * series.duration_s + 1e-9)) + 1
    cosines = max(1, min(cosines, count // 4))
    mean = float(np.mean(series.values[seen]))
    drift = mean + _drift(np.where(seen, series.values - mean, 0.0), seen, cosines)
    rest = np.where(seen, series.values - drift, np.nan)
    return Conditioned(
        bridge(rest, settings.bridge_frames), seen, drift, mean, series.rate_hz, low, cosines + 1
    )


def _drift(values: NDArray[np.float64], seen: NDArray[np.bool_], cosines: int) -> NDArray[np.float64]:
    """Least-squares sum of `cosines` DCT-II cosines and a line; `values` are 0 where not seen.

    The normal matrix comes from the cosine transform of the mask (product of cosines = sum of cosines), so
    no design matrix is built.
    """
    from scipy.fft import dct

    n = len(values)
    mask = seen.astype(np.float64)
    line = np.linspace(-1.0, 1.0, n)

    def sums(y: NDArray[np.float64], count: int) -> NDArray[np.float64]:
        # Sum of y cos(pi k (t + 1/2) / n) for k < count; for k >= n by symmetry.
        c: NDArray[np.float64] = dct(y, type=2) / 2
        if count <= n:
            return c[:count]
        return np.concatenate([c, [0.0], -c[:0:-1]])[:count]

    k = np.arange(cosines)
    m = sums(mask, 2 * cosines)
    gram = np.empty((cosines + 1, cosines + 1))
    gram[:-1, :-1] = (m[np.abs(k[:, None] - k)] + m[k[:, None] + k]) / 2
    gram[-1, :-1] = gram[:-1, -1] = sums(mask * line, cosines)
    gram[-1, -1] = np.sum(mask * line**2)
    right = np.append(sums(values, cosines), np.sum(values * line))
    # Long gaps can make the functions nearly dependent: least squares of minimal norm.
    weights = np.linalg.lstsq(gram, right, rcond=1e-9)[0]
    spectrum = np.zeros(n)
    spectrum[:cosines] = weights[:-1]
    spectrum[1:] /= 2
    result: NDArray[np.float64] = dct(spectrum, type=3) + weights[-1] * line
    return result


def band_pass(
    values: NDArray[np.float64], rate_hz: float, low_hz: float, high_hz: float
) -> NDArray[np.float64]:
    """Keep a band by dropping all other cosines of the even continuation (no jump at the ends)."""
    from scipy.fft import dct, idct

    n = len(values)
    frequency = np.arange(n) * rate_hz / (2 * n)
    c = dct(values, type=2, norm="ortho")
    c[(frequency < low_hz) | (frequency > high_hz)] = 0.0
    return np.asarray(idct(c, type=2, norm="ortho"))


def check_band(band_hz: tuple[float, float] | None, rate_hz: float, duration_s: float) -> None:
    """Refuse a band that a series cannot show.

    Raises
    ------
    UsageError
        The band is empty, below 0, begins above half the record rate, or is narrower than four resolutions.
    """
    if band_hz is None:
        return
    low, high = band_hz
    if not (np.isfinite(low) and np.isfinite(high) and 0 <= low < high):
        raise UsageError(
            f"the band must go from a frequency of at least 0 up to a higher one, got {low} to {high} Hz"
        )
    if min(high, rate_hz / 2) - low < 4 / duration_s:
        raise UsageError(
            f"the band {low:g} to {high:g} Hz holds too little of what a series of {duration_s:g} s at {rate_hz:g} Hz "
            "can show; choose a wider band within half the record rate"
        )
