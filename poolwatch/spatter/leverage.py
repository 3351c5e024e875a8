"""How far an error of the point spread moves what a fit says of a particle's size."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .least_squares import Equations, inverse
from .lights import BY_M, BY_N, BY_T, BY_X, BY_Y, LIGHT, LIGHTS, lights
from .parameters import FLUX, GROUND, PARAMETERS, SPREAD, STREAK_M, STREAK_N, Imaging, X, Y, along_streak
from .profile import PIXEL_VARIANCE, SHAPE, density, shape_of, slopes_of
from .regions import FOOT

# The window's reach is found in steps of this, px; its pixels lie off the particle's middle by these, px.
_STEP = 0.25
_OFF_X, _OFF_Y = 0.3, 0.15
# No window reaches further, px.
_FARTHEST = 500.0
# About so many pixels tell it.
_PIXELS = 400.0
# Relative change of the blur's variance over which its slope is taken.
_CHANGE = 0.02


class Particle(NamedTuple):
    """A particle's picture: light, grey values summed over pixels; T, m and n, px² (see `records`)."""

    flux: float
    spread: float
    streak_m: float
    streak_n: float


@njit(cache=True, nogil=True)
def blur_leverage(imaging: Imaging, particle: Particle, ground: float, full: float) -> tuple[float, float]:
    """Fall of T at a known streak, and of the streak's L², for each px² that the blur's variance is taken too large.

    The fit sees a picture that its model with another blur cannot give; least squares shares what is left over among
    its parameters: by (JᵀWJ)⁻¹ JᵀW ∂f/∂b², J the slopes of the model f and W the inverse noise. Of a point that is all
    of the error, of a large disc little: the middle of its edge stays where it is, and only as far as its faint side
    has less noise than its bright one does the edge seem to move.

    Parameters
    ----------
    imaging
        How the camera pictures a particle.
    particle
        The particle.
    ground
        Grey value of the ground.
    full
        Grey value from which a pixel is full.

    Returns
    -------
    tuple
        Both in px² for each px²; NaN where they cannot be told.
    """
    flux, spread, m, n = particle
    shape = np.empty(SHAPE)
    shape_of(imaging.table, spread, m, n, imaging.blur, shape)
    slopes_of(imaging.table, shape)
    xs, ys, pixels = _window(shape, m, n, imaging.blur)
    equations = Equations(np.zeros((PARAMETERS, PARAMETERS)), np.zeros(PARAMETERS))
    # The ground is known beforehand as well as one pixel of it shows (see `fit_sighting`).
    equations.matrix[GROUND, GROUND] = 1.0 / max(imaging.read + imaging.shot * ground, PIXEL_VARIANCE)
    seen_as, blurred = np.empty((LIGHTS, xs.size)), np.empty(xs.size)
    # A truth that Numba cannot know beforehand, as where fits ask for slopes.
    lights(xs, ys, 0.0, 0.0, shape, imaging.blur > 0.0, seen_as)
    _blurred(imaging, particle, xs, ys, blurred)
    g = np.empty(PARAMETERS)
    for i in range(xs.size):
        f = seen_as[LIGHT, i]
        model = max(flux * f, 0.0) + ground
        if model >= full:
            continue
        g[X], g[Y], g[FLUX], g[GROUND] = flux * seen_as[BY_X, i], flux * seen_as[BY_Y, i], f, 1.0
        g[SPREAD] = flux * seen_as[BY_T, i]
        g[STREAK_M], g[STREAK_N] = flux * seen_as[BY_M, i], flux * seen_as[BY_N, i]
        w = pixels / max(imaging.read + imaging.shot * max(model, 0.0), PIXEL_VARIANCE)
        for k in range(PARAMETERS):
            equations.vector[k] += w * g[k] * blurred[i]
            for r in range(PARAMETERS):
                equations.matrix[k, r] += w * g[k] * g[r]
    covariance = np.empty((PARAMETERS, PARAMETERS))
    if not inverse(equations.matrix, covariance):
        return math.nan, math.nan
    fall = np.zeros(PARAMETERS)
    for k in range(PARAMETERS):
        for r in range(PARAMETERS):
            fall[k] += covariance[k, r] * equations.vector[r]
    cm, cn, variance, shared = along_streak(m, n, covariance)
    slope_t = shared / variance if variance > 0.0 else 0.0
    streak = cm * fall[STREAK_M] + cn * fall[STREAK_N]
    return float(fall[SPREAD] - slope_t * streak), float(streak)


@njit(cache=True, nogil=True)
def _window(
    shape: NDArray[np.float64], m: float, n: float, blur: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Places of the pixels that a fit sees, px from the particle's centre, and how many pixels each stands for."""
    angle = 0.5 * math.atan2(n, m)
    c, s = math.cos(angle), math.sin(angle)
    foot = FOOT * density(0.0, 0.0, shape)
    along = across = 0.0
    while density(along * c, along * s, shape) > foot and along < _FARTHEST:
        along += _STEP
    while density(-across * s, across * c, shape) > foot and across < _FARTHEST:
        across += _STEP
    along += 1.5 * blur + 1.5
    across += 1.5 * blur + 1.5
    pitch = max(1.0, math.sqrt(4.0 * along * across / _PIXELS))
    rows, columns = int(across / pitch) + 1, int(along / pitch) + 1
    xs, ys = np.empty((2 * rows + 1) * (2 * columns + 1)), np.empty((2 * rows + 1) * (2 * columns + 1))
    count = 0
    for i in range(-rows, rows + 1):
        for j in range(-columns, columns + 1):
            p, q = (j + _OFF_X) * pitch, (i + _OFF_Y) * pitch
            if abs(p) <= along and abs(q) <= across:
                xs[count], ys[count] = p * c - q * s, p * s + q * c
                count += 1
    return xs[:count], ys[:count], pitch * pitch


@njit(cache=True, nogil=True)
def _blurred(
    imaging: Imaging,
    particle: Particle,
    xs: NDArray[np.float64],
    ys: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Slope of a particle's light at pixels with the variance of the blur, into `out`."""
    flux, spread, m, n = particle
    blur = imaging.blur
    change = _CHANGE * blur * blur
    wider, narrower = np.empty(SHAPE), np.empty(SHAPE)
    shape_of(imaging.table, spread, m, n, math.sqrt(blur * blur + change), wider)
    shape_of(imaging.table, spread, m, n, math.sqrt(blur * blur - change), narrower)
    for i in range(xs.size):
        out[i] = flux * (density(xs[i], ys[i], wider) - density(xs[i], ys[i], narrower)) / (2.0 * change)
