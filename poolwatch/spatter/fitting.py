"""Fit of one sighting: disc ⊗ exposure streak ⊗ point spread on a level ground.

Saturated pixels are lower limits, pixels at black upper ones: where a recording's black is cut off, a particle's faint
wings are missing, and what is left of its edge looks too sharp.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .lights import BY_M, BY_N, BY_T, BY_X, BY_Y, LIGHT, LIGHTS, lights
from .profile import INVERSE, PIXEL_VARIANCE, RADIUS, SHAPE, shape_of, slopes_of

PARAMETERS = 7
_ROUNDS = 25
# Shares of the fall of chi-square that a step promised, above which the next may go further and below which it may not.
_KEPT, _BROKEN = 0.75, 0.5
# Fall of chi-square, which moves by 1 for a standard error, that ends a fit.
_ROUGHLY, CLOSELY = 0.3, 0.01
# Mean squared misfit, in noise, of what is no particle at all: not worth more rounds.
_HOPELESS = 100.0
# From this share of pixels at black the ground may lie below it, …
_CUT_SHARE = 0.25
# … by about this share of the particle's height.
_CUT_DEPTH = 0.1


@njit(cache=True, nogil=True)
def _solve(a: NDArray, b: NDArray, x: NDArray, n: int) -> bool:  # type: ignore[type-arg]
    """Solve the first `n` of a symmetric positive system by Cholesky; `a` is overwritten. False where not positive."""
    for i in range(n):
        for j in range(i + 1):
            s = a[i, j]
            for k in range(j):
                s -= a[i, k] * a[j, k]
            if i == j:
                if s <= 0.0:
                    return False
                a[i, i] = math.sqrt(s)
            else:
                a[i, j] = s / a[j, j]
    for i in range(n):
        s = b[i]
        for k in range(i):
            s -= a[i, k] * x[k]
        x[i] = s / a[i, i]
    for i in range(n - 1, -1, -1):
        s = x[i]
        for k in range(i + 1, n):
            s -= a[k, i] * x[k]
        x[i] = s / a[i, i]
    return True


@njit(cache=True, nogil=True)
def inverse(a: NDArray, out: NDArray) -> bool:  # type: ignore[type-arg]
    """Inverse of a symmetric positive matrix, scaled first so that units do not matter."""
    n = a.shape[0]
    scale = np.empty(n)
    for i in range(n):
        if a[i, i] <= 0.0:
            return False
        scale[i] = 1.0 / math.sqrt(a[i, i])
    work = np.empty((n, n))
    unit, x = np.zeros(n), np.empty(n)
    for k in range(n):
        for i in range(n):
            for j in range(n):
                work[i, j] = a[i, j] * scale[i] * scale[j]
            work[i, i] *= 1.0 + 1e-10
            unit[i] = 0.0
        unit[k] = 1.0
        if not _solve(work, unit, x, n):
            return False
        for i in range(n):
            out[i, k] = x[i] * scale[i] * scale[k]
    return True


@njit(cache=True, nogil=True)
def _normal_equations(
    table: NDArray,  # type: ignore[type-arg]
    xs: NDArray,  # type: ignore[type-arg]
    ys: NDArray,  # type: ignore[type-arg]
    values: NDArray,  # type: ignore[type-arg]
    veils: NDArray,  # type: ignore[type-arg]
    variance: NDArray,  # type: ignore[type-arg]
    limits: NDArray,  # type: ignore[type-arg]
    floors: NDArray,  # type: ignore[type-arg]
    blur: float,
    ground_sd: float,
    cut_sd: float,
    p: NDArray,  # type: ignore[type-arg]
    jtj: NDArray,  # type: ignore[type-arg]
    jtr: NDArray,  # type: ignore[type-arg]
    slopes: bool,
) -> tuple[float, int]:
    """Chi-square, count of pixels that bear on it, and (where asked) the normal equations at `p`.

    A particle hides what lies behind it: where the ground is brighter by `veils` than at the centre, it adds as
    much less.

    `p` is x, y, flux, ground, T, m, n (see `records`).
    """
    if not math.isfinite(p[0] + p[1] + p[2] + p[3] + p[4] + p[5] + p[6]):
        # A step from equations that hardly tell anything: no picture at all.
        return math.inf, 0
    shape = np.empty(SHAPE)
    shape_of(table, p[4], p[5], p[6], blur, shape)
    radius = shape[RADIUS] / shape[INVERSE]
    area = math.pi * radius * radius
    if p[3] < 0.0:
        ground_sd = cut_sd
    chi = (p[3] / ground_sd) ** 2
    n = 0
    g = np.empty(PARAMETERS)
    if slopes:
        for a in range(PARAMETERS):
            jtr[a] = 0.0
            for b in range(PARAMETERS):
                jtj[a, b] = 0.0
        jtj[3, 3] = 1.0 / ground_sd**2
        jtr[3] = -p[3] / ground_sd**2
        slopes_of(table, shape)
    seen_as = np.empty((LIGHTS, values.size))
    lights(xs, ys, p[0], p[1], shape, slopes, seen_as)
    for i in range(values.size):
        f = seen_as[LIGHT, i]
        flux = p[2] - area * veils[i]
        model = flux * f + p[3]
        seen = values[i]
        if seen >= limits[i] and model >= limits[i]:
            continue
        # `floors` is grey value 0; half a grey value is for rounding.
        if seen < floors[i] + 0.5 and model <= floors[i]:
            continue
        w = 1.0 / variance[i]
        d = seen - model
        chi += w * d * d
        n += 1
        if slopes:
            g[0], g[1], g[2], g[3] = flux * seen_as[BY_X, i], flux * seen_as[BY_Y, i], f, 1.0
            g[4], g[5], g[6] = flux * seen_as[BY_T, i], flux * seen_as[BY_M, i], flux * seen_as[BY_N, i]
            for a in range(PARAMETERS):
                ga = w * g[a]
                jtr[a] += ga * d
                for b in range(a + 1):
                    jtj[a, b] += ga * g[b]
    if slopes:
        for a in range(PARAMETERS):
            for b in range(a):
                jtj[b, a] = jtj[a, b]
    return chi, n


@njit(cache=True, nogil=True)
def noise_of(
    table: NDArray,  # type: ignore[type-arg]
    xs: NDArray,  # type: ignore[type-arg]
    ys: NDArray,  # type: ignore[type-arg]
    grounds: NDArray,  # type: ignore[type-arg]
    blur: float,
    read: float,
    shot: float,
    p: NDArray,  # type: ignore[type-arg]
    variance: NDArray,  # type: ignore[type-arg]
) -> None:
    """Variance of each pixel under the model at `p`, squared grey values."""
    shape = np.empty(SHAPE)
    shape_of(table, p[4], p[5], p[6], blur, shape)
    seen_as = np.empty((LIGHTS, xs.size))
    lights(xs, ys, p[0], p[1], shape, blur <= 0.0, seen_as)
    for i in range(xs.size):
        model = max(p[2], 0.0) * seen_as[LIGHT, i] + p[3]
        variance[i] = max(read + shot * max(grounds[i] + model, 0.0), PIXEL_VARIANCE)


@njit(cache=True, nogil=True)
def veil(
    xs: NDArray,  # type: ignore[type-arg]
    ys: NDArray,  # type: ignore[type-arg]
    grounds: NDArray,  # type: ignore[type-arg]
    x: float,
    y: float,
    out: NDArray,  # type: ignore[type-arg]
) -> None:
    """Ground at each pixel less the ground at the pixel nearest to (x, y)."""
    nearest, best = 0, 1e18
    for i in range(xs.size):
        d = (xs[i] - x) ** 2 + (ys[i] - y) ** 2
        if d < best:
            nearest, best = i, d
    for i in range(xs.size):
        out[i] = grounds[i] - grounds[nearest]


@njit(cache=True, nogil=True)
def descend(
    table: NDArray,  # type: ignore[type-arg]
    xs: NDArray,  # type: ignore[type-arg]
    ys: NDArray,  # type: ignore[type-arg]
    values: NDArray,  # type: ignore[type-arg]
    veils: NDArray,  # type: ignore[type-arg]
    variance: NDArray,  # type: ignore[type-arg]
    limits: NDArray,  # type: ignore[type-arg]
    floors: NDArray,  # type: ignore[type-arg]
    blur: float,
    ground_sd: float,
    close: float,
    free: int,
    p: NDArray,  # type: ignore[type-arg]
    jtj: NDArray,  # type: ignore[type-arg]
    jtr: NDArray,  # type: ignore[type-arg]
) -> tuple[float, int]:
    """Levenberg-Marquardt at a given noise over the first `free` of `p`, which and the equations are overwritten.

    It ends where chi-square would fall by less than `close` and a hundredth of `close` of itself.

    Nothing is taken to be longer or wider than twice the place its pixels take up: beyond, they tell nothing.
    """
    longest2 = 4.0 * ((xs.max() - xs.min()) ** 2 + (ys.max() - ys.min()) ** 2) + blur * blur
    at_black, top, cut_sd = 0, 0.0, ground_sd
    for i in range(values.size):
        top = max(top, values[i])
        if values[i] < floors[i] + 0.5:
            at_black += 1
    if at_black > _CUT_SHARE * values.size:
        cut_sd = max(ground_sd, _CUT_DEPTH * top)
    work, step = np.empty((PARAMETERS, PARAMETERS)), np.zeros(PARAMETERS)
    trial = np.empty(PARAMETERS)
    next_jtj, next_jtr = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    damping = 1e-2
    # After a step that helped the next will, too: its slopes are worked out at once.
    hopeful = True
    # Truths that Numba cannot know beforehand: it would compile the function once for each.
    slopes, no_slopes = blur > 0.0, blur <= 0.0
    chi, n = _normal_equations(
        table, xs, ys, values, veils, variance, limits, floors, blur, ground_sd, cut_sd, p, jtj, jtr, slopes
    )
    for turn in range(_ROUNDS):
        for a in range(PARAMETERS):
            for b in range(PARAMETERS):
                work[a, b] = jtj[a, b]
            work[a, a] = jtj[a, a] * (1.0 + damping) + 1e-30
        good, new, next_n = _solve(work, jtr, step, free), 0.0, n
        promise = 0.0
        if good:
            for a in range(free):
                promise += step[a] * jtr[a]
            if promise < close * (1.0 + 1e-2 * chi) and damping < 1.0:
                break
            size = max(p[4], 0.0) + blur * blur
            step[4] = min(max(step[4], -0.7 * size), 1.5 * size)
            reach = 2.0 * math.sqrt(size) + 1.0
            step[0] = min(max(step[0], -reach), reach)
            step[1] = min(max(step[1], -reach), reach)
            for a in range(PARAMETERS):
                trial[a] = p[a] + step[a]
            length2 = math.hypot(trial[5], trial[6])
            if length2 > longest2:
                trial[5] *= longest2 / length2
                trial[6] *= longest2 / length2
                length2 = longest2
            trial[4] = min(max(trial[4], -0.8 * blur * blur + length2 / 24.0), longest2)
            if trial[2] <= 0.0:
                trial[2] = 0.1 * p[2]
            new, next_n = _normal_equations(
                table, xs, ys, values, veils, variance, limits, floors, blur, ground_sd, cut_sd, trial,
                next_jtj, next_jtr, slopes if hopeful else no_slopes,
            )  # fmt: skip
        if good and new < chi:
            gain = chi - new
            for a in range(PARAMETERS):
                p[a] = trial[a]
            chi, n = new, next_n
            if not hopeful:
                chi, n = _normal_equations(
                    table, xs, ys, values, veils, variance, limits, floors, blur, ground_sd, cut_sd, p,
                    next_jtj, next_jtr, slopes,
                )  # fmt: skip
            for a in range(PARAMETERS):
                jtr[a] = next_jtr[a]
                for b in range(PARAMETERS):
                    jtj[a, b] = next_jtj[a, b]
            hopeful = True
            # A step that gained little of what it promised went too far: in a narrow valley, to the other side.
            if gain > _KEPT * promise:
                damping = max(damping * 0.1, 1e-7)
            elif gain < _BROKEN * promise:
                damping = max(damping * 30.0, 1e-2)
            if gain < close * (1.0 + 1e-2 * chi) or (turn >= 4 and chi > _HOPELESS * n and gain < 0.1 * chi):
                break
        else:
            damping *= 8.0
            hopeful = False
            if damping > 1e5:
                break
    return chi, n


@njit(cache=True, nogil=True)
def fit_sighting(
    table: NDArray,  # type: ignore[type-arg]
    xs: NDArray,  # type: ignore[type-arg]
    ys: NDArray,  # type: ignore[type-arg]
    values: NDArray,  # type: ignore[type-arg]
    grounds: NDArray,  # type: ignore[type-arg]
    limits: NDArray,  # type: ignore[type-arg]
    blur: float,
    read: float,
    shot: float,
    ground_sd: float,
    p: NDArray,  # type: ignore[type-arg]
    covariance: NDArray,  # type: ignore[type-arg]
) -> tuple[float, int]:
    """Least squares by Levenberg-Marquardt from the start in `p`, which is overwritten by the answer.

    Parameters
    ----------
    xs, ys, values, grounds, limits
        Pixels of the sighting: place, grey value above the ground, the ground's own grey value (for the noise)
        and the value above the ground at which the pixel is full.
    blur
        Standard deviation of point spread and pixel together, px.
    read, shot
        Noise variance = read + shot · grey value.
    ground_sd
        How well the ground is known beforehand, grey values.
    p, covariance
        Parameters (7) and their covariance (7, 7).

    Returns
    -------
    tuple
        Reduced chi-square and the number of pixels that bear on it; chi-square is -1 where the fit failed.
    """
    variance, veils = np.empty(values.size), np.empty(values.size)
    veil(xs, ys, grounds, p[0], p[1], veils)
    chi, n = 0.0, 0
    jtj, jtr = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    # The noise goes by the model, not by the data, and stands still while the model is fitted: twice, at first roughly.
    for close in (_ROUGHLY, CLOSELY):
        noise_of(table, xs, ys, grounds, blur, read, shot, p, variance)
        chi, n = descend(
            table, xs, ys, values, veils, variance, limits, -grounds, blur, ground_sd, close, p.size, p, jtj, jtr
        )  # fmt: skip
        if chi > _HOPELESS * max(n, 1):
            break
    if n <= PARAMETERS or not inverse(jtj, covariance):
        return -1.0, n
    return chi / (n - PARAMETERS), n


@njit(cache=True, nogil=True)
def soft_edge(
    table: NDArray,  # type: ignore[type-arg]
    xs: NDArray,  # type: ignore[type-arg]
    ys: NDArray,  # type: ignore[type-arg]
    values: NDArray,  # type: ignore[type-arg]
    grounds: NDArray,  # type: ignore[type-arg]
    limits: NDArray,  # type: ignore[type-arg]
    blur: float,
    read: float,
    shot: float,
    ground_sd: float,
    p: NDArray,  # type: ignore[type-arg]
) -> bool:
    """Whether a sighting of any size fits better with most of its width in a soft edge than in a disc.

    Both fits have the same number of parameters and the same noise; the soft one must gain 3 standard
    deviations and a tenth of the misfit.
    """
    disc = p[4] - math.hypot(p[5], p[6]) / 24.0
    variance, veils = np.empty(values.size), np.zeros(values.size)
    jtj, jtr = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    noise_of(table, xs, ys, grounds, blur, read, shot, p, variance)
    sharp, soft = p.copy(), p.copy()
    soft[4] = p[4] - 0.7 * disc
    wide = math.sqrt(blur * blur + 0.7 * disc)
    a, _n = descend(
        table, xs, ys, values, veils, variance, limits, -grounds, blur, ground_sd, CLOSELY, p.size, sharp, jtj, jtr
    )  # fmt: skip
    b, _n = descend(
        table, xs, ys, values, veils, variance, limits, -grounds, wide, ground_sd, CLOSELY, p.size, soft, jtj, jtr
    )  # fmt: skip
    return bool(b < 0.9 * a and b < a - 9.0)


def blur_of(psf_sigma: float) -> float:
    """Standard deviation of point spread and pixel together, px."""
    return math.sqrt(psf_sigma**2 + PIXEL_VARIANCE)
