"""Tone curve: shows a bright pool and faint spatter in one 8-bit picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

# How far the curve bends, as a share of the span: tried from the most bent to the straight line.
_KNEES = (0.03, 0.05, 0.08, 0.16, 0.4, 1.0)
# A clip glows on dark if the darker quarter of its grey values lies in this share of its span.
_DARK_GROUND = 0.2
# Peaks of the ground's noise stay below this grey.
_DARK_GREY = 0.2


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
        low, under, lower, high = (float(q) for q in np.quantile(values, (0.002, 0.05, 0.25, 0.9995)))
        white = max(high, low + 0.02, low + 2 / full_scale)
        if lower - low > _DARK_GROUND * (white - low):
            return cls(low, white, np.inf, full_scale)
        # The dark quarter of the picture is ground: between its 5 % and 25 % quantiles lies about one
        # standard deviation of its noise. Most of the noise stays black, so that it is not raised into view.
        noise = max(lower - under, 0.25 / full_scale)
        black = lower + 2.0 * noise
        span = max(white - black, 0.02)
        for knee in _KNEES:
            curve = cls(black, black + span, knee * span, full_scale)
            if curve.grey(np.array([lower + 4 * noise]))[0] <= _DARK_GREY:
                return curve
        return cls(low, white, np.inf, full_scale)

    def grey(self, brightness: NDArray[np.float64]) -> NDArray[np.float64]:
        """Brightness, as fractions of full scale, to grey 0..1."""
        above = np.clip(np.asarray(brightness) - self.black, 0.0, self.white - self.black)
        if not np.isfinite(self.knee):
            return np.asarray(above / (self.white - self.black))
        return np.asarray(np.arcsinh(above / self.knee) / np.arcsinh((self.white - self.black) / self.knee))

    def linear(self) -> NDArray[np.uint8]:
        """What each grey value 0..255 of a toned picture is in linear tone between the same black and white."""
        grey = np.linspace(0.0, 1.0, 256)
        if not np.isfinite(self.knee):
            return np.arange(256, dtype=np.uint8)
        span = (self.white - self.black) / self.knee
        return np.asarray(np.rint(255 * np.sinh(grey * np.arcsinh(span)) / span), dtype=np.uint8)

    def table(self, dtype: np.dtype[Any]) -> NDArray[np.uint8]:
        """Look-up table from every grey value of `dtype` to 0..255."""
        levels = np.arange(np.iinfo(dtype).max + 1) / self.full_scale
        return np.rint(255 * self.grey(levels)).astype(np.uint8)

    @property
    def words(self) -> str:
        """What was done to the brightness, in words."""
        if not np.isfinite(self.knee):
            return f"grey: linear, {self.black:.2f} to {self.white:.2f} of full scale"
        return f"grey: faint parts raised (asinh, {self.black:.2f} to {self.white:.2f} of full scale)"


def toned(frame: NDArray[Any], table: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A frame of native depth through a table of `ToneCurve.table`, shape (height, width)."""
    if frame.dtype == np.uint8:
        return np.asarray(cv2.LUT(frame, table), dtype=np.uint8)
    return np.take(table, frame, mode="clip")
