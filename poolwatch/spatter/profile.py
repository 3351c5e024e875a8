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
    return np.ascontiguousarray(np.maximum(discs @ waves, 0.0), dtype=np.float32)


@njit(cache=True, nogil=True)
def _blurred(table: NDArray, r: float, radius: float) -> tuple[float, float, float]:  # type: ignore[type-arg]
    """Density of the blurred unit disc and its slopes with r and radius, lengths in standard deviations."""
    if r > radius + REACH:
        return 0.0, 0.0, 0.0
    if radius > _R_MAX - STEP:
        # The edge of a large disc is nearly straight; to first order its curvature scales the density.
        area = 1.0 / (math.pi * radius * radius)
        t = r - radius
        tail = 0.5 * math.erfc(t * 0.7071067811865476)
        bell = 0.3989422804014327 * math.exp(-0.5 * t * t)
        f = area * (tail - 0.5 * bell / radius)
        return f, -area * bell, area * bell - 2.0 * f / radius
    a, b = radius / STEP, r / STEP
    i, j = int(a), int(b)
    u, v = a - i, b - j
    f00, f01, f10, f11 = table[i, j], table[i, j + 1], table[i + 1, j], table[i + 1, j + 1]
    low, high = f00 + v * (f01 - f00), f10 + v * (f11 - f10)
    slope = ((f01 - f00) * (1 - u) + (f11 - f10) * u) / STEP
    return low + u * (high - low), slope, (high - low) / STEP


@njit(cache=True, nogil=True)
def shape_of(spread: float, m: float, n: float, blur: float) -> tuple[float, float, float, float]:
    """Radius, width of the blur, and half streak (x, y) for a covariance without point spread.

    A covariance smaller than that of a point narrows the blur instead: noise does not care about the bound.
    """
    length2 = math.sqrt(m * m + n * n)
    disc = spread - length2 / 24.0
    half = 0.5 * math.sqrt(length2)
    angle = 0.5 * math.atan2(n, m)
    if disc >= 0:
        return 2.0 * math.sqrt(disc), blur, half * math.cos(angle), half * math.sin(angle)
    narrow = math.sqrt(max(blur * blur + disc, 0.1 * blur * blur))
    return 0.0, narrow, half * math.cos(angle), half * math.sin(angle)


@njit(cache=True, nogil=True)
def light(
    table: NDArray,  # type: ignore[type-arg]
    dx: float,
    dy: float,
    shape: NDArray,  # type: ignore[type-arg]
) -> tuple[float, float, float, float]:
    """Density at (dx, dy) from the centre for unit flux, and its slopes with x, y of the centre and with radius."""
    radius, width, hx, hy = shape[0], shape[1], shape[2], shape[3]
    length = 2.0 * math.sqrt(hx * hx + hy * hy)
    reach = radius + REACH * width
    if length < 1e-9:
        r = math.sqrt(dx * dx + dy * dy)
        f, fr, fd = _blurred(table, r / width, radius / width)
        scale = 1.0 / (width * width)
        along = -fr * scale / width / max(r, 1e-9)
        return f * scale, along * dx, along * dy, fd * scale / width
    ux, uy = 2.0 * hx / length, 2.0 * hy / length
    a, c = dx * ux + dy * uy, dy * ux - dx * uy
    if abs(c) > reach or abs(a) > reach + 0.5 * length:
        return 0.0, 0.0, 0.0, 0.0
    nodes = int(math.ceil(length / (0.8 * width)))
    f = fx = fy = fd = 0.0
    scale = 1.0 / (width * width)
    if nodes <= 2:
        first, last, spacing, origin = 0, 1, length / math.sqrt(3.0), -0.5 * length / math.sqrt(3.0)
        nodes = 2
    else:
        spacing, origin = length / nodes, -0.5 * length + 0.5 * length / nodes
        chord = math.sqrt(max(reach * reach - c * c, 0.0))
        first = max(0, int(math.ceil((a - chord - origin) / spacing)))
        last = min(nodes - 1, int(math.floor((a + chord - origin) / spacing)))
    for i in range(first, last + 1):
        t = a - (origin + i * spacing)
        r = math.sqrt(t * t + c * c)
        g, gr, gd = _blurred(table, r / width, radius / width)
        along = -gr / max(r, 1e-9)
        f += g
        fx += along * (t * ux - c * uy)
        fy += along * (t * uy + c * ux)
        fd += gd
    scale /= nodes
    return f * scale, fx * scale / width, fy * scale / width, fd * scale / width
