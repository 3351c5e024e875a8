"""A core with a tail to one side: the core is fitted on the side away from the tail and taken out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .beam_moments import Moments

Floats = NDArray[np.float64]
# Least share of the power, and least way of the centroid from the core in widths, that make a tail.
_LEAST_SHARE, _LEAST_WAY = 0.02, 0.03
# A tail is fainter than its core; what is as bright is a second spot.
_MOST_HEIGHT = 0.6


@dataclass(frozen=True)
class Tail:
    """A tail that was found; lengths in px, angle in degrees counter-clockwise as seen, 0 = right."""

    share: float
    length: float
    angle_deg: float
    core_diameter: float


def find_tail(light: Floats, moments: Moments) -> Tail | None:
    """Look for a tail to one side of the brightest spot.

    Parameters
    ----------
    light
        Picture without background.
    moments
        Of this picture.

    Returns
    -------
    Tail or None
        None where nothing stands to one side.
    """
    from scipy.ndimage import gaussian_filter

    place = _core_centre(light, moments)
    if place is None:
        return None
    x, y = place
    way = math.hypot(moments.x - x, moments.y - y)
    if way < _LEAST_WAY * moments.major:
        return None
    height, width = light.shape
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float64)
    inside = moments.window
    angle = math.atan2(y - moments.y, moments.x - x)
    core = _Core(float(light[round(y), round(x)]), x, y, moments.minor / 4, 2.0)
    rest, power = light, 0.0
    for _ in range(8):
        # Light in front of the core's middle is the core's alone; the middle moves with the fit.
        front = inside & (core.along(xx, yy, angle) <= -0.2 * core.size)
        if front.sum() < 20:
            return None
        core = _fit_core(light[front], xx[front], yy[front], core)
        behind = inside & (core.along(xx, yy, angle) > 0)
        rest = np.where(behind, light - core.light(xx, yy), 0.0)
        power = float(rest.sum())
        if power <= 0:
            return None
        angle = math.atan2(float((rest * (core.y - yy)).sum()), float((rest * (xx - core.x)).sum()))
    share = power / moments.power
    unsure = moments.noise * math.sqrt(2 * inside.sum()) / moments.power
    if share < max(_LEAST_SHARE, 4 * unsure):
        return None
    if gaussian_filter(rest, max(1.0, core.size / 10)).max() > _MOST_HEIGHT * core.height:
        return None
    return Tail(share, _reach(rest, core.along(xx, yy, angle)), math.degrees(angle), core.width)


class _Core(NamedTuple):
    """Round spot: height exp(-(r / size)^steep) about (x, y); lengths in px."""

    height: float
    x: float
    y: float
    size: float
    steep: float

    def light(self, xx: Floats, yy: Floats) -> Floats:
        """Its light at places."""
        r = np.hypot(xx - self.x, yy - self.y)
        return np.asarray(self.height * np.exp(-np.minimum((r / self.size) ** self.steep, 700)))

    def along(self, xx: Floats, yy: Floats, angle: float) -> Floats:
        """How far places are from its middle along a direction, counter-clockwise as seen, rad."""
        return (xx - self.x) * math.cos(angle) + (self.y - yy) * math.sin(angle)

    @property
    def width(self) -> float:
        """Second-moment diameter: 2 sqrt(2 <r²>) with <r²> = size² Γ(4/steep) / Γ(2/steep)."""
        return 2 * self.size * math.sqrt(2 * math.gamma(4 / self.steep) / math.gamma(2 / self.steep))


def _fit_core(z: Floats, xx: Floats, yy: Floats, start: _Core) -> _Core:
    from scipy.optimize import least_squares

    top = float(z.max())
    reach = 4 * start.size
    near = np.hypot(xx - start.x, yy - start.y) < reach
    # A few thousand pixels say all there is to five numbers.
    keep = np.flatnonzero(near)[:: max(1, int(near.sum()) // 20_000)]
    low = _Core(0.0, start.x - reach, start.y - reach, 0.5, 1.2)
    high = _Core(3 * top, start.x + reach, start.y + reach, reach, 40.0)
    begin = np.clip(start, np.array(low) + 1e-9, np.array(high) - 1e-9)
    found = least_squares(
        lambda core: (_Core(*core).light(xx[keep], yy[keep]) - z[keep]) / top,
        begin,
        bounds=(low, high),
        x_scale=np.maximum(np.abs(begin), 0.1),
        max_nfev=200,
    )
    return _Core(*found.x.tolist())


def _core_centre(light: Floats, moments: Moments) -> tuple[float, float] | None:
    """Centroid of the brightest spot, above seven tenths of its height."""
    from scipy.ndimage import gaussian_filter, label

    smooth = gaussian_filter(light, max(1.0, moments.minor / 40))
    smooth = np.where(moments.window, smooth, 0.0)
    peak = np.unravel_index(int(smooth.argmax()), smooth.shape)
    spots, _ = label(smooth > 0.7 * smooth[peak])
    mine = spots == spots[peak]
    weight = np.where(mine, smooth, 0.0)
    if weight.sum() <= 0:
        return None
    yy, xx = np.nonzero(mine)
    z = weight[mine]
    return float((z * xx).sum() / z.sum()), float((z * yy).sum() / z.sum())


def _reach(rest: Floats, along: Floats) -> float:
    """Distance along the tail within which 95 % of its power lies."""
    place = np.maximum(np.rint(along).astype(int), 0)
    power = np.cumsum(np.bincount(place.ravel(), rest.ravel()))
    return float(np.argmax(power >= 0.95 * power[-1]))
