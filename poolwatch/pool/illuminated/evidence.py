"""How much a pixel looks like liquid rather than solid: from motion, and from brightness.

Two things are seen at a pixel: the share of it that rigid motion leaves unexplained, and its brightness against
the lighting of the place. How both are spread over liquid and over solid is learned from the clip as counts. What
they look like at the edge follows: with the blur's share C of liquid and 1 - C of solid in a pixel, its brightness
is C times one of the liquid's and 1 - C times one of the solid's, its difference to rigid motion C times one of
the liquid's, plus noise. So the edge's place does not depend on how strong the contrast is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .metal import Box, Field

# Their numbers, and one more, are kept in 8 bits.
BINS = 64
# Brightness of the metal's mean is 1; bins reach from 0 to this.
BRIGHTEST = 2.56
# The unexplained share is e / (e + SOFT), e the squared difference over its noise variance.
SOFT = 9.0
# No pixel counts for more than this, one way or the other.
_MOST = 4.0
# Share of an even density mixed in, so that what was never seen says nothing.
_EVEN = 0.01
# Distances from the edge to a pixel, and how far from it the tables reach, px.
FINER = 3
REACH = 3
# Texture makes the brightness of neighbouring pixels alike: what it says at the edge counts for this much less than
# what motion says, whose noise is new in each pixel.
_ALIKE = 0.25
# How far the fine fit looks from the outline it begins at, px.
SEARCH = 3
# Metal is nowhere taken for dimmer than this share of what it is in the middle of the picture.
_DIMMEST = 0.2


@dataclass(frozen=True)
class Evidence:
    """What liquid and solid look like in a clip.

    Attributes
    ----------
    by_window, by_brightness
        Logarithm of the likelihood ratio, liquid over solid, against the unexplained share of a pixel's surroundings
        and against its brightness, shape (BINS,).
    edge_share, edge_brightness
        Cost of the unexplained share of a single pixel and of its brightness at each distance from the edge, from far
        outside to far inside; see `boundary.blurred_costs`.
    sigma
        Spread of the edge the tables are made for, px.
    alike
        Share of pixels that brightness alone would take for the other kind: 0 where it tells liquid from solid, 0.5
        where it says nothing.
    """

    by_window: NDArray[np.float32]
    by_brightness: NDArray[np.float32]
    edge_share: NDArray[np.float32]
    edge_brightness: NDArray[np.float32]
    sigma: float
    alike: float


@dataclass(frozen=True)
class Counts:
    """How often each bin was seen in liquid and in solid: unexplained share of surroundings, of pixels, brightness.

    All of shape (2, BINS), liquid first; `metal_in_noise` is the metal's mean brightness over the noise of the
    difference of two frames.
    """

    window: NDArray[np.float64]
    share: NDArray[np.float64]
    brightness: NDArray[np.float64]
    metal_in_noise: float


def _density(counts: NDArray[np.float64], spread: float = 1.0) -> NDArray[np.float64]:
    from scipy.ndimage import gaussian_filter1d

    smooth = gaussian_filter1d(counts.astype(np.float64), spread, mode="nearest")
    return np.asarray((1 - _EVEN) * smooth / max(smooth.sum(), 1e-9) + _EVEN / len(smooth))


def _ratio(counts: NDArray[np.float64]) -> NDArray[np.float32]:
    with_liquid, with_solid = _density(counts[0]), _density(counts[1])
    return np.asarray(np.clip(np.log(with_liquid / with_solid), -_MOST, _MOST), dtype=np.float32)


def learn_evidence(counts: Counts, sigma: float) -> Evidence:
    """Turn counts into tables for an edge of a given spread (px)."""
    # Far enough for the last sample from the last place.
    far = (REACH + 2 * SEARCH) * FINER
    distance = np.arange(far, -far - 1, -1) / FINER
    liquid = np.array([0.5 * math.erfc(d / sigma / math.sqrt(2)) for d in distance])
    return Evidence(
        _ratio(counts.window),
        _ratio(counts.brightness),
        _edge_costs(np.array([_mixed_share(counts, c, counts.metal_in_noise) for c in liquid])),
        np.float32(_ALIKE) * _edge_costs(np.array([_mixed_brightness(counts.brightness, c) for c in liquid])),
        sigma,
        float(0.5 * np.minimum(_density(counts.brightness[0]), _density(counts.brightness[1])).sum()),
    )


def _edge_costs(density: NDArray[np.float64]) -> NDArray[np.float32]:
    cost = -np.log((1 - _EVEN) * density + _EVEN / BINS)
    return np.ascontiguousarray(cost.T, dtype=np.float32)


def _mixed_brightness(counts: NDArray[np.float64], liquid: float) -> NDArray[np.float64]:
    centre = np.arange(BINS) + 0.5
    first, second = (row / max(row.sum(), 1e-9) for row in counts)
    value = liquid * centre[:, None] + (1 - liquid) * centre[None, :]
    place = np.clip(value - 0.5, 0, BINS - 1.001)
    low = place.astype(np.intp)
    weight = first[:, None] * second[None, :]
    out: NDArray[np.float64] = np.zeros(BINS)
    out += np.bincount(low.ravel(), (weight * (1 - (place - low))).ravel(), minlength=BINS)
    out += np.bincount(low.ravel() + 1, (weight * (place - low)).ravel(), minlength=BINS)
    return _density(out) if out.sum() else out


def _mixed_share(counts: Counts, liquid: float, grey: float) -> NDArray[np.float64]:
    """Density of a pixel's unexplained share at a place where `liquid` of it is liquid.

    What the frames compared show there is liquid too, or metal not yet or no longer molten: half and half towards
    the outside, and as counted in the inside.
    """
    centre = (np.arange(BINS) + 0.5) / BINS
    size = np.sqrt(SOFT * centre / (1 - centre))
    border = np.sqrt(SOFT * np.arange(BINS) / (BINS - np.arange(BINS)))
    border = np.append(border, np.inf)
    first, second = (row / max(row.sum(), 1e-9) for row in counts.share)
    noise = max(math.sqrt(float((second * size**2).sum())), 0.3)
    # Differences of liquid and metal, from their brightness, in the same bins.
    molten, metal = (row / max(row.sum(), 1e-9) for row in counts.brightness)
    step = np.abs(np.subtract.outer(np.arange(BINS), np.arange(BINS))) * (BRIGHTEST / BINS * grey)
    place = np.clip(np.searchsorted(border, step) - 1, 0, BINS - 1)
    across = np.bincount(place.ravel(), (molten[:, None] * metal[None, :]).ravel(), minlength=BINS)
    both = first + (1 - liquid) * (across - first)
    # What is liquid in a pixel, and its noise, folded to sizes.
    cdf = _normal((border[None, :] - liquid * size[:, None]) / noise)
    cdf -= _normal((-border[None, :] - liquid * size[:, None]) / noise)
    return _density(both @ np.diff(cdf, axis=1))


def _normal(z: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import ndtr

    return np.asarray(ndtr(z))


@njit(cache=True, nogil=True)
def dimmest(lighting: tuple[float, float, float], h: int, w: int) -> float:
    """Least grey value that metal is taken to have in a picture of `h` by `w` px, above 0.

    A plane fitted to uneven light may fall below 0 towards a dark border or corner.
    """
    middle = lighting[0] + 0.5 * (lighting[1] * (w - 1) + lighting[2] * (h - 1))
    return max(_DIMMEST * middle, 1e-3)


@njit(cache=True, nogil=True, error_model="numpy")
def weigh(
    here: NDArray[np.generic],
    box: Box,
    share: Field,
    gain: float,
    lighting: tuple[float, float, float],
    by_window: NDArray[np.float32],
    by_brightness: NDArray[np.float32],
) -> tuple[Field, Field]:
    """Weight of evidence for liquid, and relative brightness (0 … 1 of the bins' range), of each pixel of a box.

    Parameters
    ----------
    here
        Grey values, shape (h, w).
    box
        Rows and columns r0, r1, c0, c1.
    share
        Unexplained share of each pixel's surroundings, shape of the box; above 1 where nothing is known.
    gain
        The frame's brightness against the clip's usual.
    lighting
        Grey value of the metal: c0 + cx x + cy y, px.
    by_window, by_brightness
        See `Evidence`.
    """
    h, w = share.shape
    out = np.empty((h, w), dtype=np.float32)
    bright = np.empty((h, w), dtype=np.float32)
    last = np.float32(by_window.size - 1)
    bins = np.float32(by_window.size)
    # One place more, for where nothing is known.
    by_share = np.zeros(by_window.size + 1, dtype=np.float32)
    by_share[: by_window.size] = by_window
    # First the bins of a row, which the compiler works out for several pixels at a time, then what they say.
    unexplained = np.empty(w, dtype=np.uint8)
    brightness = np.empty(w, dtype=np.uint8)
    least = np.float32(dimmest(lighting, here.shape[0], here.shape[1]))
    along = np.float32(lighting[1])
    scale = np.float32(gain * BRIGHTEST)
    for i in range(h):
        start = np.float32(lighting[0] + lighting[1] * box[2] + lighting[2] * (i + box[0]))
        grey = here[i + box[0], box[2] : box[3]]
        shares, relative, weight = share[i], bright[i], out[i]
        for j in range(w):
            b = np.float32(grey[j]) / (scale * max(start + along * np.float32(j), least))
            relative[j] = b
            brightness[j] = np.uint8(np.int32(min(b * bins, last)))
            s = shares[j]
            unexplained[j] = np.uint8(np.int32(min(s * bins, last) if s <= np.float32(1.0) else bins))
        for j in range(w):
            weight[j] = by_share[unexplained[j]] + by_brightness[brightness[j]]
    return out, bright
