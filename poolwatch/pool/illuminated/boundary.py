"""Where the pool ends: a chain of places around it, each on its normal, found together.

Every pixel has a weight of evidence (see `evidence`): above 0 it looks liquid, below 0 solid. A place on a normal
is as likely as the evidence inside it says liquid and the evidence beyond it solid. Places on neighbouring normals
are tied by the cost of a step between them, and the mean of each place's probability is taken (forward and
backward sums round the closed chain; Rabiner 1989, doi:10.1109/5.18626). That gives fractions of a pixel, an
uncertainty, and a bridge over stretches where the liquid happens to look like the metal.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..curve import normals_curvature, resample, smooth_closed, spacing_of
from .bumps import level_bumps
from .rim import Rim, RimEdge, add_rim, sampled
from .shading import take_off_shading

# Neighbouring samples share pixels and waves: this share of their evidence is new.
_NEW = 0.7
# Neighbouring places part by this share of their distance, beyond what the smoothed contour already turns.
_SLOPE = 0.18
# Distance of vertices while a contour is followed to about a pixel, px, and the fewest of them.
_STEP = 2.5
_FEWEST = 48
# And how far neighbours may part there, px for vertices a pixel apart.
_LOOSE = 0.5
# What stands out of the outline by more than this is a particle, px; and where the pool is pointed, which shaving has
# blunted.
_BUMP = 1.5
_TIP = 3.5
# Weight of evidence from which on motion shows liquid whatever its tone.
_LIQUID = 2.0
# How near a normal must be to the direction of a tip: cosine of 40 degrees.
_TOWARDS = 0.77
Places = NDArray[np.float64]


@njit(cache=True, nogil=True)
def plain_costs(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    """Evidence against each sample as the place, shape of `profile`: what lies beyond less what lies inside."""
    n, m = profile.shape
    out = np.zeros((n, m))
    for j in range(n):
        for k in range(m - 1):
            out[j, k + 1] = out[j, k] - 0.5 * (profile[j, k] + profile[j, k + 1])
    return out


@njit(cache=True, nogil=True)
def blurred_costs(
    share: NDArray[np.float64], by_share: NDArray[np.float32], search: int, finer: int
) -> NDArray[np.float32]:
    """Cost of each place within `search` px, `finer` places a pixel, from what a blurred edge leaves unexplained.

    Parameters
    ----------
    share
        Unexplained share along the normals, 0 … 1, shape (n, 2 reach + 1).
    by_share
        See `RimEdge`; distances are `finer` to a pixel, the edge in the middle, and reach past samples and places
        together.
    """
    n, m = share.shape
    bins = by_share.shape[0]
    reach = m // 2
    places = 2 * search * finer + 1
    middle = by_share.shape[1] // 2
    out = np.zeros((n, places), dtype=np.float32)
    for j in range(n):
        row = out[j]
        for k in range(m):
            a = min(max(int(share[j, k] * bins), 0), bins - 1)
            # The first place is furthest inside: the sample lies furthest outside of it.
            start = middle - (k - reach) * finer - search * finer
            one = by_share[a, start : start + places]
            for c in range(places):
                row[c] += one[c]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def chain(cost: NDArray[np.floating], stiff: float) -> tuple[Places, Places]:
    """Mean and standard deviation of each place, in steps, of a closed chain.

    Parameters
    ----------
    cost
        Negative log-likelihood of each place, shape (n, places).
    stiff
        Standard deviation of a step between neighbours, in places.
    """
    n, m = cost.shape
    width = min(int(math.ceil(3.0 * stiff)), m - 1)
    hop = np.empty(2 * width + 1)
    for k in range(-width, width + 1):
        hop[k + width] = math.exp(-0.5 * (k / stiff) ** 2)
    like = _likelihoods(cost)
    rounds = np.empty((2, n, like.shape[1]))
    for k in range(2):
        _round(like, hop, k * (n - 1), 1 - 2 * k, rounds[k])
    ahead, back = rounds[0], rounds[1]
    mean = np.empty(n)
    spread = np.empty(n)
    for j in range(n):
        total = 0.0
        first = 0.0
        second = 0.0
        a, b, c = ahead[j], back[j], like[j]
        for k in range(m):
            p = a[k] * b[k] * c[k]
            total += p
            first += p * k
            second += p * k * k
        mean[j] = first / total
        spread[j] = math.sqrt(max(second / total - mean[j] ** 2, 0.0))
    return mean, spread


@njit(cache=True, nogil=True)
def _likelihoods(cost: NDArray[np.floating]) -> NDArray[np.float64]:
    """Likelihood of each place against the best of its normal; places filled up with 0 to a multiple of four."""
    n, m = cost.shape
    out = np.zeros((n, (m + 3) // 4 * 4))
    for j in range(n):
        row, like = cost[j], out[j]
        least = row.min()
        for k in range(m):
            # exp(-z) as the 256th power of the first terms of exp(-z / 256), which the compiler works out for several
            # places at once; its relative error is below 2e-6 at z = 32, the last z that is told apart, and 1e-12 at 3.
            z = min(_NEW * (row[k] - least), 32.0) / 256.0
            e = 1.0 - z * (1.0 - z * (1 / 2 - z * (1 / 6 - z * (1 / 24 - z / 120))))
            e *= e
            e *= e
            e *= e
            e *= e
            e *= e
            e *= e
            e *= e
            e *= e
            like[k] = e + 1e-12
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _round(like: NDArray[np.float64], hop: Places, first: int, step: int, out: NDArray[np.float64]) -> None:
    """Probability of each place from all that lies before it on the way round, beginning anywhere, into `out`."""
    n, room = like.shape
    now = np.full(room, 1.0 / room)
    # With nothing on either side.
    seen = np.zeros(room + hop.size - 1)
    middle = seen[hop.size // 2 :]
    j = first
    # A quarter more than once round: the first stretch forgets where it began.
    for _ in range(n + n // 4):
        row, own = out[j], like[j]
        for k in range(room):
            row[k] = now[k]
            middle[k] = now[k] * own[k]
        # Four places and four sums at once.
        t0 = t1 = t2 = t3 = 0.0
        for b in range(0, room, 4):
            a0 = a1 = a2 = a3 = 0.0
            for k in range(hop.size):
                f = hop[k]
                a0 += f * seen[b + k]
                a1 += f * seen[b + k + 1]
                a2 += f * seen[b + k + 2]
                a3 += f * seen[b + k + 3]
            now[b], now[b + 1], now[b + 2], now[b + 3] = a0, a1, a2, a3
            t0, t1, t2, t3 = t0 + a0, t1 + a1, t2 + a2, t3 + a3
        share = 1.0 / ((t0 + t1) + (t2 + t3))
        for k in range(room):
            now[k] *= share
        j += step
        if j == n:
            j = 0
        elif j < 0:
            j = n - 1


@njit(cache=True, nogil=True)
def _smoothed(x: Places, y: Places, sigma: float) -> tuple[Places, Places, Places, Places]:
    """Smoothed vertices and outward unit normals of a contour.

    Smoothing cuts a tip of curvature k by k sigma² / 2. So what was taken off is smoothed too and put on again
    (twicing, Tukey 1977, Exploratory Data Analysis): that leaves a part of fourth order in sigma.
    """
    sx, sy, nx, ny, _ = normals_curvature(x, y, sigma)
    return sx + smooth_closed(x - sx, sigma), sy + smooth_closed(y - sy, sigma), nx, ny


@njit(cache=True, nogil=True)
def follow(
    evidence: NDArray[np.float32],
    bright: NDArray[np.float32],
    rim: Rim,
    cx: Places,
    cy: Places,
    n: int,
    bump: float,
    tips: Places,
) -> tuple[Places, Places]:
    """Move a coarse contour onto the end of the region that looks liquid, to about a pixel.

    Parameters
    ----------
    evidence
        Weight of evidence for liquid, shape (h, w).
    bright
        Relative brightness of each pixel, 0 … 1, shape (h, w).
    rim
        What tone says of each place, one a pixel, within as many px of the contour as are looked at.
    cx, cy
        Coarse closed contour, px.
    n
        Vertices wanted.
    bump
        Widest bump that is no part of the pool, px.
    tips
        Outward unit vectors where the pool is more pointed than such a bump, shape (k, 2).
    """
    # Its normals are those of the contour smoothed over 4 px: closer vertices would say nothing new.
    few = min(max(int(spacing_of(cx, cy) * cx.size / _STEP), _FEWEST), n)
    x, y = resample(cx, cy, few)
    spacing = spacing_of(x, y)
    x, y, nx, ny, _ = normals_curvature(x, y, max(4.0 / spacing, 0.5))
    search = rim.constant.size // 2
    cost = plain_costs(sampled(evidence, x, y, nx, ny, search))
    reach = rim.mean.shape[0] // 2
    motion = sampled(evidence, x, y, nx, ny, reach)
    tone = sampled(bright, x, y, nx, ny, reach)
    take_off_shading(tone, nx, ny, rim)
    add_rim(cost, tone, motion, _LIQUID, rim)
    place, _ = chain(cost, max(_SLOPE * spacing, _LOOSE * math.sqrt(spacing)))
    limit = np.full(x.size, _BUMP)
    for j in range(x.size):
        for k in range(tips.shape[0]):
            if nx[j] * tips[k, 0] + ny[j] * tips[k, 1] > _TOWARDS:
                limit[j] = _TIP
    place = level_bumps(place - search, spacing, bump, limit)
    x, y = resample(x + place * nx, y + place * ny, n)
    return x, y


@njit(cache=True, nogil=True)
def settle(
    share: NDArray[np.float32],
    bright: NDArray[np.float32],
    edge: RimEdge,
    x: Places,
    y: Places,
    search: int,
    finer: int,
    reach: int,
    bump: float,
) -> tuple[Places, Places, Places, Places]:
    """Move vertices along their normals to where a blurred edge between liquid and solid fits best.

    Parameters
    ----------
    share, bright
        Unexplained share and relative brightness of each pixel, 0 … 1, shape (h, w).
    edge
        What is known of the edge.
    x, y
        Vertices, px.
    search
        How far to look, px.
    finer
        Places a pixel.
    reach
        Samples on either side of the outline, px.
    bump
        Widest bump that is no part of the pool, px.

    Returns
    -------
    tuple
        Vertices x and y, the standard deviation of each along its normal (px), and the least cost of each normal.
    """
    n = x.size
    spacing = spacing_of(x, y)
    x, y, nx, ny = _smoothed(x, y, max(1.2 / spacing, 0.5))
    motion = sampled(share, x, y, nx, ny, reach)
    cost = blurred_costs(motion, edge.share, search, finer)
    tone = sampled(bright, x, y, nx, ny, reach)
    take_off_shading(tone, nx, ny, edge.rim)
    add_rim(cost, tone, motion, edge.changed, edge.rim)
    place, deviation = chain(cost, max(_SLOPE * spacing * finer, 0.5))
    least = np.empty(n)
    for j in range(n):
        least[j] = cost[j].min()
        place[j] = place[j] / finer - search
    place = level_bumps(place, spacing, bump, np.full(n, _BUMP))
    x, y = resample(x + place * nx, y + place * ny, n)
    return x, y, deviation / finer, least
