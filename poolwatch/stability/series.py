"""A series of one value a frame, and its gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from poolwatch.model.errors import UsageError


@dataclass(frozen=True)
class Series:
    """One value a frame.

    Attributes
    ----------
    name
        Name of the signal.
    values
        Shape (n,), float64; NaN where the frame was not measured.
    rate_hz
        Record rate, Hz.
    unit
        Unit of the values.
    noise_sd
        Standard deviation of the measurement noise of one frame, where it is known from elsewhere (from the
        residuals of the edge fit, from photon counts); None: it is taken from the series itself.

    Raises
    ------
    UsageError
        The values are no one-dimensional array, hold an infinity, or the rate is no positive number.
    """

    name: str
    values: NDArray[np.float64]
    rate_hz: float
    unit: str = ""
    noise_sd: float | None = None

    def __post_init__(self) -> None:
        values = np.asarray(self.values, dtype=np.float64)
        if values.ndim != 1:
            raise UsageError(f"series {self.name!r}: values must have shape (n,), got {values.shape}")
        if np.isinf(values).any():
            raise UsageError(f"series {self.name!r}: values hold an infinity; mark missing values with NaN")
        if not (math.isfinite(self.rate_hz) and self.rate_hz > 0):
            raise UsageError(
                f"series {self.name!r}: the rate must be a finite number above 0, got {self.rate_hz!r}"
            )
        if self.noise_sd is not None and not (math.isfinite(self.noise_sd) and self.noise_sd >= 0):
            raise UsageError(
                f"series {self.name!r}: the noise must be a finite number of at least 0, got {self.noise_sd!r}"
            )
        object.__setattr__(self, "values", values)

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Shape (n,): True where there is a value."""
        return np.isfinite(self.values)

    @property
    def duration_s(self) -> float:
        """Time from the first frame to the end of the last, s."""
        return len(self.values) / self.rate_hz

    def part(self, start: int, stop: int) -> Series:
        """The frames from `start` up to, not including, `stop`."""
        return replace(self, values=self.values[start:stop])


def gaps(seen: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Runs of missing frames: shape (k, 2), first frame and frame after the last."""
    padded = np.concatenate(([True], seen, [True])).astype(np.int8)
    steps = np.diff(padded)
    return np.stack([np.flatnonzero(steps == -1), np.flatnonzero(steps == 1)], axis=1).astype(np.int64)


def bridge(values: NDArray[np.float64], longest: int) -> NDArray[np.float64]:
    """Fill inner gaps of at most `longest` frames by straight lines; longer ones and the ends stay NaN."""
    seen = np.isfinite(values)
    if seen.all() or not seen.any():
        return values.copy()
    frames = np.arange(len(values))
    filled = np.interp(frames, frames[seen], values[seen])
    for start, stop in gaps(seen):
        if stop - start > longest or start == 0 or stop == len(values):
            filled[start:stop] = np.nan
    return filled


def runs(seen: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Runs of present frames: shape (k, 2), first frame and frame after the last."""
    return gaps(~seen)
