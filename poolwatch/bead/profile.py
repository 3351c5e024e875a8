"""The mean profile across an edge: where the edge lies in it, and how far it is spread."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import erf

from .facts import Floats

_SQRT2 = math.sqrt(2)
# A dark or bright line inside the edge is believed where it takes so much of the misfit away.
_LINE_GAIN = 0.1
# Lenses, sharpening and JPEG bend a step by up to this share of its height; no line is seen in that.
_BENT = 0.015
# Least misfit (half the mean square, in those) at which a line is tried.
_MISFIT = 0.03


@dataclass(frozen=True)
class EdgeProfile:
    """Mean profile from the sheet (negative places) into the bead.

    Attributes
    ----------
    offset
        Where the edge lies, px from where columns were aligned, positive into the bead.
    offset_u
        Standard uncertainty of that, px.
    blur
        Standard deviation of its spread, px.
    """

    offset: float
    offset_u: float
    blur: float


def step(x: Floats, blur: float) -> Floats:
    """A step from 0 to 1 at 0, spread by a Gaussian."""
    return np.asarray(0.5 * (1 + erf(x / (_SQRT2 * blur))))


def fit_profile(x: Floats, mean: Floats, u: Floats) -> EdgeProfile:
    """Fit a spread step with sloping sides; with a line along its inside where one is seen.

    Parameters
    ----------
    x
        Places across, px, positive into the bead.
    mean, u
        Mean profile there and its standard uncertainty.
    """
    height = float(np.mean(mean[-3:]) - np.mean(mean[:3])) or 1e-6
    scale = np.maximum(u, _BENT * abs(height) + 1e-6)
    plain = least_squares(
        lambda p: (_plain(x, p) - mean) / scale,
        [0.0, 1.2, float(mean[0]), 0.0, float(mean[-1]), 0.0],
        bounds=([x[0], 0.4, -np.inf, -np.inf, -np.inf, -np.inf], [x[-1], 0.4 * len(x), *[np.inf] * 4]),
    )
    best, offset, blur = plain, float(plain.x[0]), float(plain.x[1])
    for depth in (-0.3, 0.3) if plain.cost > _MISFIT * len(x) else ():
        begin = [
            float(plain.x[0]) - 1.0,
            1.2,
            float(mean[0]),
            0.0,
            float(mean[-1]),
            0.0,
            depth * abs(float(mean[-1])),
            2.5,
        ]
        lined = least_squares(
            lambda p: (_lined(x, p) - mean) / scale,
            begin,
            bounds=(
                [x[0], 0.4, -np.inf, -np.inf, -np.inf, -np.inf, -np.inf, 0.8],
                [x[-1], 4.0, *[np.inf] * 5, 0.5 * x[-1] + 1],
            ),
            x_scale="jac",
        )
        if (
            lined.cost < min(_LINE_GAIN * plain.cost, best.cost)
            and abs(lined.x[0] - plain.x[0]) < 0.8 * x[-1]
        ):
            best, offset, blur = lined, float(lined.x[0]), float(lined.x[1])
    jacobian = best.jac
    spread = float(np.sqrt(2 * best.cost / max(1, len(x) - len(best.x))))
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    return EdgeProfile(offset, math.sqrt(max(covariance[0, 0], 0.0)) * max(1.0, spread), blur)


def _plain(x: Floats, p: Floats) -> Floats:
    place, blur, low, slope, high, climb = p
    share = step(x - place, blur)
    return np.asarray(
        (1 - share) * (low + slope * np.minimum(x - place, 0))
        + share * (high + climb * np.maximum(x - place, 0))
    )


def _lined(x: Floats, p: Floats) -> Floats:
    """A step with a line that fades as a Gaussian half from the edge into the bead, spread with it."""
    depth, wide = p[6], p[7]
    blur = p[1]
    total = math.hypot(blur, wide)
    # A half Gaussian through a Gaussian spread: product of a Gaussian and an error function.
    inner = (x - p[0]) * wide / (_SQRT2 * blur * total)
    line = wide / total * np.exp(-0.5 * ((x - p[0]) / total) ** 2) * 0.5 * (1 + erf(inner))
    return np.asarray(_plain(x, p[:6]) + depth * line)
