"""Rigid motion of solid metal between two frames: registering them, and shifting one onto the other."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Grey = NDArray[np.uint8] | NDArray[np.uint16]
Field = NDArray[np.float32]
# Rows and columns r0, r1, c0, c1.
Box = tuple[int, int, int, int]

# Half length of the interpolation kernel; a Lanczos kernel of that order (Duchon 1979) dims texture of 4 px period
# by 1 % at half a pixel, where linear interpolation dims it by 29 %.
TAPS = 3
# A registration that moves further than this from where the metal was expected has followed something else, px.
_LEASH_PX = 2.0
# Standard deviation of a frame's place about the steady motion, taken before anything is seen, px.
_PRIOR_PX = 0.5


@njit(cache=True, nogil=True)
def kernel(fraction: float) -> NDArray[np.float32]:
    """Taps at -3 … 3 that read a row at `fraction` px (-0.5 … 0.5) past each sample."""
    taps = np.zeros(2 * TAPS + 1, dtype=np.float32)
    total = 0.0
    for k in range(2 * TAPS + 1):
        t = math.pi * (k - TAPS - fraction)
        if abs(t) < 1e-9:
            taps[k] = 1.0
        elif abs(t) < math.pi * TAPS:
            taps[k] = TAPS * math.sin(t) * math.sin(t / TAPS) / (t * t)
        total += taps[k]
    for k in range(2 * TAPS + 1):
        taps[k] /= total
    return taps


def shifted(frame: Grey, box: Box, dx: float, dy: float) -> tuple[Field, Box]:
    """Read a frame at the pixels of a box moved by (dx, dy).

    Parameters
    ----------
    frame
        Grey values, shape (h, w).
    box
        Rows and columns r0, r1, c0, c1 within the frame.
    dx, dy
        Shift, px.

    Returns
    -------
    tuple
        Grey values, shape of the box; and the rows and columns of it that the frame covers (r0, r1, c0, c1).
    """
    r0, r1, c0, c1 = box
    out = np.zeros((r1 - r0, c1 - c0), dtype=np.float32)
    read, (top, bottom, left, right) = read_at(frame, box, dx, dy)
    out[top:bottom, left:right] = read
    return out, (top, bottom, left, right)


@njit(cache=True, nogil=True)
def read_at(frame: NDArray[np.generic], box: Box, dx: float, dy: float) -> tuple[Field, Box]:
    """Read a frame as in `shifted`, but only the part of the box that the frame covers.

    Beyond the frame's border its outermost pixels are repeated.
    """
    h, w = frame.shape
    r0, r1, c0, c1 = box
    ix, iy = int(math.floor(dx + 0.5)), int(math.floor(dy + 0.5))
    # The part of the box whose source lies in the frame.
    a, b = max(r0 + iy, 0), min(r1 + iy, h)
    c, d = max(c0 + ix, 0), min(c1 + ix, w)
    if a >= b or c >= d:
        return np.zeros((0, 0), dtype=np.float32), (0, 0, 0, 0)
    kx, ky = kernel(dx - ix), kernel(dy - iy)
    n, margin = d - c, 2 * TAPS
    source = np.empty((b - a + margin, n + margin), dtype=np.float32)
    first, last = max(c - TAPS, 0), min(d + TAPS, w)
    before = first - (c - TAPS)
    for i in range(len(source)):
        seen = frame[min(max(a - TAPS + i, 0), h - 1), first:last]
        inside = source[i, before:]
        for j in range(seen.size):
            inside[j] = seen[j]
        for j in range(before):
            source[i, j] = inside[0]
        for j in range(seen.size, inside.size):
            inside[j] = inside[seen.size - 1]
    out = np.empty((b - a, n), dtype=np.float32)
    column = np.empty(n + margin, dtype=np.float32)
    # The seven taps written out: the compiler then works on several pixels at a time.
    for i in range(b - a):
        for j in range(n + margin):
            column[j] = (
                ky[0] * source[i, j] + ky[1] * source[i + 1, j] + ky[2] * source[i + 2, j]
                + ky[3] * source[i + 3, j]
                + ky[4] * source[i + 4, j] + ky[5] * source[i + 5, j] + ky[6] * source[i + 6, j]
            )  # fmt: skip
        for j in range(n):
            out[i, j] = (
                kx[0] * column[j] + kx[1] * column[j + 1] + kx[2] * column[j + 2]
                + kx[3] * column[j + 3]
                + kx[4] * column[j + 4] + kx[5] * column[j + 5] + kx[6] * column[j + 6]
            )  # fmt: skip
    return out, (a - iy - r0, b - iy - r0, c - ix - c0, d - ix - c0)


class Registration(NamedTuple):
    """Shift (px) and gain that carry the metal of one frame onto another, and the share of pixels that agree."""

    dx: float
    dy: float
    gain: float
    agreement: float


@njit(cache=True, nogil=True)
def register(
    here: NDArray[np.generic],
    there: NDArray[np.generic],
    box: Box,
    solid: NDArray[np.uint8],
    start: tuple[float, float],
    noise: tuple[float, float],
    step: int,
) -> Registration:
    """Shift and gain that carry the solid metal of one frame onto another.

    Weighted Gauss-Newton steps (Lucas & Kanade 1981) with weights that fall with the fourth power of the difference
    (Geman & McClure 1987), so that particles and stray liquid do not pull.

    Parameters
    ----------
    here, there
        Grey values, shape (h, w); metal at p in `here` lies at p + (dx, dy) in `there`.
    box
        Rows and columns r0, r1, c0, c1 to compare.
    solid
        1 where metal is expected solid, shape of the box.
    start
        First guess of the shift (dx, dy), px.
    noise
        Variance of the difference at brightness 0 and its increase per grey value.
    step
        Take every `step`-th row and column.

    Returns
    -------
    Registration
        Gain is that of `here` over `there`; where nothing agrees the shift is the first guess.
    """
    x0, y0 = start
    dx, dy = start
    # Gain first: a dimmer frame would lose all its weights.
    gain = _gain_at(here, there, box, solid, start, step)
    agree = 0.0
    prior = 1.0 / (_PRIOR_PX * _PRIOR_PX)
    for turn in range(6):
        s = _equations(here, there, box, solid, Registration(dx, dy, gain, agree), noise, step)
        if s.used < 30 or s.a22 <= 0.0:
            return Registration(x0, y0, gain, 0.0)
        agree = s.good / s.used
        # The gain is eliminated, what is left is two by two.
        m00 = s.a00 + prior - s.a02 * s.a02 / s.a22
        m01 = s.a01 - s.a02 * s.a12 / s.a22
        m11 = s.a11 + prior - s.a12 * s.a12 / s.a22
        n0 = s.b0 + prior * (x0 - dx) - s.a02 * s.b2 / s.a22
        n1 = s.b1 + prior * (y0 - dy) - s.a12 * s.b2 / s.a22
        det = m00 * m11 - m01 * m01
        if det <= 0.0:
            break
        ux = (n0 * m11 - n1 * m01) / det
        uy = (n1 * m00 - n0 * m01) / det
        far = math.hypot(ux, uy)
        if far > 1.0:
            ux /= far
            uy /= far
        gain += (s.b2 - s.a02 * ux - s.a12 * uy) / s.a22
        dx += ux
        dy += uy
        if far < 0.015 and turn > 0:
            break
    if math.hypot(dx - x0, dy - y0) > _LEASH_PX:
        return Registration(x0, y0, gain, 0.0)
    return Registration(dx, dy, gain, agree)


@njit(cache=True, nogil=True)
def _gain_at(
    here: NDArray[np.generic],
    there: NDArray[np.generic],
    box: Box,
    solid: NDArray[np.uint8],
    shift: tuple[float, float],
    step: int,
) -> float:
    """Brightness of the metal in one frame over that in another; 1 where there is none."""
    h, w = here.shape
    r0, r1, c0, c1 = box
    dx, dy = shift
    total = other = 0.0
    for i in range(r0, r1, step):
        for j in range(c0, c1, step):
            if solid[i - r0, j - c0]:
                p = int(round(j + dx))
                q = int(round(i + dy))
                if 0 <= p < w and 0 <= q < h:
                    total += here[i, j]
                    other += there[q, p]
    return total / other if other > 0.0 and total > 0.0 else 1.0


class _Equations(NamedTuple):
    """Weighted sums over the compared pixels for shift along x and y and gain; how many, and how many agree."""

    a00: float
    a01: float
    a02: float
    a11: float
    a12: float
    a22: float
    b0: float
    b1: float
    b2: float
    used: int
    good: int


@njit(cache=True, nogil=True)
def _equations(
    here: NDArray[np.generic],
    there: NDArray[np.generic],
    box: Box,
    solid: NDArray[np.uint8],
    now: Registration,
    noise: tuple[float, float],
    step: int,
) -> _Equations:
    """Normal equations of a Gauss-Newton step from a registration."""
    h, w = here.shape
    r0, r1, c0, c1 = box
    floor, slope = noise
    a00 = a01 = a02 = a11 = a12 = a22 = b0 = b1 = b2 = 0.0
    used = good = 0
    for i in range(max(r0, 1), min(r1, h - 1), step):
        y = i + now.dy
        if y < 1.0 or y >= h - 2.0:
            continue
        q = int(y)
        fy = y - q
        for j in range(max(c0, 1), min(c1, w - 1), step):
            if solid[i - r0, j - c0] == 0:
                continue
            x = j + now.dx
            if x < 1.0 or x >= w - 2.0:
                continue
            p = int(x)
            fx = x - p
            t0 = float(there[q, p])
            t1 = float(there[q, p + 1])
            t2 = float(there[q + 1, p])
            t3 = float(there[q + 1, p + 1])
            value = (1 - fy) * ((1 - fx) * t0 + fx * t1) + fy * ((1 - fx) * t2 + fx * t3)
            # Slopes of the other frame: their noise has no part in the difference at this pixel, and so no pull.
            gx = 0.5 * (float(here[i, j + 1]) - float(here[i, j - 1]))
            gy = 0.5 * (float(here[i + 1, j]) - float(here[i - 1, j]))
            r = here[i, j] - now.gain * value
            var = floor + slope * max(float(here[i, j]), 0.0)
            e = r * r / var
            used += 1
            if e < 9.0:
                good += 1
            k = 1.0 / ((1.0 + e / 9.0) ** 2 * var)
            a00 += k * gx * gx
            a01 += k * gx * gy
            a02 += k * gx * value
            a11 += k * gy * gy
            a12 += k * gy * value
            a22 += k * value * value
            b0 += k * gx * r
            b1 += k * gy * r
            b2 += k * value * r
    return _Equations(a00, a01, a02, a11, a12, a22, b0, b1, b2, used, good)
