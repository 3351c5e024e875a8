"""How far an error of the point spread moves what a fit says of a particle's size."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .fitting import PARAMETERS, inverse
from .lights import BY_M, BY_N, BY_T, BY_X, BY_Y, LIGHT, LIGHTS, lights
from .profile import PIXEL_VARIANCE, SHAPE, density, shape_of, slopes_of
from .regions import FOOT

# The window's reach is found in steps of this, px; its pixels lie off the particle's middle by these, px.
_STEP = 0.25
_OFF_X, _OFF_Y = 0.3, 0.15
# About so many pixels tell it.
_PIXELS = 400.0
# Relative change of the blur's variance over which its slope is taken.
_CHANGE = 0.02


@njit(cache=True, nogil=True)
def blur_leverage(
    table: NDArray,  # type: ignore[type-arg]
    particle: NDArray,  # type: ignore[type-arg]
    blur: float,
    read: float,
    shot: float,
    ground: float,
    full: float,
) -> tuple[float, float]:
    """Fall of T at a known streak, and of the streak's L², for each px² that the blur's variance is taken too large.

    The fit sees a picture that its model with another blur cannot give; least squares shares what is left over among
    its parameters: by (JᵀWJ)⁻¹ JᵀW ∂f/∂b², J the slopes of the model f and W the inverse noise. Of a point that is all
    of the error, of a large disc little: the middle of its edge stays where it is, and only as far as its faint side
    has less noise than its bright one does the edge seem to move.

    Parameters
    ----------
    table
        See `disc_table`.
    particle
        Flux, T, m and n (see `records`), shape (4,).
    blur
        Standard deviation of point spread and pixel together, px.
    read, shot
        Noise variance = read + shot · grey value.
    ground
        Grey value of the ground.
    full
        Grey value from which a pixel is full.

    Returns
    -------
    tuple
        Both in px² for each px²; NaN where they cannot be told.
    """
    flux, spread, m, n = particle[0], particle[1], particle[2], particle[3]
    shape, wider, narrower = np.empty(SHAPE), np.empty(SHAPE), np.empty(SHAPE)
    shape_of(table, spread, m, n, blur, shape)
    slopes_of(table, shape)
    change = _CHANGE * blur * blur
    shape_of(table, spread, m, n, math.sqrt(blur * blur + change), wider)
    shape_of(table, spread, m, n, math.sqrt(blur * blur - change), narrower)
    angle = 0.5 * math.atan2(n, m)
    c, s = math.cos(angle), math.sin(angle)
    foot = FOOT * density(0.0, 0.0, shape)
    along = across = 0.0
    while density(along * c, along * s, shape) > foot and along < 500.0:
        along += _STEP
    while density(-across * s, across * c, shape) > foot and across < 500.0:
        across += _STEP
    along += 1.5 * blur + 1.5
    across += 1.5 * blur + 1.5
    pitch = max(1.0, math.sqrt(4.0 * along * across / _PIXELS))
    a = np.zeros((PARAMETERS, PARAMETERS))
    b, g = np.zeros(PARAMETERS), np.empty(PARAMETERS)
    # The ground is known beforehand as well as one pixel of it shows (see `fit_sighting`).
    a[3, 3] = 1.0 / max(read + shot * ground, PIXEL_VARIANCE)
    pixels = pitch * pitch
    rows, columns = int(across / pitch) + 1, int(along / pitch) + 1
    xs, ys = np.empty((2 * rows + 1) * (2 * columns + 1)), np.empty((2 * rows + 1) * (2 * columns + 1))
    count = 0
    for i in range(-rows, rows + 1):
        for j in range(-columns, columns + 1):
            p, q = (j + _OFF_X) * pitch, (i + _OFF_Y) * pitch
            if abs(p) <= along and abs(q) <= across:
                xs[count], ys[count] = p * c - q * s, p * s + q * c
                count += 1
    seen_as = np.empty((LIGHTS, count))
    # A truth that Numba cannot know beforehand, as where fits ask for slopes.
    lights(xs[:count], ys[:count], 0.0, 0.0, shape, blur > 0.0, seen_as)
    for i in range(count):
        f = seen_as[LIGHT, i]
        model = max(flux * f, 0.0) + ground
        if model >= full:
            continue
        g[0], g[1], g[2], g[3] = flux * seen_as[BY_X, i], flux * seen_as[BY_Y, i], f, 1.0
        g[4], g[5], g[6] = flux * seen_as[BY_T, i], flux * seen_as[BY_M, i], flux * seen_as[BY_N, i]
        w = pixels / max(read + shot * max(model, 0.0), PIXEL_VARIANCE)
        blurred = flux * (density(xs[i], ys[i], wider) - density(xs[i], ys[i], narrower)) / (2.0 * change)
        for k in range(PARAMETERS):
            b[k] += w * g[k] * blurred
            for r in range(PARAMETERS):
                a[k, r] += w * g[k] * g[r]
    covariance = np.empty((PARAMETERS, PARAMETERS))
    if not inverse(a, covariance):
        return math.nan, math.nan
    fall = np.zeros(PARAMETERS)
    for k in range(PARAMETERS):
        for r in range(PARAMETERS):
            fall[k] += covariance[k, r] * b[r]
    length2 = math.hypot(m, n)
    cm, cn = (m / length2, n / length2) if length2 > 1e-9 else (1.0, 0.0)
    variance = cm * cm * covariance[5, 5] + cn * cn * covariance[6, 6] + 2.0 * cm * cn * covariance[5, 6]
    slope_t = (cm * covariance[4, 5] + cn * covariance[4, 6]) / variance if variance > 0.0 else 0.0
    streak = cm * fall[5] + cn * fall[6]
    return float(fall[4] - slope_t * streak), float(streak)
