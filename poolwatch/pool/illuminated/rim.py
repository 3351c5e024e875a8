"""How well a place on a normal fits as the rim by tone: on either side a level of its own, blurred into one another.

The levels of liquid and metal change from place to place, so each normal has its own, near what the clip shows of
them (a Gaussian each). Liquid is smooth and metal has marks, so what scatters about the two levels differs too. Both
levels are integrated over in closed form (Rasmussen & Williams 2006, section 2.7). With Student's density instead of
Gauss's, a normal with a poor fit has little to say. A glint at the rim looks like metal, and its inner side like the
rim: where motion shows liquid in spite of a metal's tone, tone does not count.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..curve import normals_curvature, spacing_of

# Stretches that tones are taken from begin and end so far from the outline, px.
_NEAR, _FAR = 3, 9
# Least standard deviation of a tone: half a grey value of metal at half of 8 bits.
_LEAST = 0.0015
# From this share of the way from liquid to metal on a tone is metal's.
_LIKE_METAL = 0.8
# Degrees of freedom of the density of what is left over.
_FREEDOM = 4.0


Places = NDArray[np.float64]
# How much brighter than usual liquid is, by direction of the normal and depth, px; shape (sides, depths).
Shading = NDArray[np.float32]


class RimTone(NamedTuple):
    """Relative brightness of one side of the rim, 0 … 1 of the bins' range.

    Attributes
    ----------
    level, spread
        Mean of a stretch across the rim, as it would be at the rim, and its standard deviation from place to place.
    rough
        Standard deviation of pixels about the mean of their stretch.
    slope
        How much the level rises with each px away from the rim: the rim of a pool is shaded.
    """

    level: float
    spread: float
    rough: float
    slope: float = 0.0

    def at(self, depth: NDArray[np.float64]) -> NDArray[np.float64]:
        """Level so far from the rim, px."""
        return np.asarray(self.level + self.slope * np.maximum(depth, 0.0))


class Rim(NamedTuple):
    """What each place within reach makes of the samples of a normal.

    Attributes
    ----------
    mean, weight, inner, outer
        Expected brightness of each sample, one over its variance, and that times the share of liquid and of metal in
        it; shape (samples, places).
    gain
        Inverse of the levels' matrix of normal equations: liquid, both, metal; shape (3, places).
    constant
        Half the logarithm of the determinant, shape (places,).
    weighed
        What one normal counts for.
    like_metal, way
        Tone from which on a sample is like metal, and the way from liquid to metal: 1 brighter, -1 darker.
    shading
        Of liquid along the rim; none as it is made.
    """

    mean: NDArray[np.float32]
    weight: NDArray[np.float32]
    inner: NDArray[np.float32]
    outer: NDArray[np.float32]
    gain: NDArray[np.float32]
    constant: NDArray[np.float32]
    weighed: float
    like_metal: float
    way: float
    shading: Shading


def rim_of(
    liquid: RimTone, metal: RimTone, sigma: float, search: int, finer: int, reach: int, weighed: float
) -> Rim:
    """Tables for an edge of a given spread (px), `finer` places a pixel and samples `reach` px to either side."""
    place = np.arange(-search * finer, search * finer + 1) / finer
    outward = np.arange(-reach, reach + 1, dtype=np.float64)
    erfc = np.vectorize(math.erfc)
    share = 0.5 * erfc((outward[:, None] - place[None, :]) / sigma / math.sqrt(2))
    rest = 1.0 - share
    variance = (share * liquid.rough) ** 2 + (rest * metal.rough) ** 2
    w = 1.0 / variance
    a = (w * share**2).sum(axis=0) + 1.0 / liquid.spread**2
    b = (w * share * rest).sum(axis=0)
    c = (w * rest**2).sum(axis=0) + 1.0 / metal.spread**2
    det = a * c - b * b
    depth = place[None, :] - outward[:, None]
    single = np.float32
    return Rim(
        (share * liquid.at(depth) + rest * metal.at(-depth)).astype(single),
        w.astype(single),
        (w * share).astype(single),
        (w * rest).astype(single),
        np.array([c, -b, a], dtype=single) / det.astype(single),
        (0.5 * (np.log(variance).sum(axis=0) + np.log(det))).astype(single),
        weighed,
        liquid.level + _LIKE_METAL * (metal.level - liquid.level),
        math.copysign(1.0, metal.level - liquid.level),
        np.zeros((1, 1), dtype=single),
    )


def tones_of(
    bright: list[NDArray[np.float32]], outlines: list[NDArray[np.float64]]
) -> tuple[RimTone, RimTone]:
    """Tone of the liquid and of the metal beside the rim, from the stretches of normals 3 to 9 px inside and outside.

    Medians all over: glints, particles and stretches where an outline is wrong are few.
    """
    liquid, metal = [], []
    for field, outline in zip(bright, outlines, strict=True):
        x, y = outline[:, 0].copy(), outline[:, 1].copy()
        x, y, nx, ny, _ = normals_curvature(x, y, max(1.2 / spacing_of(x, y), 0.5))
        profile = sampled(field, x, y, nx, ny, _FAR)
        liquid.append(profile[:, _FAR - _NEAR :: -1])
        metal.append(profile[:, _FAR + _NEAR :])
    return _tone(np.concatenate(liquid)), _tone(np.concatenate(metal))


def _tone(stretches: NDArray[np.float64]) -> RimTone:
    depth = np.arange(_NEAR, _FAR + 1) - 0.5 * (_NEAR + _FAR)
    slope = float(np.median(stretches @ depth)) / float(depth @ depth)
    stretches = stretches - slope * (depth + 0.5 * (_NEAR + _FAR))
    levels = stretches.mean(axis=1)
    level = float(np.median(levels))
    spread = 1.4826 * float(np.median(np.abs(levels - level)))
    # The median of a sample's variance lies some 10 % below the variance.
    rough = math.sqrt(float(np.median(stretches.var(axis=1, ddof=1))) / 0.9)
    return RimTone(level, max(spread, _LEAST), max(rough, _LEAST), slope)


@njit(cache=True, nogil=True)
def sampled(
    field: NDArray[np.float32], x: Places, y: Places, nx: Places, ny: Places, reach: int
) -> NDArray[np.float64]:
    """Field along each normal from `-reach` (inside) to `+reach` in steps of 1 px, bilinear; 0 off the field."""
    h, w = field.shape
    n, m = x.size, 2 * reach + 1
    out = np.zeros((n, m))
    column = np.empty(m, dtype=np.int32)
    row = np.empty(m, dtype=np.int32)
    right = np.empty(m)
    down = np.empty(m)
    for j in range(n):
        # First the places of a normal, which the compiler works out several at a time.
        a, b, da, db = x[j], y[j], nx[j], ny[j]
        for k in range(m):
            px = a + (k - reach) * da
            py = b + (k - reach) * db
            column[k], row[k] = np.int32(px), np.int32(py)
            right[k], down[k] = px - np.int32(px), py - np.int32(py)
        values = out[j]
        for k in range(m):
            c, r, fx, fy = column[k], row[k], right[k], down[k]
            # Left of the field or above it the rest is negative, or the whole.
            if min(fx, fy) < 0.0 or c < 0 or r < 0 or c >= w - 1 or r >= h - 1:
                continue
            upper, lower = field[r], field[r + 1]
            values[k] = (1.0 - fy) * ((1.0 - fx) * upper[c] + fx * upper[c + 1]) + fy * (
                (1.0 - fx) * lower[c] + fx * lower[c + 1]
            )
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def add_rim(
    cost: NDArray[np.float32],
    bright: NDArray[np.float64],
    motion: NDArray[np.float64],
    liquid_from: float,
    rim: Rim,
) -> None:
    """Add to the cost of each place, shape (normals, places), what the brightness along the normals says.

    `motion`, shape of `bright`, shows liquid from `liquid_from` on: such samples with the tone of metal do not count.
    """
    n, m = bright.shape
    power = np.float32(0.5 * (_FREEDOM + m) * rim.weighed)
    freedom = np.float32(_FREEDOM)
    weighed = np.float32(rim.weighed)
    means, weights, inners, outers, gain = rim.mean, rim.weight, rim.inner, rim.outer, rim.gain
    # Normals side by side, of which there are many more than places: the compiler works on several at once.
    seen = np.empty((m, n), dtype=np.float32)
    counts = np.empty((m, n), dtype=np.float32)
    for j in range(n):
        for k in range(m):
            seen[k, j] = bright[j, k]
            glint = motion[j, k] > liquid_from and rim.way * (bright[j, k] - rim.like_metal) > 0.0
            counts[k, j] = np.float32(0.0) if glint else np.float32(1.0)
    square = np.empty(n, dtype=np.float32)
    one = np.empty(n, dtype=np.float32)
    two = np.empty(n, dtype=np.float32)
    for c in range(cost.shape[1]):
        for j in range(n):
            square[j] = one[j] = two[j] = np.float32(0.0)
        for k in range(m):
            mean, weight, inner, outer = means[k, c], weights[k, c], inners[k, c], outers[k, c]
            values, count = seen[k], counts[k]
            for j in range(n):
                r = (values[j] - mean) * count[j]
                square[j] += weight * r * r
                one[j] += inner * r
                two[j] += outer * r
        g0, g1, g2 = gain[0, c], gain[1, c], gain[2, c]
        for j in range(n):
            a, b = one[j], two[j]
            fitted = a * a * g0 + np.float32(2.0) * a * b * g1 + b * b * g2
            square[j] = max(square[j] - fitted, np.float32(0.0)) / freedom
        constant = weighed * rim.constant[c]
        for j in range(n):
            cost[j, c] += power * np.log1p(square[j]) + constant


class RimEdge(NamedTuple):
    """What the fine fit knows of an edge.

    Attributes
    ----------
    share
        Cost of the unexplained share of a single pixel at each distance from the edge, from far outside to far inside,
        shape (bins, distances).
    rim
        What tone says.
    changed
        Unexplained share of a pixel that metal hardly ever shows.
    """

    share: NDArray[np.float32]
    rim: Rim
    changed: float
