"""The mean profile across an edge: where the edge lies in it, and how far it is spread."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import least_squares
from scipy.special import erf

from .facts import Floats

_SQRT2 = math.sqrt(2)
# A dark or bright line inside the edge is believed where it takes so much of the misfit away.
_LINE_GAIN = 0.25
# Lenses, sharpening and JPEG bend a step by up to this share of its height; no line is seen in that.
_BENT = 0.015
# Least misfit (half the mean square, in those) at which a line is tried.
_MISFIT = 0.03
# Standard deviations of the point spread that are tried, px.
_LEAST_BLUR, _MOST_BLUR = 0.4, 4.0
# Parameters of an edge: place, low, slope, high, climb, depth of its line.
_EACH = 6
# Where in the rise of the variance the edge of a texture lies, in spreads of that rise, and its standard uncertainty:
# half way up for grain far finer than the point spread, 0.68 before that for grain far coarser.
_TEXTURE_EARLIER, _TEXTURE_U = 0.34, 0.68 / math.sqrt(12)


class Profile(NamedTuple):
    """Mean across an edge and its standard uncertainty, shape (k,)."""

    mean: Floats
    u: Floats


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


def fit_profiles(x: Floats, profiles: Sequence[Profile]) -> tuple[EdgeProfile, ...]:
    """Fit spread steps with sloping sides that share one point spread; with lines inside the edges where one is seen.

    Parameters
    ----------
    x
        Places across, px, positive into the bead.
    profiles
        One of each edge.
    """
    heights = [float(np.mean(one.mean[-3:]) - np.mean(one.mean[:3])) or 1e-6 for one in profiles]
    scales = [
        np.maximum(one.u, _BENT * abs(height) + 1e-6) for one, height in zip(profiles, heights, strict=True)
    ]

    def misfit(p: Floats, lined: bool) -> Floats:
        parts = [
            (_edge(x, p[0], p[1], p[k : k + _EACH], lined) - one.mean) / scale
            for k, one, scale in zip(_starts(profiles), profiles, scales, strict=True)
        ]
        return np.concatenate(parts)

    plain = best = _fitted(misfit, x, profiles, 0.0, None)
    points = len(x) * len(profiles)
    if plain.cost > _MISFIT * points:
        tried = [_fitted(misfit, x, profiles, depth, plain.x) for depth in (-0.3, 0.3)]
        lined = min(tried, key=lambda one: float(one.cost))
        if lined.cost < _LINE_GAIN * plain.cost:
            best = lined
    free = points - (1 + 5 * len(profiles))
    spread = max(1.0, math.sqrt(2 * best.cost / free))
    covariance = np.linalg.pinv(best.jac.T @ best.jac)
    return tuple(
        EdgeProfile(float(best.x[k]), math.sqrt(max(float(covariance[k, k]), 0.0)) * spread, float(best.x[0]))
        for k in _starts(profiles)
    )


def _starts(profiles: Sequence[Profile]) -> range:
    """Where the parameters of each edge begin, after the point spread and the width of the lines."""
    return range(2, 2 + _EACH * len(profiles), _EACH)


def _fitted(misfit: Any, x: Floats, profiles: Sequence[Profile], depth: float, begin: Floats | None) -> Any:
    """Least squares with lines of a depth to begin with, or without."""
    first, low, high = [1.2, 2.5], [_LEAST_BLUR, 0.8], [_MOST_BLUR, 0.5 * float(x[-1]) + 1]
    for mean, _ in profiles:
        ends = float(np.mean(mean[:3])), float(np.mean(mean[-3:]))
        first += [0.0, ends[0], 0.0, ends[1], 0.0, depth * abs(ends[1])]
        low += [float(x[0]), *[-np.inf] * 5]
        high += [float(x[-1]), *[np.inf] * 5]
    if begin is not None:
        for k in _starts(profiles):
            first[k] = float(np.clip(begin[k] - 1.0, x[0] + 0.1, x[-1] - 0.1))
    lined = depth != 0.0
    return least_squares(misfit, first, bounds=(low, high), x_scale="jac", args=(lined,))


def _edge(x: Floats, blur: float, wide: float, p: Floats, lined: bool) -> Floats:
    """A step with sloping sides, and a line along its inside, half a Gaussian, spread with it."""
    place, low, slope, high, climb, depth = p
    off = x - place
    share = step(off, blur)
    plain = (1 - share) * (low + slope * np.minimum(off, 0)) + share * (high + climb * np.maximum(off, 0))
    if not lined:
        return np.asarray(plain)
    total = math.hypot(blur, wide)
    # A half Gaussian through a Gaussian spread: product of a Gaussian and an error function.
    inner = off * wide / (_SQRT2 * blur * total)
    return np.asarray(
        plain + depth * wide / total * np.exp(-0.5 * (off / total) ** 2) * 0.5 * (1 + erf(inner))
    )


def fit_texture(x: Floats, variance: Floats, *, pieces: float) -> EdgeProfile:
    """Fit the rise of the variance from sheet to bead.

    Parameters
    ----------
    x
        Places across, px, positive into the bead.
    variance
        Variance of the texture there.
    pieces
        Independent values that each was taken from.
    """
    low, high = float(np.median(variance[: len(x) // 4])), float(np.median(variance[-len(x) // 4 :]))
    if high < 1.5 * low:
        return EdgeProfile(0.0, float(np.ptp(x)), 1.0)

    def misfit(p: Floats) -> Floats:
        model = p[2] + (p[3] - p[2]) * step(x - p[0], p[1])
        return np.asarray(np.log(variance / np.maximum(model, 1e-12)) * math.sqrt(pieces / 2))

    found = least_squares(
        misfit,
        [0.0, 0.8, low, high],
        bounds=([x[0], 0.3, 1e-9, 1e-9], [x[-1], _MOST_BLUR, np.inf, np.inf]),
        x_scale="jac",
    )
    spread = max(1.0, math.sqrt(2 * found.cost / (len(x) - 4)))
    u = math.sqrt(max(float(np.linalg.pinv(found.jac.T @ found.jac)[0, 0]), 0.0)) * spread
    rise = float(found.x[1])
    return EdgeProfile(
        float(found.x[0]) - _TEXTURE_EARLIER * rise, math.hypot(u, _TEXTURE_U * rise), _SQRT2 * rise
    )
