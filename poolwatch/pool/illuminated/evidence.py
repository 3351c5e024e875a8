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
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .metal import Box, Field, Grey
from .rim import Rim, RimEdge, RimTone, Shading, rim_of

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
# Spread by which counts of both together are smoothed, bins, and share of a density in which they are independent.
_SMOOTH = 1.5
_APART = 0.1
# Distances from the edge to a pixel, and how far from it the tables reach, px.
FINER = 3
REACH = 3
# Texture makes the brightness of neighbouring pixels alike: what tone says of a normal counts for less than what motion
# says, whose noise is new in each pixel; and on the normals along which a contour is followed, which are further apart.
_NORMAL, _FIRST_NORMAL = 0.25, 0.25
# What motion says at the edge counts for so much. With less of it lengths are less too short where tone shows the rim,
# and widths too large where it shows less.
_MOTION = 0.7
# Motion shows liquid, whatever its tone, by an unexplained share of a pixel of this or more, 3.7 spreads of noise, that
# so few of metal's show: where a codec with loss moves its blocks, metal seems to change, too.
_CHANGED, _RARE = 0.6, 0.002
# How far the first fit looks from the coarse contour, px.
FIRST_SEARCH = 8
# How far the fine fit looks from the outline it begins at, px.
SEARCH = 3
# Metal is nowhere taken for dimmer than this share of what it is in the middle of the picture.
_DIMMEST = 0.2


class MetalLight(NamedTuple):
    """Brightness of metal.

    Attributes
    ----------
    plane
        Grey value: c0 + cx x + cy y, px.
    places
        What metal shows more than that at each place, relative to it, shape of the view; 0 where it is not known.
    """

    plane: tuple[float, float, float]
    places: Field


@dataclass(frozen=True)
class Evidence:
    """What liquid and solid look like in a clip.

    Attributes
    ----------
    by_both
        Logarithm of the likelihood in liquid and in solid of the unexplained share of a pixel's surroundings and of its
        brightness, for solid against what metal shows at its place; shape (2, BINS + 1, BINS). The last row is for
        pixels whose share is not known.
    edge, wide
        What the fine fit knows of the edge, and what tone says of each place while a contour is followed.
    sigma
        Spread of the edge the tables are made for, px.
    alike
        Share of pixels that brightness alone would take for the other kind: 0 where it separates liquid from solid, 0.5
        where it says nothing.
    """

    by_both: NDArray[np.float32]
    edge: RimEdge
    wide: Rim
    sigma: float
    alike: float

    def weight_of(self, window: Field, bright: Field, placed: Field) -> Field:
        """Weight of evidence for liquid: see `weigh`; `placed` is brightness against what metal shows at each place."""
        share = np.where(window <= 1.0, np.minimum(window * BINS, BINS - 1), BINS).astype(np.intp)
        tone = np.clip(bright * BINS, 0, BINS - 1).astype(np.intp)
        other = np.clip(placed * BINS, 0, BINS - 1).astype(np.intp)
        weight = self.by_both[0][share, tone] - self.by_both[1][share, other]
        return np.asarray(np.clip(weight, -_MOST, _MOST))


@dataclass(frozen=True)
class Counts:
    """How often each bin was seen in liquid and in solid: unexplained share of pixels, brightness, and both together.

    `share` and `brightness` have the shape (2, BINS), liquid first; `both`, shape (2, BINS, BINS), counts pixels by the
    share of their surroundings and by brightness, up to the rim. `metal_in_noise` is the metal's mean brightness over
    the noise of the difference of two frames.
    """

    both: NDArray[np.float64]
    share: NDArray[np.float64]
    brightness: NDArray[np.float64]
    metal_in_noise: float


def _density(counts: NDArray[np.float64], spread: float = 1.0) -> NDArray[np.float64]:
    from scipy.ndimage import gaussian_filter1d

    smooth = gaussian_filter1d(counts.astype(np.float64), spread, mode="nearest")
    return np.asarray((1 - _EVEN) * smooth / max(smooth.sum(), 1e-9) + _EVEN / len(smooth))


def _likelihoods(both: NDArray[np.float64]) -> NDArray[np.float32]:
    """Table `by_both`: pixels beside the rim, whose surroundings hold some of either, are told by their brightness."""
    found = (_joint_density(counts) for counts in both)
    return np.array([np.log(np.vstack((d, d.sum(axis=0)))) for d in found], dtype=np.float32)


def _joint_density(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Density over share and brightness; where few were counted, what each of the two says alone has its part."""
    from scipy.ndimage import gaussian_filter

    joint = gaussian_filter(counts.astype(np.float64), _SMOOTH, mode="nearest")
    apart = np.outer(_density(counts.sum(axis=1)), _density(counts.sum(axis=0)))
    return np.asarray((1 - _APART) * joint / max(joint.sum(), 1e-9) + _APART * apart)


def learn_evidence(
    counts: Counts, sigma: float, tones: tuple[RimTone, RimTone], shading: Shading
) -> Evidence:
    """Turn counts into tables for an edge of a given spread.

    Parameters
    ----------
    counts
        What was seen.
    sigma
        Spread of the edge, px.
    tones
        Of liquid and of metal beside the rim.
    shading
        Of liquid along its rim, see `shading_of`.
    """
    # Far enough for the last sample from the last place.
    far = (REACH + 2 * SEARCH) * FINER
    distance = np.arange(far, -far - 1, -1) / FINER
    liquid = np.array([0.5 * math.erfc(d / sigma / math.sqrt(2)) for d in distance])
    return Evidence(
        _likelihoods(counts.both),
        RimEdge(
            np.float32(_MOTION) * _edge_costs(np.array([_mixed_share(counts, c) for c in liquid])),
            rim_of(*tones, sigma, SEARCH, FINER, SEARCH + REACH, _NORMAL)._replace(shading=shading),
            _hardly_metal(counts.share[1]),
        ),
        rim_of(*tones, sigma, FIRST_SEARCH, 1, FIRST_SEARCH + REACH, _FIRST_NORMAL)._replace(shading=shading),
        sigma,
        float(0.5 * np.minimum(*(_density(c) for c in counts.brightness)).sum()),
    )


def _hardly_metal(share: NDArray[np.float64]) -> float:
    """Unexplained share that metal hardly ever shows, from how often it was seen in it."""
    below = np.cumsum(share) / max(share.sum(), 1e-9)
    return max(float(np.searchsorted(below, 1.0 - _RARE) + 1) / BINS, _CHANGED)


def _edge_costs(density: NDArray[np.float64]) -> NDArray[np.float32]:
    cost = -np.log((1 - _EVEN) * density + _EVEN / BINS)
    return np.ascontiguousarray(cost.T, dtype=np.float32)


def _mixed_share(counts: Counts, liquid: float) -> NDArray[np.float64]:
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
    step = np.abs(np.subtract.outer(np.arange(BINS), np.arange(BINS))) * (
        BRIGHTEST / BINS * counts.metal_in_noise
    )
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
    lighting: MetalLight,
    by_both: NDArray[np.float32],
) -> tuple[Field, Field]:
    """Weight of evidence for liquid, and relative brightness (0 … 1 of the bins' range), of each pixel of a box.

    Liquid looks the same wherever it is, metal by its place; the brightness that is handed back is against the plane.

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
        Of the metal.
    by_both
        See `Evidence`.
    """
    h, w = share.shape
    out = np.empty((h, w), dtype=np.float32)
    bright = np.empty((h, w), dtype=np.float32)
    liquid, solid = by_both[0], by_both[1]
    bins = np.float32(by_both.shape[2])
    most = np.float32(_MOST)
    last = bins - np.float32(1.0)
    # First the bins of a row, which the compiler works out for several pixels at a time, then what they say.
    unexplained = np.empty(w, dtype=np.uint8)
    brightness = np.empty(w, dtype=np.uint8)
    against = np.empty(w, dtype=np.uint8)
    plane = lighting.plane
    least = np.float32(dimmest(plane, here.shape[0], here.shape[1]))
    along = np.float32(plane[1])
    scale = np.float32(gain * BRIGHTEST)
    full = np.float32(1.0 / BRIGHTEST)
    for i in range(h):
        start = np.float32(plane[0] + plane[1] * box[2] + plane[2] * (i + box[0]))
        grey = here[i + box[0], box[2] : box[3]]
        shares, relative, weight = share[i], bright[i], out[i]
        more = lighting.places[i + box[0], box[2] : box[3]]
        for j in range(w):
            b = np.float32(grey[j]) / (scale * max(start + along * np.float32(j), least))
            relative[j] = b
            brightness[j] = np.uint8(np.int32(min(b * bins, last)))
            b = max(b - more[j] * full, np.float32(0.0))
            against[j] = np.uint8(np.int32(min(b * bins, last)))
            s = shares[j]
            unexplained[j] = np.uint8(np.int32(min(s * bins, last) if s <= np.float32(1.0) else bins))
        for j in range(w):
            seen = liquid[unexplained[j], brightness[j]] - solid[unexplained[j], against[j]]
            weight[j] = min(max(seen, -most), most)
    return out, bright


def relative(frame: Grey, lighting: MetalLight, gain: float) -> Field:
    """Relative brightness of each pixel of a frame, 0 … 1 of the bins' range."""
    h, w = frame.shape
    nothing = np.zeros((h, w), dtype=np.float32)
    bright: Field = weigh(
        frame, (0, h, 0, w), nothing, gain, lighting, np.zeros((2, BINS + 1, BINS), dtype=np.float32)
    )[1]
    return bright


def against(bright: Field, lighting: MetalLight) -> Field:
    """Relative brightness against what metal shows at each place, from that against the plane."""
    return np.maximum(bright - lighting.places * np.float32(1.0 / BRIGHTEST), np.float32(0.0))
