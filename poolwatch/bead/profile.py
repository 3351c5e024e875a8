"""The mean profile across an edge: where the edge lies in it, and how far it is spread."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.optimize import least_squares
from scipy.special import erf

from .facts import Floats

_SQRT2 = math.sqrt(2)
# Lenses, sharpening and JPEG bend a step by up to this share of its height.
_BENT = 0.015
# A step is fitted up to so many spreads inside the edge: a line along the edge or ripples further in are no part of it.
_INSIDE = 2.5
# Standard deviations of the point spread that are tried, px.
_LEAST_BLUR, _MOST_BLUR = 0.4, 4.0
# JPEG keeps colour at half the resolution: its steps are bent more, and spread further by this at most, px.
_BENT_COLOUR, _COLOUR_BLUR = 0.04, 3.0
# The edge lies within so many px of where columns were aligned.
_ASIDE = 4.0
# A dark or bright line inside the edges is believed where it takes so much of the misfit away.
_LINE_GAIN = 0.1
# It moves the edge by less than this, px: what moves it further has taken the line's own border for the edge.
_LINE_MOVES = 2.0
# Few places near the edge move it by less than this, px: beyond, slopes have taken the place of the step.
_NEAR_MOVES = 1.0
# Least misfit (half the mean square, in standard uncertainties) at which a line is tried.
_MISFIT = 0.03
# Where in the rise of the variance the edge of a texture lies, in spreads of that rise, and its standard uncertainty:
# half way up for grain far finer than the point spread, 0.68 before that for grain far coarser.
_TEXTURE_EARLIER, _TEXTURE_U = 0.34, 0.68 / math.sqrt(12)


class Profile(NamedTuple):
    """Mean across an edge and its standard uncertainty, shape (k, channels): brightness, then what colours add."""

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
    """Fit spread steps with sloping sides that share one point spread; all channels share the place.

    Parameters
    ----------
    x
        Places across, px, positive into the bead.
    profiles
        One of each edge.
    """
    wide = _fit(x, profiles)
    if wide.cost > _MISFIT * sum(one.mean.size for one in profiles):
        lined = _fit(x, profiles, lined=True)
        if lined.cost < _LINE_GAIN * wide.cost and _apart(lined.edges, wide.edges) < _LINE_MOVES:
            return lined.edges
    used = x <= np.clip(_INSIDE * wide.edges[0].blur, 3.0, x[-1])
    near = _fit(x[used], [Profile(one.mean[used], one.u[used]) for one in profiles]).edges
    return near if _apart(near, wide.edges) < _NEAR_MOVES else wide.edges


def _apart(some: Sequence[EdgeProfile], others: Sequence[EdgeProfile]) -> float:
    return max(abs(a.offset - b.offset) for a, b in zip(some, others, strict=True))


class _FittedEdges(NamedTuple):
    """The edges of a fit, and its misfit."""

    edges: tuple[EdgeProfile, ...]
    cost: float


def _fit(x: Floats, profiles: Sequence[Profile], *, lined: bool = False) -> _FittedEdges:
    """Fit places, spreads and reaches of lines; heights and slopes follow by linear least squares.

    Notes
    -----
    Variable projection (Golub & Pereyra 1973).
    """
    scales = [_scale(one) for one in profiles]
    count, coloured = len(profiles), profiles[0].mean.shape[1] > 1

    def misfit(p: Floats) -> Floats:
        parts = []
        for k, (one, scale) in enumerate(zip(profiles, scales, strict=True)):
            reach = float(p[2 + count + k]) if lined else 0.0
            for channel in range(one.mean.shape[1]):
                blur = math.hypot(float(p[0]), float(p[1])) if channel else float(p[0])
                parts.append(
                    _rest(_basis(x - p[2 + k], blur, reach), one.mean[:, channel], scale[:, channel])
                )
        return np.concatenate(parts)

    low = [_LEAST_BLUR, 0.0, *[-_ASIDE] * count, *[0.8] * count * lined]
    high = [_MOST_BLUR, _COLOUR_BLUR if coloured else 1e-3, *[_ASIDE] * count]
    high += [0.5 * float(x[-1]) + 1] * count * lined
    found = min(
        (
            least_squares(
                misfit,
                [1.2, 0.5 * high[1], *[start] * count, *[2.5] * count * lined],
                bounds=(low, high),
                x_scale="jac",
                max_nfev=60,
            )
            for start in (-1.5, 0.0, 1.5)
        ),
        key=lambda one: float(one.cost),
    )
    spread = max(1.0, 2 * float(found.cost) / max(len(found.fun) - len(found.x), 1))
    variance = np.maximum(np.diag(np.linalg.pinv(found.jac.T @ found.jac)), 0.0) * spread
    edges = [
        EdgeProfile(float(found.x[2 + k]), math.sqrt(float(variance[2 + k])), float(found.x[0]))
        for k in range(count)
    ]
    return _FittedEdges(tuple(edges), float(found.cost))


def _scale(profile: Profile) -> Floats:
    """What a profile may differ by from a model."""
    bent = np.full(profile.mean.shape[1], _BENT_COLOUR)
    bent[0] = _BENT
    return np.asarray(np.maximum(profile.u, bent * np.ptp(profile.mean, axis=0) + 1e-6))


def _rest(basis: Floats, mean: Floats, scale: Floats) -> Floats:
    weighted = basis / scale[:, None]
    return np.asarray(mean / scale - weighted @ np.linalg.lstsq(weighted, mean / scale, rcond=1e-9)[0])


def _basis(off: Floats, blur: float, reach: float) -> Floats:
    """A step whose sides slope; with a line, if any, that fades from the edge into the bead as half a Gaussian."""
    share = step(off, blur)
    parts = [1 - share, (1 - share) * np.minimum(off, 0), share, share * np.maximum(off, 0)]
    if reach:
        total = math.hypot(blur, reach)
        # A half Gaussian through a Gaussian spread: product of a Gaussian and an error function.
        parts.append(np.exp(-0.5 * (off / total) ** 2) * step(off, blur * total / reach))
    return np.column_stack(parts)


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
