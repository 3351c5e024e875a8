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
# Parameters of an edge: place, low, slope, high, climb; with a line along its inside, its depth and reach, too.
_PLAIN, _LINED = 5, 7
# A dark or bright line inside the edges is believed where it takes so much of the misfit away.
_LINE_GAIN = 0.1
# Least misfit (half the mean square, in standard uncertainties) at which a line is tried.
_MISFIT = 0.03
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
    """Fit spread steps with sloping sides that share one point spread.

    Parameters
    ----------
    x
        Places across, px, positive into the bead.
    profiles
        One of each edge.
    """
    wide = _fit(x, profiles)
    best = wide
    for depth in (-0.3, 0.3) if wide.cost > _MISFIT * len(x) * len(profiles) else ():
        lined = _fit(x, profiles, depth, wide.edges)
        if lined.cost < min(_LINE_GAIN * wide.cost, best.cost):
            best = lined
    if best is not wide:
        return best.edges
    used = x <= np.clip(_INSIDE * wide.edges[0].blur, 3.0, x[-1])
    near = [Profile(one.mean[used], one.u[used]) for one in profiles]
    return _fit(x[used], near).edges


class _FittedEdges(NamedTuple):
    """The edges of a fit, and its misfit."""

    edges: tuple[EdgeProfile, ...]
    cost: float


def _fit(
    x: Floats, profiles: Sequence[Profile], depth: float = 0.0, without: Sequence[EdgeProfile] = ()
) -> _FittedEdges:
    """Fit to all places; with lines, which begin at a share of the height, from the fit without."""
    each = _LINED if depth else _PLAIN
    starts = range(1, 1 + each * len(profiles), each)
    first, low, high = [1.2], [_LEAST_BLUR], [_MOST_BLUR]
    scales = []
    for k, (mean, u) in enumerate(profiles):
        ends = float(np.mean(mean[:3])), float(np.mean(mean[-3:]))
        scales.append(np.maximum(u, _BENT * abs(ends[1] - ends[0]) + 1e-6))
        begin = max(without[k].offset - 1.0, float(x[0])) if without else 0.0
        first += [begin, ends[0], 0.0, ends[1], 0.0, depth * abs(ends[1]), 2.5][:each]
        low += [float(x[0]), *[-np.inf] * 5, 0.8][:each]
        high += [float(x[-1]), *[np.inf] * 5, 0.5 * float(x[-1]) + 1][:each]

    def misfit(p: Floats) -> Floats:
        parts = [
            (_edge(x, float(p[0]), p[k : k + each]) - one.mean) / scale
            for k, one, scale in zip(starts, profiles, scales, strict=True)
        ]
        return np.concatenate(parts)

    found = least_squares(misfit, first, bounds=(low, high), x_scale="jac")
    spread = max(1.0, 2 * float(found.cost) / (len(x) * len(profiles) - len(first)))
    variance = np.maximum(np.diag(np.linalg.pinv(found.jac.T @ found.jac)), 0.0) * spread
    edges = [EdgeProfile(float(found.x[k]), math.sqrt(float(variance[k])), float(found.x[0])) for k in starts]
    return _FittedEdges(tuple(edges), float(found.cost))


def _edge(x: Floats, blur: float, p: Floats) -> Floats:
    """A step whose sides slope; with a line, if any, that fades from the edge into the bead as half a Gaussian."""
    place, low, slope, high, climb, *line = p
    off = x - place
    share = step(off, blur)
    sides = (1 - share) * (low + slope * np.minimum(off, 0)) + share * (high + climb * np.maximum(off, 0))
    if not line:
        return np.asarray(sides)
    depth, reach = line
    total = math.hypot(blur, reach)
    # A half Gaussian through a Gaussian spread: product of a Gaussian and an error function.
    faded = np.exp(-0.5 * (off / total) ** 2) * step(off, blur * total / reach)
    return np.asarray(sides + depth * reach / total * faded)


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
