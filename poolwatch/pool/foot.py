"""Spread and height of a step whose top is clipped, from its foot alone.

Outside what is clipped, a pixel at the distance d from a line of equal brightness is modelled as

    I(d) = o + f d + h C((d - s0) / p),

with C the upper tail of the normal distribution averaged over a pixel's area, p the point spread, o and f level and
slope of the surroundings, h the height of the step, s0 its place. The foot of a wide low step is nearly that of a
narrow high one: a single profile cannot tell them apart. The point spread is one for all frames and places; level,
slope, height and place are those of each of some hundred stretches of outline.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .band import Band, band_of
from .coarse import Grey
from .step import _LIMIT, _TAIL, _Z

# Variance that a pixel's area adds to the point spread, and what interpolation between pixels adds where profiles are
# read, px².
_PIXEL = 1 / 12
_BETWEEN = 1 / 6
# The mean over a pixel's area by three places across it, px, and their shares: variance 1/12 and fourth moment 7/480 of
# the projected square, averaged over all directions of the edge.
_ACROSS = math.sqrt(0.175)
_BESIDE = _PIXEL / (2 * 0.175)
# Width of the band, px and point spreads.
_DEPTH = 6.0
_DEPTHS = 4.5
# Point spreads tried, px, in two rounds: all, and closely about the best.
_COARSE = np.geomspace(0.35, 4.0, 9)
_FINE = np.linspace(-1.0, 1.0, 9)
# Distances of the line of equal brightness from the step, tried, point spreads.
_PLACES = np.linspace(-1.5, 1.7, 33)
# Spread of an edge in a picture in focus, px, and how far it varies (logarithm): pixel and lens are commonly matched
# (common practice, no source).
_COMMON = 1.05
_COMMON_U = 0.3
# How high the step is commonly expected, over what is seen of it, and how far that varies (logarithm).
_USUAL = 1.7
_USUAL_U = 0.7
# Pixels whose misfit counts as one independent observation: what a codec does, and how the line runs between pixels, is
# common to neighbours.
_COMMON_PIXELS = 10.0
# A stretch of outline needs as many pixels. The worst tenth of the stretches hold particles and glare, and so do those
# whose misfit is as many times the usual one, as beside a hot trail.
_PIXELS = 12
_KEPT = 0.9
_STRANGE = 4.0
# Noise of a pixel before it is known, over what is seen of the step, and how well the line is known, px.
_NOISE = 0.006
_LINE_U = 0.03
# Places of the table of C in a pixel, and bins of distance, px.
_STEPS = 32
_BIN = 0.5
# Frames of the first round, about.
_FEW = 8


class _Pixels(NamedTuple):
    """Bands of all frames together: distances px, values over what is seen of the step, first pixel of each stretch."""

    distance: NDArray[np.float64]
    value: NDArray[np.float64]
    first: NDArray[np.int64]
    visible: float


@njit(cache=True, nogil=True)
def _misfits(
    distance: NDArray[np.float64],
    value: NDArray[np.float64],
    weight: NDArray[np.float64],
    first: NDArray[np.int64],
    edge: NDArray[np.float64],
    shifts: NDArray[np.float64],
    misfit: NDArray[np.float64],
    height: NDArray[np.float64],
) -> None:
    """Weighted sum of squares and height of the step of each stretch for each place of the step.

    `edge` holds C at steps of 1/32 px about its middle. Level, slope and height are linear and eliminated in turn.
    """
    middle = edge.size // 2
    for g in range(first.size - 1):
        a, b = first[g], first[g + 1]
        n = su = suu = sy = suy = syy = 0.0
        for k in range(a, b):
            w, u, y = weight[k], distance[k], value[k]
            n, su, suu = n + w, su + w * u, suu + w * u * u
            sy, suy, syy = sy + w * y, suy + w * u * y, syy + w * y * y
        det = n * suu - su * su
        for m in range(shifts.size):
            misfit[g, m] = np.inf
            height[g, m] = 0.0
            if det <= 1e-9 * n * suu:
                continue
            sc = suc = scc = scy = 0.0
            for k in range(a, b):
                t = min(max((distance[k] + shifts[m]) * _STEPS + middle, 0.0), edge.size - 2.0)
                i = int(t)
                c = edge[i] + (t - i) * (edge[i + 1] - edge[i])
                w = weight[k] * c
                sc, suc, scc, scy = sc + w, suc + w * distance[k], scc + w * c, scy + w * value[k]
            # What level and slope explain is taken off the step and the values.
            c0, c1 = (suu * sc - su * suc) / det, (n * suc - su * sc) / det
            cc = scc - c0 * sc - c1 * suc
            cy = scy - c0 * sy - c1 * suy
            if cc <= 1e-12 * scc or cy <= 0.0:
                continue
            yy = syy - (suu * sy - su * suy) / det * sy - (n * suy - su * sy) / det * suy
            misfit[g, m] = yy - cy * cy / cc
            height[g, m] = cy / cc


def _edge(point: float) -> NDArray[np.float64]:
    """C about its middle, at steps of 1/32 px, for one point spread."""
    half = math.ceil(_STEPS * (_LIMIT * point + 1.0))
    at = np.arange(-half, half + 1) / _STEPS
    out = np.zeros(len(at))
    for move, share in ((-_ACROSS, _BESIDE), (0.0, 1.0 - 2.0 * _BESIDE), (_ACROSS, _BESIDE)):
        out += share * np.interp((at + move) / point, _Z, _TAIL, left=1.0, right=0.0)
    return out


def foot_spread(
    sample: Grey,
    regions: list[tuple[int, NDArray[np.float64], float]],
    clipping: float,
    known: float | None,
) -> tuple[float, float]:
    """Spread (px) and height (grey values) of a step that is clipped all along an edge; infinite and 0 if it has none.

    Parameters
    ----------
    sample
        Frames, shape (n, h, w).
    regions
        Number of a frame in the sample, the coarse contour in it (m, 2) px, and its area px².
    clipping
        Grey value from which a pixel may be clipped.
    known
        The spread where it is known, px; only the height is then found.

    Returns
    -------
    tuple
        Spread as profiles between pixels show it: point spread, pixel and interpolation together. Of simulated pools
        with rims at 1.1 to 2 times full scale it is within 0.5 % (standard deviation) of the true one without loss,
        within 3 % in H.264.
    """
    few = regions[:: max(len(regions) // _FEW, 1)]
    ladder = _COARSE if known is None else np.array([math.sqrt(max(known**2 - _PIXEL - _BETWEEN, 0.01))])
    depth = _DEPTH
    pixels, rough = _first_round(sample, few, clipping, depth, ladder)
    if rough is not None and _DEPTHS * rough.point > depth:
        # A blurred edge has a longer foot.
        depth = _DEPTHS * rough.point
        pixels, rough = _first_round(sample, few, clipping, depth, ladder)
    if pixels is None or rough is None:
        return float("inf"), 0.0
    best, visible = rough, pixels.visible
    if known is None:
        variance = _variance(pixels, rough)
        pixels = _gather(sample, regions, clipping, depth) or pixels
        weight = 1.0 / variance[np.minimum(_bins(pixels.distance), len(variance) - 1)]
        best = _tried(pixels, weight, rough.point * (_COARSE[1] / _COARSE[0]) ** _FINE) or rough
        visible = pixels.visible
    return math.sqrt(best.point**2 + _PIXEL + _BETWEEN), best.height * visible


def _gather(
    sample: Grey, regions: list[tuple[int, NDArray[np.float64], float]], clipping: float, depth: float
) -> _Pixels | None:
    """The bands of all frames; None where there is none."""
    bands = [band_of(sample[i], contour, clipping, depth) for i, contour, _ in regions]
    held: list[Band] = [band for band in bands if band is not None]
    if 2 * len(held) < len(regions):
        return None
    starts = np.cumsum([0] + [len(band.value) for band in held])
    first = np.concatenate([band.first[:-1] + at for band, at in zip(held, starts, strict=False)])
    if starts[-1] < _PIXELS * _FEW:
        return None
    visible = float(np.median([band.visible for band in held]))
    return _Pixels(
        distance=np.concatenate([band.distance for band in held]),
        value=np.concatenate([band.value for band in held]) / visible,
        first=np.append(first, starts[-1]),
        visible=visible,
    )


def _first_round(
    sample: Grey,
    regions: list[tuple[int, NDArray[np.float64], float]],
    clipping: float,
    depth: float,
    ladder: NDArray[np.float64],
) -> tuple[_Pixels | None, _Best | None]:
    """The bands of some frames, and the best of a ladder of point spreads with guessed weights; None if none."""
    pixels = _gather(sample, regions, clipping, depth)
    return pixels, None if pixels is None else _tried(pixels, _first_weight(pixels), ladder)


class _Best(NamedTuple):
    """Point spread px, height of the step over what is seen of it, place of each stretch px, and which count."""

    point: float
    height: float
    places: NDArray[np.float64]
    kept: NDArray[np.bool_]


def _tried(pixels: _Pixels, weight: NDArray[np.float64], ladder: NDArray[np.float64]) -> _Best | None:
    """The best of a ladder of point spreads; None where none fits."""
    stretches = len(pixels.first) - 1
    many = np.diff(pixels.first)
    least = np.empty((len(ladder), stretches))
    place, tall = np.empty_like(least), np.empty_like(least)
    misfit, height = np.empty((stretches, len(_PLACES))), np.empty((stretches, len(_PLACES)))
    rows = np.arange(stretches)
    for q, point in enumerate(ladder):
        _misfits(
            pixels.distance,
            pixels.value,
            weight,
            pixels.first,
            _edge(point),
            _PLACES * point,
            misfit,
            height,
        )
        k = misfit.argmin(axis=1)
        shift, lower = _bottom(misfit, k)
        least[q] = lower
        place[q] = -point * (_PLACES[k] + shift * (_PLACES[1] - _PLACES[0]))
        beside = np.clip(k + np.sign(shift).astype(np.intp), 0, len(_PLACES) - 1)
        tall[q] = (1 - np.abs(shift)) * height[rows, k] + np.abs(shift) * height[rows, beside]
    calm = np.where(many >= _PIXELS, least.min(axis=0) / np.maximum(many, 1), np.inf)
    kept = np.isfinite(least).all(axis=0) & np.isfinite(calm)
    if kept.sum() < 0.3 * stretches:
        return None
    kept &= calm <= min(np.quantile(calm[kept], _KEPT), _STRANGE * np.median(calm[kept]))
    total = least[:, kept].sum(axis=1)
    heights = np.median(tall[:, kept], axis=1)
    # Noise as it is: what the best leaves.
    score = (many[kept].sum() / _COMMON_PIXELS) * total / max(float(total.min()), 1e-12)
    spreads = np.sqrt(ladder**2 + _PIXEL + _BETWEEN)
    score += (np.log(spreads / _COMMON) / _COMMON_U) ** 2
    score += (np.log(np.maximum(heights, 1e-3) / _USUAL) / _USUAL_U) ** 2
    k = int(score.argmin())
    part = 0.0
    if len(ladder) > 2:
        k = int(np.clip(k, 1, len(ladder) - 2))
        shift, _ = _bottom(score[None], np.array([k]))
        part = float(shift[0])
    beside = int(np.clip(k + np.sign(part), 0, len(ladder) - 1))
    return _Best(
        point=float(ladder[k] * (ladder[beside] / ladder[k]) ** abs(part)),
        height=float((1 - abs(part)) * heights[k] + abs(part) * heights[beside]),
        places=place[k],
        kept=kept,
    )


def _bottom(
    values: NDArray[np.float64], k: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Parabolas through the lowest of each row and its neighbours: shift of the bottom (-1 to 1 places), and depth."""
    rows = np.arange(len(values))
    inner = np.clip(k, 1, values.shape[1] - 2)
    left, middle, right = values[rows, inner - 1], values[rows, inner], values[rows, inner + 1]
    with np.errstate(invalid="ignore"):
        bend = left - 2 * middle + right
        slope = 0.5 * (left - right)
    sound = np.isfinite(bend) & (bend > 0) & (inner == k)
    bend, slope = np.where(sound, bend, 1.0), np.where(sound, slope, 0.0)
    shift = np.clip(slope / bend, -1.0, 1.0)
    lower = np.where(sound, middle, values[rows, k]) - 0.5 * np.abs(shift * slope)
    return shift, lower


def _first_weight(pixels: _Pixels) -> NDArray[np.float64]:
    """One over the variance of each pixel, guessed: noise, and what the line's own error makes where it is steep."""
    bins = _bins(pixels.distance)
    steep = np.abs(np.gradient(_by_bin(pixels.value, bins), _BIN))
    weight: NDArray[np.float64] = 1.0 / (_NOISE**2 + (_LINE_U * steep[bins]) ** 2)
    return weight


def _variance(pixels: _Pixels, rough: _Best) -> NDArray[np.float64]:
    """Variance of a pixel in each bin of distances: what the first round left there."""
    edge = _edge(rough.point)
    at = (pixels.distance - np.repeat(rough.places, np.diff(pixels.first))) * _STEPS
    tail = np.interp(at, np.arange(len(edge)) - len(edge) // 2, edge)
    square = np.full(len(at), np.nan)
    for g in np.flatnonzero(rough.kept):
        here = slice(pixels.first[g], pixels.first[g + 1])
        model = np.stack([np.ones_like(tail[here]), pixels.distance[here], tail[here]], axis=1)
        found = np.linalg.lstsq(model, pixels.value[here], rcond=None)[0]
        square[here] = (pixels.value[here] - model @ found) ** 2
    known = np.isfinite(square)
    # Nothing is known better than to a rounded grey value.
    return _by_bin(square[known], _bins(pixels.distance[known])) + 1.0 / (12.0 * pixels.visible**2)


def _bins(distance: NDArray[np.float64]) -> NDArray[np.intp]:
    """Bin of each distance from the line outwards."""
    out: NDArray[np.intp] = np.floor(distance / _BIN).astype(np.intp)
    return out


def _by_bin(values: NDArray[np.float64], bins: NDArray[np.intp]) -> NDArray[np.float64]:
    """Mean of the values in each bin; bins with few take after their neighbours."""
    number = np.bincount(bins)
    mean = np.bincount(bins, values) / np.maximum(number, 1)
    full = np.flatnonzero(number >= _PIXELS)
    return np.interp(np.arange(len(mean)), full, mean[full]) if len(full) > 1 else mean + values.mean()
