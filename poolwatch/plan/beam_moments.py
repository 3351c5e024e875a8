"""Second-moment widths of a beam after ISO 11146-1, with the background taken out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError

Floats = NDArray[np.float64]
# The integration window is this many beam widths wide (ISO 11146-1).
WINDOW = 3.0
# Above this ratio of the widths a beam counts as round and has no orientation (ISO 11146-1).
ROUND = 0.87


@dataclass(frozen=True)
class Moments:
    """Place and widths of a beam, in px.

    Attributes
    ----------
    x, y
        Centroid.
    major, minor
        Second-moment widths along the principal axes, four standard deviations (D4σ).
    angle_deg
        Major axis, degrees counter-clockwise as seen, 0 = to the right, in (-90, 90].
    background, noise
        Level and standard deviation of the picture where there is no beam.
    u_major, u_minor
        Standard uncertainties of the widths from the picture's noise and from the level taken off, px.
    power
        Sum of the picture within the window, background taken out.
    cut
        Whether the window reaches beyond the picture: widths and shares may then be too small.
    window
        Shape of the picture: True within the window.
    """

    x: float
    y: float
    major: float
    minor: float
    angle_deg: float
    background: float
    noise: float
    u_major: float
    u_minor: float
    power: float
    cut: bool
    window: NDArray[np.bool_]

    @property
    def round(self) -> bool:
        """Whether the beam counts as round."""
        return self.minor / self.major > ROUND


def second_moments(image: Floats, background: float | None = None, *, step: float = 0.0) -> Moments:
    """Centroid and widths in a window of three widths that follows them until both agree.

    The background is the mean outside the window, and negative values that noise leaves stay: cutting them off
    would widen the beam.

    Parameters
    ----------
    image
        Shape (height, width).
    background
        Known level; None: found. A designed profile has 0.
    step
        Difference of two neighbouring values of the picture; 0 for real numbers.

    Raises
    ------
    MeasurementError
        Nothing stands out of the background, or no window agrees with the widths in it.

    References
    ----------
    ISO 11146-1, section on second moments and integration area (content from memory).
    """
    height, width = image.shape
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float64)
    rim = _rim(image)
    level, noise = (float(rim.mean()) if background is None else background), float(rim.std())
    first = np.where(image - level > max(3 * noise, 0.0), image - level, 0.0)
    behind = rim.size
    if first.sum() <= 0 or (image.max() - level) <= 4 * noise:
        raise MeasurementError("no beam stands out of the picture's background")
    moments = _moments(first, xx, yy, np.ones(image.shape, dtype=bool))
    before = np.zeros(image.shape, dtype=bool)
    for _ in range(50):
        window = _window(moments, xx, yy)
        # Background from outside, beam from inside: both stand still once the window does.
        changed = int(np.count_nonzero(window != before))
        if changed <= 1e-4 * np.count_nonzero(window):
            break
        before = window
        outside = ~window
        if background is None and outside.sum() >= 0.05 * image.size:
            level, noise = float(image[outside].mean()), float(image[outside].std())
            behind = int(outside.sum())
        moments = _moments(image - level, xx, yy, window)
    window = _window(moments, xx, yy)
    x, y, major, minor, angle, power = moments
    u_major, u_minor = _uncertainties(
        moments, noise, xx[window], yy[window], math.inf if background is not None else behind
    )
    if step > 2 * noise:
        # No noise that the steps would average over: what is rounded to the next step is lost or too much.
        light = np.where(image - level < 1.5 * step, 0.0, image - level)
        _, _, rounded_major, rounded_minor, *_ = _moments(light, xx, yy, window)
        u_major = math.hypot(u_major, (major - rounded_major) / math.sqrt(3))
        u_minor = math.hypot(u_minor, (minor - rounded_minor) / math.sqrt(3))
    cut = _cut(moments, width, height)
    return Moments(
        x, y, major, minor, math.degrees(angle), level, noise, u_major, u_minor, power, cut, window
    )


def _uncertainties(
    moments: tuple[float, float, float, float, float, float],
    noise: float,
    xx: Floats,
    yy: Floats,
    behind: float,
) -> tuple[float, float]:
    """Noise of each pixel, and of the level found from `behind` pixels, carried to the two widths (first order)."""
    x, y, major, minor, angle, power = moments
    along = (xx - x) * math.cos(angle) + (y - yy) * math.sin(angle)
    across = (y - yy) * math.cos(angle) - (xx - x) * math.sin(angle)
    level = noise / math.sqrt(behind)

    def of_width(axis: Floats, size: float) -> float:
        weight = (axis**2 - (size / 4) ** 2) / power
        spread = math.hypot(noise * math.sqrt(float((weight**2).sum())), level * float(weight.sum()))
        # size = 4 sqrt(s), so du(size) = 2 u(s) / sqrt(s) = 8 u(s) / size.
        return 8 * spread / size

    return of_width(along, major), of_width(across, minor)


def _moments(
    image: Floats, xx: Floats, yy: Floats, window: NDArray[np.bool_]
) -> tuple[float, float, float, float, float, float]:
    """Centroid x, y, widths, angle (rad, counter-clockwise as seen) and power."""
    z, px, py = image[window], xx[window], yy[window]
    power = float(z.sum())
    if power <= 0:
        raise MeasurementError("no beam stands out of the picture's background")
    x, y = float((z * px).sum() / power), float((z * py).sum() / power)
    dx, dy = px - x, y - py  # y upwards, so that angles count as seen
    sxx, syy, sxy = (float((z * term).sum() / power) for term in (dx * dx, dy * dy, dx * dy))
    half, spread = (sxx + syy) / 2, math.hypot((sxx - syy) / 2, sxy)
    if half - spread <= 0:
        raise MeasurementError(
            "the beam is lost in the noise: its width comes out as nothing; crop the picture closer to the beam"
        )
    angle = 0.5 * math.atan2(2 * sxy, sxx - syy)
    return x, y, 4 * math.sqrt(half + spread), 4 * math.sqrt(half - spread), angle, power


def _window(
    moments: tuple[float, float, float, float, float, float], xx: Floats, yy: Floats
) -> NDArray[np.bool_]:
    x, y, major, minor, angle, _ = moments
    cos, sin = math.cos(angle), math.sin(angle)
    along = (xx - x) * cos + (y - yy) * sin
    across = (y - yy) * cos - (xx - x) * sin
    return np.asarray((np.abs(along) <= WINDOW * major / 2) & (np.abs(across) <= WINDOW * minor / 2))


def _cut(moments: tuple[float, float, float, float, float, float], width: int, height: int) -> bool:
    """Whether the ellipse of 1.5 widths, beyond which little of any beam lies, leaves the picture."""
    x, y, major, minor, angle, _ = moments
    reach_x = 0.75 * math.hypot(major * math.cos(angle), minor * math.sin(angle))
    reach_y = 0.75 * math.hypot(major * math.sin(angle), minor * math.cos(angle))
    return x - reach_x < 0 or x + reach_x > width - 1 or y - reach_y < 0 or y + reach_y > height - 1


def _rim(image: Floats) -> Floats:
    """The outermost pixels: a fiftieth of the shorter side, at least one."""
    n = max(1, min(image.shape) // 50)
    inner = np.zeros(image.shape, dtype=bool)
    inner[n:-n, n:-n] = True
    return np.asarray(image[~inner])
