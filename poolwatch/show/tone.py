"""Tone curve: shows a bright pool and faint spatter in one 8-bit picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

# How far the curve bends, as a share of the span: tried from the most bent to the straight line.
_KNEES = (0.02, 0.04, 0.08, 0.16, 0.4, 1.0)
# The middle of a clip that glows on dark stays below this grey, so that noise is not raised into view.
_DARK = 0.12


@dataclass(frozen=True)
class ToneCurve:
    """Grey = asinh((v - black) / knee) scaled to 0..1, after Lupton et al. (1999, doi:10.1086/301004).

    Attributes
    ----------
    black, white
        Fractions of full scale shown as black and as white.
    knee
        Brightness above `black` where the curve turns from linear to logarithmic, fraction of full scale;
        infinite for a straight line.
    full_scale
        Grey value that is brightness 1.
    """

    black: float
    white: float
    knee: float
    full_scale: float

    @classmethod
    def for_sample(cls, sample: NDArray[Any], full_scale: float) -> ToneCurve:
        """Choose a curve from grey values of some frames (any shape, native depth)."""
        values = np.asarray(sample, dtype=np.float64).ravel() / full_scale
        values = values[np.isfinite(values)]
        if not values.size:
            return cls(0.0, 1.0, np.inf, full_scale)
        low, middle, high = np.quantile(values, (0.01, 0.5, 0.9995))
        # A few dark quantiles tell the noise of the ground; half of it is let through to keep it alive.
        black = float(low + 0.5 * (np.quantile(values, 0.25) - low))
        white = float(max(high, black + 0.02, 2 / full_scale))
        span = white - black
        for knee in _KNEES:
            curve = cls(black, white, knee * span, full_scale)
            if curve.grey(np.array([middle]))[0] <= _DARK:
                return curve
        return cls(float(low), white, np.inf, full_scale)

    def grey(self, brightness: NDArray[np.float64]) -> NDArray[np.float64]:
        """Brightness, as fractions of full scale, to grey 0..1."""
        above = np.clip(np.asarray(brightness) - self.black, 0.0, self.white - self.black)
        if not np.isfinite(self.knee):
            return np.asarray(above / (self.white - self.black))
        return np.asarray(np.arcsinh(above / self.knee) / np.arcsinh((self.white - self.black) / self.knee))

    def table(self, dtype: np.dtype[Any]) -> NDArray[np.uint8]:
        """Look-up table from every grey value of `dtype` to 0..255."""
        levels = np.arange(np.iinfo(dtype).max + 1) / self.full_scale
        return np.rint(255 * self.grey(levels)).astype(np.uint8)

    @property
    def words(self) -> str:
        """What was done to the brightness, in words."""
        if not np.isfinite(self.knee):
            return f"grey: brightness {self.black:.2f} to {self.white:.2f} of full scale, linear"
        return f"grey: tone-mapped so that faint spatter shows (asinh, {self.black:.2f} to {self.white:.2f} of full scale)"


def toned(frame: NDArray[Any], table: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A frame of native depth through a table of `ToneCurve.table`, shape (height, width)."""
    if frame.dtype == np.uint8:
        return np.asarray(cv2.LUT(frame, table), dtype=np.uint8)
    return np.take(table, frame, mode="clip")
