"""One profile across the edge: the model of the blurred step, fitted (see `poolwatch.pool.edge`)."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Upper tail and density of the normal distribution at steps of 1/128 out to 7: linear interpolation errs by < 4e-6.
_PER_UNIT = 128
_LIMIT = 7.0
_Z = np.arange(-_LIMIT * _PER_UNIT, _LIMIT * _PER_UNIT + 2) / _PER_UNIT
_TAIL = np.array([0.5 * math.erfc(z / math.sqrt(2.0)) for z in _Z])
_DENSITY = np.exp(-0.5 * _Z**2) / math.sqrt(2.0 * math.pi)


# Steps of the fit where the top of the step is unseen, and else.
_STEPS_BLIND = 40
_STEPS = 6


class StepWindow(NamedTuple):
    """Where a profile is fitted, and by which spread.

    Attributes
    ----------
    start
        First guess of the place, px.
    reach
        Offset of the last sample, px.
    half
        Samples within this distance of `start` enter, px.
    sigma
        Spread of the step, px.
    """

    start: float
    reach: int
    half: float
    sigma: float


class StepTop(NamedTuple):
    """What is known of a step's height where its top is clipped.

    Attributes
    ----------
    seen
        Index of the first sample from inside with nothing clipped in it or beyond it; 0: nothing is clipped.
    height
        Height to expect where it is not seen, grey values.
    trust
        Weight of that expectation against the square of a residual, 1 / grey value² apart from noise²:
        (noise / uncertainty of the height)².
    """

    seen: int
    height: float
    trust: float


class StepFit(NamedTuple):
    """A fitted step: place, px; height, grey values; mean square residual; whether the fit held; both slopes."""

    place: float
    height: float
    square: float
    held: bool
    inner: float
    outer: float


class _Model(NamedTuple):
    """Level outside, height, place and the slopes on either side of the step that is being fitted."""

    level: float
    height: float
    place: float
    inner: float
    outer: float


@njit(cache=True, nogil=True)
def solve(a: NDArray[np.float64], x: NDArray[np.float64], size: int) -> bool:
    """Solve symmetric positive equations by elimination (LDLᵀ), `a` and the right side `x` in place.

    Only the lower triangle of `a` is read; False where it is not positive.
    """
    for j in range(size):
        top = a[j, j]
        for k in range(j):
            top -= a[j, k] * a[j, k] * a[k, k]
        # What is left of a square after all else explains it: nothing, where two slopes are one.
        if top <= 1e-11 * a[j, j] or top < 1e-12:
            return False
        a[j, j] = top
        for i in range(j + 1, size):
            below = a[i, j]
            for k in range(j):
                below -= a[i, k] * a[j, k] * a[k, k]
            a[i, j] = below / top
    for i in range(1, size):
        for k in range(i):
            x[i] -= a[i, k] * x[k]
    for i in range(size):
        x[i] /= a[i, i]
    for i in range(size - 1, -1, -1):
        for k in range(i + 1, size):
            x[i] -= a[k, i] * x[k]
    return True


@njit(cache=True, nogil=True)
def fit_step(
    profile: NDArray[np.float64], window: StepWindow, top: StepTop, slopes: tuple[float, float], free: bool
) -> StepFit:
    """Fit the blurred step to one profile, whose inner part may be clipped.

    A clipped sample is a lower limit: it enters only while the model lies below it. The step's height is then
    seen through its foot alone, and is drawn towards what is known of it from elsewhere.

    Parameters
    ----------
    profile
        Grey values at offsets -reach … reach, px.
    window
        Where the step is looked for.
    top
        What is clipped, and the height to expect there.
    slopes
        Slopes of the brightness inside and outside, grey values per px.
    free
        Whether the slopes are fitted as well, from those given.

    Returns
    -------
    StepFit
        Where the fit did not hold, the place is the first guess.
    """
    start, reach, half, _ = window
    low = max(int(math.floor(start - half)) + reach, 0)
    high = min(int(math.ceil(start + half)) + reach, 2 * reach)
    o = min(profile[high], profile[max(high - 1, 0)])
    h = max(profile[low], profile[min(low + 1, 2 * reach)]) - o
    g, f = slopes
    if h <= 0:
        return StepFit(start, 0.0, 0.0, False, g, f)
    blind = top.seen > low
    if blind:
        h = max(top.height, h)
        if high - max(top.seen, low) < 2:
            return StepFit(start, h, 0.0, False, g, f)
    # The slope inside is unseen as well.
    size = (4 if blind else 5) if free else 3
    model = _Model(o, h, start, g, f)
    sse, used, move = 0.0, 0, 0.0
    a, x = np.empty((5, 5)), np.empty(5)
    for _ in range(_STEPS_BLIND if blind else _STEPS):
        sse, used = _equations(profile, (low, high), window, model, top.seen, a, x)
        if blind:
            a[1, 1] += top.trust
            x[1] += top.trust * (top.height - model.height)
        if not solve(a, x, size):
            return StepFit(start, model.height, 0.0, False, model.inner, model.outer)
        model, move = _moved(model, x, size, blind)
        if abs(model.place - start) > 2.5 or model.height <= 0.0:
            return StepFit(start, max(model.height, 0.0), 0.0, False, model.inner, model.outer)
        # Where the inside is cut off the steps shrink slowly, and what is still to come is many times the last one.
        if abs(move) < (3e-3 if blind else 1e-2):
            break
    return StepFit(model.place, model.height, sse / max(used, 1), abs(move) < 0.02, model.inner, model.outer)


@njit(cache=True, nogil=True)
def _equations(
    profile: NDArray[np.float64],
    ends: tuple[int, int],
    window: StepWindow,
    model: _Model,
    seen: int,
    a: NDArray[np.float64],
    x: NDArray[np.float64],
) -> tuple[float, int]:
    """Normal equations of the samples between two indices, into the lower triangle of `a`, shape (5, 5), and `x`.

    Their order: level, height, place, outer and inner slope. Returns the sum of squares and how many samples enter.
    """
    o, h, s0, g, f = model
    sigma = window.sigma
    narrow = 1.0 / sigma
    sse, used = 0.0, 0
    sc = sm = su = sv = scc = scm = scu = scv = smm = smu = smv = suu = suv = svv = 0.0
    sr = scr = smr = sur = svr = 0.0
    low, high = ends
    for k in range(low, high + 1):
        s = k - window.reach - s0
        t = (min(max(s * narrow, -_LIMIT), _LIMIT) + _LIMIT) * _PER_UNIT
        i = int(t)
        t -= i
        c = _TAIL[i] + t * (_TAIL[i + 1] - _TAIL[i])
        d = _DENSITY[i] + t * (_DENSITY[i + 1] - _DENSITY[i])
        v = s * c - sigma * d
        u = s - v
        r = profile[k] - (o + h * c + g * v + f * u)
        if k < seen and r <= 0.0:
            continue
        m = h * d * narrow - g * c - f * (1.0 - c)
        used += 1
        sse += r * r
        sc, sm, su, sv = sc + c, sm + m, su + u, sv + v
        scc, scm, scu, scv = scc + c * c, scm + c * m, scu + c * u, scv + c * v
        smm, smu, smv = smm + m * m, smu + m * u, smv + m * v
        suu, suv, svv = suu + u * u, suv + u * v, svv + v * v
        sr, scr, smr, sur, svr = sr + r, scr + c * r, smr + m * r, sur + u * r, svr + v * r
    a[0, 0], x[0] = used, sr
    a[1, 0], a[1, 1], x[1] = sc, scc, scr
    a[2, 0], a[2, 1], a[2, 2], x[2] = sm, scm, smm, smr
    a[3, 0], a[3, 1], a[3, 2], a[3, 3], x[3] = su, scu, smu, suu, sur
    a[4, 0], a[4, 1], a[4, 2], a[4, 3], a[4, 4], x[4] = sv, scv, smv, suv, svv, svr
    return sse, used


@njit(cache=True, nogil=True)
def _moved(model: _Model, x: NDArray[np.float64], size: int, blind: bool) -> tuple[_Model, float]:
    """The model after a step by the first `size` of the solution `x`, and by how much its place moved, px."""
    part = 1.0
    if blind:
        # Place and unseen height are bound by a curved valley: it is followed in short steps.
        part = 1.0 / max(1.0, abs(x[2]) / 0.3, abs(x[1]) / (0.4 * model.height))
    move = min(max(part * x[2], -0.7), 0.7)
    return _Model(
        model.level + part * x[0],
        model.height + part * x[1],
        model.place + move,
        model.inner + part * x[4] if size > 4 else model.inner,
        model.outer + part * x[3] if size > 3 else model.outer,
    ), move
