"""The picture of a glowing sphere: a disc, blurred by the point spread and drawn out by its flight.

A disc of radius R and unit light, convolved with a Gaussian of standard deviation 1, is tabulated once over
(R, r); every length is scaled by the width of the point spread. The exposure streak is a sum over places along
the flight. The pixel's own width enters as a Gaussian of variance 1/12 px².
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

STEP = 0.1
_R_MAX = 12.0
REACH = 4.5
PIXEL_VARIANCE = 1.0 / 12.0


@lru_cache(maxsize=1)
def disc_table() -> NDArray[np.float32]:
    """Light density of the blurred disc, shape (radii, places), both in steps of `STEP` standard deviations.

    By the Fourier-Bessel (Hankel) integral of the product of the two transforms:
    f(r) = 1/2π ∫ k J0(kr) 2 J1(kR)/(kR) exp(-k²/2) dk.
    """
    from scipy.special import j0, j1

    k = (np.arange(700) + 0.5) * 0.01
    radii = np.arange(0, _R_MAX + STEP / 2, STEP)
    places = np.arange(0, _R_MAX + REACH + 4 * STEP, STEP)
    waves = j0(np.outer(k, places)) * (k * np.exp(-(k**2) / 2))[:, None] * 0.01 / (2 * np.pi)
    kr = np.outer(radii, k)
    discs = np.where(kr > 1e-8, 2 * j1(kr) / np.where(kr > 1e-8, kr, 1.0), 1.0)
    table = discs @ waves
    # Straight lines between entries lie too high by a twelfth of the second difference on average where the curve
    # bends up, too low where it bends down; both axes are even at 0.
    around = np.pad(table, ((1, 0), (1, 0)), mode="reflect")
    around = np.pad(around, ((0, 1), (0, 1)), mode="edge")
    bend = around[2:, 1:-1] + around[:-2, 1:-1] + around[1:-1, 2:] + around[1:-1, :-2] - 4 * table
    bend[-1] = bend[-2]
    return np.ascontiguousarray(np.maximum(table - bend / 12, 0.0), dtype=np.float32)


# What `shape_of` prepares: radius and 1/width of the blur, the streak's direction, the places along it, and from
# `ROW` on the light of the blurred disc over the distance from its centre, from `START` on in steps of `STEP`;
# from `CHANGE` on how it changes with the radius (`widening_of`).
RADIUS, INVERSE, UX, UY, NODES, SPACING, ORIGIN, START, COUNT, ROW = range(10)
_LONGEST = int((_R_MAX + REACH) / STEP) + 4
CHANGE = ROW + _LONGEST
SHAPE = CHANGE + _LONGEST


@njit(cache=True, nogil=True)
def shape_of(
    table: NDArray,  # type: ignore[type-arg]
    spread: float,
    m: float,
    n: float,
    blur: float,
    out: NDArray,  # type: ignore[type-arg]
) -> None:
    """Shape of a picture from its covariance without point spread: T, m, n as in `records`.

    Lengths in `out` are in standard deviations of the blur. A covariance smaller than that of a point narrows
    the blur instead: noise does not care about the bound.
    """
    length2 = math.sqrt(m * m + n * n)
    disc = spread - length2 / 24.0
    length = math.sqrt(length2)
    width, radius = blur, 0.0
    if disc >= 0:
        radius = 2.0 * math.sqrt(disc)
    else:
        width = math.sqrt(max(blur * blur + disc, 0.1 * blur * blur))
    length /= width
    out[RADIUS], out[INVERSE] = radius / width, 1.0 / width
    angle = 0.5 * math.atan2(n, m)
    out[UX], out[UY] = math.cos(angle), math.sin(angle)
    nodes = int(math.ceil(length / 0.8))
    if length < 1e-6:
        out[NODES], out[SPACING], out[ORIGIN] = 1, 1.0, 0.0
    elif nodes <= 2:
        # Two places of Gauss and Legendre.
        out[NODES], out[SPACING], out[ORIGIN] = 2, length / math.sqrt(3.0), -0.5 * length / math.sqrt(3.0)
    else:
        out[NODES], out[SPACING], out[ORIGIN] = nodes, length / nodes, 0.5 * length / nodes - 0.5 * length
    radius = out[RADIUS]
    start = 0.0
    if radius > _R_MAX - STEP:
        # The edge of a large disc is nearly straight; to first order its curvature scales the density.
        start = radius - REACH
        area = 1.0 / (math.pi * radius * radius)
        count = int(2.0 * REACH / STEP) + 2
        for k in range(count):
            t = k * STEP - REACH
            bell = 0.3989422804014327 * math.exp(-0.5 * t * t)
            out[ROW + k] = area * (0.5 * math.erfc(t * 0.7071067811865476) - 0.5 * bell / radius)
    else:
        i = int(radius / STEP)
        u = radius / STEP - i
        low, high = table[i], table[i + 1]
        count = int((radius + REACH) / STEP) + 2
        for k in range(count):
            out[ROW + k] = low[k] + u * (high[k] - low[k])
    out[START], out[COUNT] = start, count


@njit(cache=True, nogil=True)
def widening_of(table: NDArray, shape: NDArray) -> None:  # type: ignore[type-arg]
    """Add to a shape how its light changes with the radius."""
    radius = shape[RADIUS]
    if radius > _R_MAX - STEP:
        area = 1.0 / (math.pi * radius * radius)
        for k in range(int(shape[COUNT])):
            t = k * STEP - REACH
            bell = 0.3989422804014327 * math.exp(-0.5 * t * t)
            shape[CHANGE + k] = area * bell - 2.0 * shape[ROW + k] / radius
    else:
        i = int(radius / STEP)
        low, high = table[i], table[i + 1]
        for k in range(int(shape[COUNT])):
            shape[CHANGE + k] = (high[k] - low[k]) * (1.0 / STEP)


@njit(cache=True, nogil=True)
def _places(shape: NDArray, a: float, c: float) -> tuple[int, int]:  # type: ignore[type-arg]
    """First and last place along the streak whose disc reaches (a, c)."""
    nodes = int(shape[NODES])
    if nodes <= 2:
        return 0, nodes - 1
    reach = shape[RADIUS] + REACH
    if abs(c) > reach:
        return 0, -1
    chord = math.sqrt(reach * reach - c * c)
    first = max(0, int(math.ceil((a - chord - shape[ORIGIN]) / shape[SPACING])))
    last = min(nodes - 1, int(math.floor((a + chord - shape[ORIGIN]) / shape[SPACING])))
    return first, last


@njit(cache=True, nogil=True)
def density(dx: float, dy: float, shape: NDArray) -> float:  # type: ignore[type-arg]
    """Light per px² at (dx, dy) from the centre, for unit flux."""
    inverse = shape[INVERSE]
    a = (dx * shape[UX] + dy * shape[UY]) * inverse
    c = (dy * shape[UX] - dx * shape[UY]) * inverse
    first, last = _places(shape, a, c)
    f = 0.0
    for i in range(first, last + 1):
        t = a - (shape[ORIGIN] + i * shape[SPACING])
        place = (math.sqrt(t * t + c * c) - shape[START]) * (1.0 / STEP)
        j = max(int(place), 0)
        if j + 1 < shape[COUNT]:
            low = shape[ROW + j]
            f += low + max(place - j, 0.0) * (shape[ROW + j + 1] - low)
    return float(f * inverse * inverse / shape[NODES])


@njit(cache=True, nogil=True)
def densities(dx: float, dy: float, shape: NDArray, out: NDArray) -> None:  # type: ignore[type-arg]
    """`density` on a grid of pixels into `out`, whose first pixel lies at (dx, dy) from the centre."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            out[i, j] = density(dx + j, dy + i, shape)


@njit(cache=True, nogil=True)
def light(dx: float, dy: float, shape: NDArray) -> tuple[float, float, float, float]:  # type: ignore[type-arg]
    """Density at (dx, dy) from the centre for unit flux, and its slopes with x, y of the centre and with radius.

    The shape needs `widening_of`.
    """
    inverse = shape[INVERSE]
    a = (dx * shape[UX] + dy * shape[UY]) * inverse
    c = (dy * shape[UX] - dx * shape[UY]) * inverse
    first, last = _places(shape, a, c)
    f = fa = fc = fd = 0.0
    for i in range(first, last + 1):
        t = a - (shape[ORIGIN] + i * shape[SPACING])
        r = math.sqrt(t * t + c * c)
        place = (r - shape[START]) * (1.0 / STEP)
        j = max(int(place), 0)
        if j + 1 >= shape[COUNT]:
            continue
        low, step = shape[ROW + j], shape[ROW + j + 1] - shape[ROW + j]
        v = max(place - j, 0.0)
        f += low + v * step
        outward = -step * (1.0 / STEP) / max(r, 1e-9) if place >= 0.0 else 0.0
        fa += outward * t
        fc += outward * c
        fd += shape[CHANGE + j] + v * (shape[CHANGE + j + 1] - shape[CHANGE + j])
    scale = inverse * inverse / shape[NODES]
    slope = scale * inverse
    return (
        f * scale,
        (fa * shape[UX] - fc * shape[UY]) * slope,
        (fa * shape[UY] + fc * shape[UX]) * slope,
        fd * slope,
    )
