"""Fit of one sighting: disc ⊗ exposure streak ⊗ point spread on a level ground.

Saturated pixels are lower limits, pixels at black upper ones: where a recording's black is cut off, a particle's faint
wings are missing, and what is left of its edge looks too sharp.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .least_squares import Equations, inverse, solve
from .lights import BY_M, BY_N, BY_T, BY_X, BY_Y, LIGHT, LIGHTS, lights
from .parameters import (
    FLUX,
    GROUND,
    PARAMETERS,
    SPREAD,
    STREAK_M,
    STREAK_N,
    Imaging,
    Pixels,
    X,
    Y,
)
from .profile import INVERSE, PIXEL_VARIANCE, RADIUS, SHAPE, shape_of, slopes_of

# Steps of a fit at most.
_ROUNDS = 25
# Shares of the fall of chi-square that a step promised, above which the next may go further and below which it may not.
_KEPT, _BROKEN = 0.75, 0.5
# Fall of chi-square, which moves by 1 for a standard error, that ends a fit; the share of it that each unit of
# chi-square adds.
_ROUGHLY, CLOSELY = 0.3, 0.01
_RELATIVE = 1e-2
# Mean squared misfit, in noise, of what is no particle at all: not worth more rounds.
_HOPELESS = 100.0
# From this share of pixels at black the ground may lie below it, …
_CUT_SHARE = 0.25
# … by about this share of the particle's height.
_CUT_DEPTH = 0.1
# Grey values: a pixel this far above black may show black, by rounding.
_ROUNDED = 0.5
# Damping of the first step, the least, the least after a step that went too far, and the one that ends a fit.
_FIRST_DAMPING, _LEAST_DAMPING, _RAISED_DAMPING, _MOST_DAMPING = 1e-2, 1e-7, 1e-2, 1e5
# A fit of a soft edge gives this share of the disc's variance to the blur, and must leave less than this share of the
# disc's chi-square and three standard deviations less of it.
_SOFTENED, _SOFT_SHARE, _SOFT_GAIN = 0.7, 0.9, 9.0


class FitProblem(NamedTuple):
    """What a descent at a given noise goes by.

    Attributes
    ----------
    table, blur
        See `Imaging`.
    pixels
        Pixels of the sighting.
    veil
        By how much the ground is brighter than at the particle's centre, grey values, one for each pixel.
    variance
        Noise of each pixel, squared grey values.
    ground_sd
        How well the ground is known beforehand, grey values.
    """

    table: NDArray[np.float32]
    blur: float
    pixels: Pixels
    veil: NDArray[np.float64]
    variance: NDArray[np.float64]
    ground_sd: float


@njit(cache=True, nogil=True)
def equations_for() -> Equations:
    """Room for the equations of a fit."""
    return Equations(np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS))


@njit(cache=True, nogil=True)
def _begin(p: NDArray[np.float64], ground_sd: float, equations: Equations) -> None:
    """Write the equations of what is known of the ground beforehand."""
    matrix, vector = equations
    for a in range(PARAMETERS):
        vector[a] = 0.0
        for b in range(PARAMETERS):
            matrix[a, b] = 0.0
    matrix[GROUND, GROUND] = 1.0 / ground_sd**2
    vector[GROUND] = -p[GROUND] / ground_sd**2


@njit(cache=True, nogil=True)
def _normal_equations(
    problem: FitProblem, cut_sd: float, p: NDArray[np.float64], equations: Equations, slopes: bool
) -> tuple[float, int]:
    """Chi-square, count of pixels that bear on it, and (where asked) the normal equations at `p`, into `equations`.

    A particle hides what lies behind it: where the ground is brighter by `veil` than at the centre, it adds as
    much less. `cut_sd` is how far the ground may lie below black, grey values.
    """
    x, y, value, ground, limit = problem.pixels
    veils, variance, matrix, vector = problem.veil, problem.variance, equations.matrix, equations.vector
    if not math.isfinite(p[X] + p[Y] + p[FLUX] + p[GROUND] + p[SPREAD] + p[STREAK_M] + p[STREAK_N]):
        # A step from equations that hardly tell anything: no picture at all.
        return math.inf, 0
    shape = np.empty(SHAPE)
    shape_of(problem.table, p[SPREAD], p[STREAK_M], p[STREAK_N], problem.blur, shape)
    radius = shape[RADIUS] / shape[INVERSE]
    area = math.pi * radius * radius
    ground_sd = cut_sd if p[GROUND] < 0.0 else problem.ground_sd
    chi = (p[GROUND] / ground_sd) ** 2
    n = 0
    g = np.empty(PARAMETERS)
    if slopes:
        _begin(p, ground_sd, equations)
        slopes_of(problem.table, shape)
    seen_as = np.empty((LIGHTS, x.size))
    lights(x, y, p[X], p[Y], shape, slopes, seen_as)
    for i in range(x.size):
        f = seen_as[LIGHT, i]
        flux = p[FLUX] - area * veils[i]
        model = flux * f + p[GROUND]
        # A full pixel is a lower limit, one at grey value 0 an upper one.
        seen, floor = value[i], -ground[i]
        if seen >= limit[i] and model >= limit[i]:
            continue
        if seen < floor + _ROUNDED and model <= floor:
            continue
        w = 1.0 / variance[i]
        d = seen - model
        chi += w * d * d
        n += 1
        if slopes:
            g[X], g[Y], g[FLUX], g[GROUND] = flux * seen_as[BY_X, i], flux * seen_as[BY_Y, i], f, 1.0
            g[SPREAD] = flux * seen_as[BY_T, i]
            g[STREAK_M], g[STREAK_N] = flux * seen_as[BY_M, i], flux * seen_as[BY_N, i]
            for a in range(PARAMETERS):
                ga = w * g[a]
                vector[a] += ga * d
                for b in range(a + 1):
                    matrix[a, b] += ga * g[b]
    if slopes:
        for a in range(PARAMETERS):
            for b in range(a):
                matrix[b, a] = matrix[a, b]
    return chi, n


@njit(cache=True, nogil=True)
def noise_of(imaging: Imaging, pixels: Pixels, p: NDArray[np.float64], variance: NDArray[np.float64]) -> None:
    """Variance of each pixel under the model at `p`, squared grey values, into `variance`."""
    shape = np.empty(SHAPE)
    shape_of(imaging.table, p[SPREAD], p[STREAK_M], p[STREAK_N], imaging.blur, shape)
    seen_as = np.empty((LIGHTS, pixels.x.size))
    lights(pixels.x, pixels.y, p[X], p[Y], shape, imaging.blur <= 0.0, seen_as)
    ground, read, shot = pixels.ground, imaging.read, imaging.shot
    for i in range(ground.size):
        model = max(p[FLUX], 0.0) * seen_as[LIGHT, i] + p[GROUND]
        variance[i] = max(read + shot * max(ground[i] + model, 0.0), PIXEL_VARIANCE)


@njit(cache=True, nogil=True)
def veil(pixels: Pixels, x: float, y: float, out: NDArray[np.float64]) -> None:
    """Ground at each pixel less the ground at the pixel nearest to (x, y), into `out`."""
    xs, ys, ground = pixels.x, pixels.y, pixels.ground
    nearest, best = 0, 1e18
    for i in range(xs.size):
        d = (xs[i] - x) ** 2 + (ys[i] - y) ** 2
        if d < best:
            nearest, best = i, d
    for i in range(xs.size):
        out[i] = ground[i] - ground[nearest]


@njit(cache=True, nogil=True)
def _cut_off(pixels: Pixels, ground_sd: float) -> float:
    """How far the ground may lie below black, grey values: further than `ground_sd` where many pixels are at black."""
    value, ground = pixels.value, pixels.ground
    at_black, top = 0, 0.0
    for i in range(value.size):
        top = max(top, value[i])
        if value[i] < -ground[i] + _ROUNDED:
            at_black += 1
    return max(ground_sd, _CUT_DEPTH * top) if at_black > _CUT_SHARE * value.size else ground_sd


@njit(cache=True, nogil=True)
def _tried(
    p: NDArray[np.float64],
    step: NDArray[np.float64],
    blur: float,
    longest2: float,
    trial: NDArray[np.float64],
) -> None:
    """Where a step leads from `p`, into `trial`; `step` is cut to what the equations may be trusted with.

    Nothing is taken to be longer or wider than `longest2`, px².
    """
    size = max(p[SPREAD], 0.0) + blur * blur
    step[SPREAD] = min(max(step[SPREAD], -0.7 * size), 1.5 * size)
    reach = 2.0 * math.sqrt(size) + 1.0
    step[X] = min(max(step[X], -reach), reach)
    step[Y] = min(max(step[Y], -reach), reach)
    for a in range(PARAMETERS):
        trial[a] = p[a] + step[a]
    length2 = math.hypot(trial[STREAK_M], trial[STREAK_N])
    if length2 > longest2:
        trial[STREAK_M] *= longest2 / length2
        trial[STREAK_N] *= longest2 / length2
        length2 = longest2
    trial[SPREAD] = min(max(trial[SPREAD], -0.8 * blur * blur + length2 / 24.0), longest2)
    if trial[FLUX] <= 0.0:
        trial[FLUX] = 0.1 * p[FLUX]


@njit(cache=True, nogil=True)
def _step_of(
    equations: Equations, damping: float, free: int, work: NDArray[np.float64], step: NDArray[np.float64]
) -> float:
    """Damped step of the first `free` parameters, into `step`; `work` is room for a matrix.

    Returns the fall of chi-square that it promises; NaN where the equations cannot be solved.
    """
    matrix, vector = equations
    for a in range(PARAMETERS):
        for b in range(PARAMETERS):
            work[a, b] = matrix[a, b]
        work[a, a] = matrix[a, a] * (1.0 + damping) + 1e-30
    if not solve(work, vector, step, free):
        return math.nan
    promise = 0.0
    for a in range(free):
        promise += step[a] * vector[a]
    return promise


@njit(cache=True, nogil=True)
def _take_over(
    trial: NDArray[np.float64], following: Equations, p: NDArray[np.float64], equations: Equations
) -> None:
    """Write the parameters and equations of a step that helped in the place of those before it."""
    for a in range(PARAMETERS):
        p[a] = trial[a]
        equations.vector[a] = following.vector[a]
        for b in range(PARAMETERS):
            equations.matrix[a, b] = following.matrix[a, b]


@njit(cache=True, nogil=True)
def descend(
    problem: FitProblem, close: float, free: int, p: NDArray[np.float64], equations: Equations
) -> tuple[float, int]:
    """Levenberg-Marquardt at a given noise over the first `free` of `p`, which and `equations` are overwritten.

    It ends where chi-square would fall by less than `close` and a hundredth of `close` of itself. Returns chi-square
    and the number of pixels that bear on it.

    Nothing is taken to be longer or wider than twice the place its pixels take up: beyond, they tell nothing.
    """
    x, y, blur = problem.pixels.x, problem.pixels.y, problem.blur
    longest2 = 4.0 * ((x.max() - x.min()) ** 2 + (y.max() - y.min()) ** 2) + blur * blur
    cut_sd = _cut_off(problem.pixels, problem.ground_sd)
    work, step = np.empty((PARAMETERS, PARAMETERS)), np.zeros(PARAMETERS)
    trial, following = np.empty(PARAMETERS), equations_for()
    damping = _FIRST_DAMPING
    # After a step that helped the next will, too: its slopes are worked out at once.
    hopeful = True
    # Truths that Numba cannot know beforehand: it would compile the function once for each.
    slopes, no_slopes = blur > 0.0, blur <= 0.0
    chi, n = _normal_equations(problem, cut_sd, p, equations, slopes)
    for turn in range(_ROUNDS):
        promise = _step_of(equations, damping, free, work, step)
        good, new, next_n = not math.isnan(promise), 0.0, n
        if good:
            if promise < close * (1.0 + _RELATIVE * chi) and damping < 1.0:
                break
            _tried(p, step, blur, longest2, trial)
            new, next_n = _normal_equations(
                problem, cut_sd, trial, following, slopes if hopeful else no_slopes
            )
        if good and new < chi:
            gain = chi - new
            chi, n = new, next_n
            if not hopeful:
                chi, n = _normal_equations(problem, cut_sd, trial, following, slopes)
            _take_over(trial, following, p, equations)
            hopeful = True
            # A step that gained little of what it promised went too far: in a narrow valley, to the other side.
            if gain > _KEPT * promise:
                damping = max(damping * 0.1, _LEAST_DAMPING)
            elif gain < _BROKEN * promise:
                damping = max(damping * 30.0, _RAISED_DAMPING)
            hopeless = turn >= 4 and chi > _HOPELESS * n and gain < 0.1 * chi
            if gain < close * (1.0 + _RELATIVE * chi) or hopeless:
                break
        else:
            damping *= 8.0
            hopeful = False
            if damping > _MOST_DAMPING:
                break
    return chi, n


@njit(cache=True, nogil=True)
def fit_sighting(
    imaging: Imaging,
    pixels: Pixels,
    ground_sd: float,
    p: NDArray[np.float64],
    covariance: NDArray[np.float64],
) -> tuple[float, int]:
    """Least squares by Levenberg-Marquardt from the start in `p`, which is overwritten by the answer.

    Parameters
    ----------
    imaging
        How the camera pictures a particle.
    pixels
        Pixels of the sighting.
    ground_sd
        How well the ground is known beforehand, grey values.
    p, covariance
        Parameters (see `parameters`), shape (`PARAMETERS`,), and their covariance; written.

    Returns
    -------
    tuple
        Reduced chi-square and the number of pixels that bear on it; chi-square is -1 where the fit failed.
    """
    variance, veils = np.empty(pixels.x.size), np.empty(pixels.x.size)
    veil(pixels, p[X], p[Y], veils)
    problem = FitProblem(imaging.table, imaging.blur, pixels, veils, variance, ground_sd)
    chi, n = 0.0, 0
    equations = equations_for()
    # The noise goes by the model, not by the data, and stands still while the model is fitted: twice, at first roughly.
    for close in (_ROUGHLY, CLOSELY):
        noise_of(imaging, pixels, p, variance)
        chi, n = descend(problem, close, p.size, p, equations)
        if chi > _HOPELESS * max(n, 1):
            break
    if n <= PARAMETERS or not inverse(equations.matrix, covariance):
        return -1.0, n
    return chi / (n - PARAMETERS), n


@njit(cache=True, nogil=True)
def soft_edge(imaging: Imaging, pixels: Pixels, ground_sd: float, p: NDArray[np.float64]) -> bool:
    """Whether a sighting of any size fits better with most of its width in a soft edge than in a disc.

    Both fits have the same number of parameters and the same noise; the soft one must gain 3 standard
    deviations and a tenth of the misfit. `p` is the answer of `fit_sighting`, which is left as it is.
    """
    disc = p[SPREAD] - math.hypot(p[STREAK_M], p[STREAK_N]) / 24.0
    variance, no_veil = np.empty(pixels.x.size), np.zeros(pixels.x.size)
    equations = equations_for()
    noise_of(imaging, pixels, p, variance)
    sharp, soft = p.copy(), p.copy()
    soft[SPREAD] = p[SPREAD] - _SOFTENED * disc
    wide = math.sqrt(imaging.blur * imaging.blur + _SOFTENED * disc)
    a, _n = descend(
        FitProblem(imaging.table, imaging.blur, pixels, no_veil, variance, ground_sd),
        CLOSELY, p.size, sharp, equations,
    )  # fmt: skip
    b, _n = descend(
        FitProblem(imaging.table, wide, pixels, no_veil, variance, ground_sd),
        CLOSELY,
        p.size,
        soft,
        equations,
    )
    return bool(b < _SOFT_SHARE * a and b < a - _SOFT_GAIN)


def blur_of(psf_sigma: float) -> float:
    """Standard deviation of point spread and pixel together, px."""
    return math.sqrt(psf_sigma**2 + PIXEL_VARIANCE)
