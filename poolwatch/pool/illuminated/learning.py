"""The steps of the first look at illuminated footage."""

from __future__ import annotations

import itertools
import math

import cv2
import numpy as np
from numpy.typing import NDArray

from ...model.errors import MeasurementError
from ..coarse import touches
from ..settings import PoolSettings
from .boundary import follow, settle
from .comparing import WINDOW
from .evidence import BINS, FINER, REACH, SEARCH, Counts, Evidence, learn_evidence, weigh
from .metal import Box, Grey, register, shifted
from .motion import find_motion, noise_of, refine_motion
from .region import (
    SHARE,
    Pieces,
    box_around,
    contour_of,
    distances,
    hull_of,
    lighting_of,
    liquid_in,
    margin_of,
    pointed_of,
)
from .residual import unexplained
from .rim import RimTone, tones_of

# Where brightness tells little, a spread of about a pixel is taken: cost of a factor e either way.
_LENS = 150.0
# Share of the picture that must follow a motion for no other to be looked for.
_FOLLOWED = 0.6
# Standard deviations of what noise leaves unexplained, for a place to be liquid at first.
_CLEAR = 8.0
# Metal slower than this over half a window stands still as far as looking for the pool goes, px.
STILL_PX = 0.5
# Turns of learning what liquid and solid look like, and finding outlines with it.
_TURNS = 4
# Pixels nearer to an outline than this are neither liquid nor solid, px.
_BESIDE = 1.0
# Side of the tiles in which soft light is looked for, px.
_TILE = 8
# Window number, coarse contour, unexplained shares of surroundings and of pixels.
Region = tuple[int, NDArray[np.float64], NDArray[np.float32], NDArray[np.float32]]
# Spreads of the edge that are tried, px.
_SIGMAS = (0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.2)


def motion_of(
    windows: Grey,
    given: tuple[float, float] | None,
    solid: NDArray[np.uint8],
    noise: tuple[float, float],
    half: int,
) -> tuple[tuple[float, float], tuple[float, float], float]:
    """Motion of the metal, its uncertainty and the share that follows it: as given or at rest, or else found by vote.

    Who gives a travel speed does not say whether the camera rides or stands. Where marks are faint, noise hides much of
    what a wrong motion leaves, and its share is high, too: the higher one counts.
    """
    starts = [] if given is None else [given, (0.0, 0.0)]
    tried = [refine_motion(windows, start, solid, noise, half) for start in starts]
    if not tried or max(share for *_, share in tried) <= _FOLLOWED:
        tried.append(refine_motion(windows, find_motion(windows), solid, noise, half))
    return max(tried, key=lambda one: one[2])


def noise_of_pairs(
    windows: Grey, metal: tuple[float, float], solid: NDArray[np.uint8], half: int
) -> tuple[float, float]:
    """Variance of the difference of two registered frames against brightness: a + b I, from medians in bins."""
    h, w = windows.shape[2:]
    box = (0, h, 0, w)
    bright, square = [], []
    start = 2.0 * float(np.median([noise_of(run[half]) for run in windows])) ** 2
    for run in windows[:12]:
        for other in (half - 1, half + 2):
            k = other - half
            dx, dy, gain, _ = register(
                run[half], run[other], box, solid, k * metal[0], k * metal[1], start, 0.0, 3
            )
            read, (a, b, c, d) = shifted(run[other], box, dx, dy)
            here = run[half][a:b:2, c:d:2].astype(np.float64)
            bright.append(here.ravel())
            square.append(((here - gain * read[a:b:2, c:d:2]) ** 2).ravel())
    level, value = np.concatenate(bright), np.concatenate(square)
    edges = np.quantile(level, np.linspace(0.02, 0.98, 9))
    middle, variance = [], []
    for low, high in itertools.pairwise(edges):
        inside = (level >= low) & (level <= high)
        if inside.sum() > 50:
            middle.append(float(level[inside].mean()))
            # The median of a squared Gaussian is 0.4549 of its mean; rounding adds 1/12 to each frame anyway.
            variance.append(float(np.median(value[inside])) / 0.4549)
    least = 2.0 / 12.0
    if len(middle) < 3 or np.ptp(middle) < 0.2 * np.mean(middle):
        return max(float(np.median(variance)), least), 0.0
    slope = float(np.median(np.diff(variance) / np.maximum(np.diff(middle), 1e-6)))
    slope = max(slope, 0.0)
    floor = float(np.median(np.array(variance) - slope * np.array(middle)))
    return max(floor, 0.3 * float(np.median(variance)), least), slope


def veil_of(
    windows: Grey,
    metal: tuple[float, float],
    solid: NDArray[np.uint8],
    noise: tuple[float, float],
    half: int,
    pools: list[Region] | None = None,
) -> bool:
    """Whether soft light comes and goes over the metal: registered differences hold more than noise in the large.

    With `pools`, only the metal around them counts: light over the weld is a small part of a wide view.
    """
    h, w = windows.shape[2:]
    box = (0, h, 0, w)
    around = None if pools is None else _around(pools, (h, w))
    found = []
    level = float(np.mean([run[half].mean() for run in windows]))
    variance = noise[0] + noise[1] * level
    for i, run in enumerate(windows[:12]):
        if around is not None and i not in around:
            continue
        dx, dy, gain, _ = register(
            run[half], run[0], box, solid, -half * metal[0], -half * metal[1], *noise, 3
        )
        read, (a, b, c, d) = shifted(run[0], box, dx, dy)
        if around is not None:
            a, b, c, d = _common((a, b, c, d), around[i])
            if b - a < _TILE or d - c < _TILE:
                continue
        difference = run[half][a:b, c:d].astype(np.float32) - np.float32(gain) * read[a:b, c:d]
        size = (max((d - c) // _TILE, 1), max((b - a) // _TILE, 1))
        mean = cv2.resize(difference, size, interpolation=cv2.INTER_AREA)
        inside = cv2.resize(difference**2, size, interpolation=cv2.INTER_AREA) - mean**2
        # Where a tile's texture is explained it is metal, whatever light lies over it.
        metal_tiles = np.abs(mean)[inside < 1.5 * variance]
        if metal_tiles.size > 10:
            found.append(float(np.percentile(metal_tiles, 85)))
    # 85 of 100 sizes of a Gaussian lie below 1.44 sd; texture read between pixels adds a little.
    return bool(found) and float(np.median(found)) > 3.0 * 1.44 * math.sqrt(variance) / _TILE


def _around(pools: list[Region], shape: tuple[int, int]) -> dict[int, Box]:
    """By window, the box of its pool and of the metal around it."""
    boxes = {}
    for i, contour, *_ in pools:
        size = math.sqrt(abs(float(cv2.contourArea(contour.astype(np.float32)))))
        boxes[i] = box_around(contour, margin_of(size), shape)
    return boxes


def _common(one: Box, other: Box) -> Box:
    return max(one[0], other[0]), min(one[1], other[1]), max(one[2], other[2]), min(one[3], other[3])


def neck_of(size: float) -> int:
    """Width of the widest neck or bump that may hang on a pool without belonging to it, px."""
    # Judged by its surroundings, everything is seen wider by them; but a small pool must not be shaved away.
    return max(round(min(0.15 * size + WINDOW - 1, 0.3 * size)), 4)


def lags_of(unit: int, half: int) -> tuple[int, ...]:
    """Up to five distances from `unit` to `half`, evenly spread in proportion."""
    unit = min(unit, half)
    return tuple(sorted({round(unit * (half / unit) ** (i / 4)) for i in range(5)}))


def regions_of(
    windows: Grey,
    metal: tuple[float, float],
    noise: tuple[float, float],
    lags: tuple[int, ...],
    veil: bool,
    settings: PoolSettings,
) -> list[Region]:
    """Window number, coarse contour and unexplained shares of the windows whose middle frame shows a whole pool."""
    half = (windows.shape[1] - 1) // 2
    h, w = windows.shape[2:]
    everywhere = np.ones((h, w), dtype=np.uint8)
    found: list[Region] = []
    areas = []
    maps = []
    for i, run in enumerate(windows):
        others = [half + sign * lag for lag in lags for sign in (-1, 1)]
        window, alone, used = unexplained(run, half, others, (0, h, 0, w), everywhere, metal, noise, veil)
        if used < len(others) / 2:
            continue
        maps.append((i, window, alone))
        contour, area = hull_of((window > share_level(window)) & (window <= 1.0))
        if area < settings.smallest_area_px or area > 0.7 * h * w or touches(contour, h, w):
            continue
        found.append((i, contour, window, alone))
        areas.append(area)
    if not found:
        raise MeasurementError(
            "no pool found: rigid motion of the metal explains the picture everywhere but for less than "
            f"{settings.smallest_area_px:.0f} px², or all of it is cut by the border. Check that the beam is on and "
            "the whole pool in view"
        )
    middle = np.median(areas)
    together = np.mean([np.minimum(window, 1.0) for _, window, _ in maps], axis=0)
    contour, area = contour_of(together > share_level(together), 0)
    riding = math.hypot(*metal) * half > STILL_PX
    if riding and 2.0 * middle < area < 0.6 * h * w and not touches(contour, h, w):
        # Where contrast is poor a single picture shows highlights alone, all together show the pool; where the
        # camera stands the pool wanders, and they do not.
        return [(i, contour, window, alone) for i, window, alone in maps]
    return [f for f, a in zip(found, areas, strict=True) if 0.5 * middle < a < 1.7 * middle]


def share_level(window: NDArray[np.float32]) -> float:
    """Unexplained share above which surroundings are liquid: clear of what noise leaves over most of the picture."""
    known = window[window <= 1.0]
    if known.size == 0:
        return SHARE
    middle = float(np.median(known))
    spread = 1.4826 * float(np.median(np.abs(known - middle)))
    return min(middle + _CLEAR * spread, SHARE)


def unit_of(
    windows: Grey,
    pools: list[Region],
    metal: tuple[float, float],
    noise: tuple[float, float],
    veil: bool,
    half: int,
) -> int:
    """Shortest distance, frames, at which the liquid has changed about as much as it ever does."""
    h, w = windows.shape[2:]
    everywhere = np.ones((h, w), dtype=np.uint8)
    tried = sorted({1, 2, 3, 4, 6, 8, 12, 16} & set(range(1, half + 1)))
    changed = []
    for lag in tried:
        shares = []
        for i, contour, *_ in pools[:6]:
            depth = distances(contour, (h, w))
            # A thin region has no place 3 px inside.
            inside = depth > min(3.0, 0.5 * float(depth.max()))
            box = box_around(contour, 2, (h, w))
            r0, r1, c0, c1 = box
            for other in (half - lag, half + lag):
                window, _, _ = unexplained(
                    windows[i], half, [other], box, everywhere[r0:r1, c0:c1], metal, noise, veil
                )
                shares.append(float(np.median(window[inside[r0:r1, c0:c1]])))
        changed.append(float(np.median(shares)))
    # 0.09 is what noise alone leaves.
    enough = 0.09 + 0.55 * (max(changed) - 0.09)
    return next(lag for lag, c in zip(tried, changed, strict=True) if c >= enough)


def evidence_of(
    centres: list[Grey],
    fields: list[tuple[NDArray[np.float32], NDArray[np.float32]]],
    contours: list[NDArray[np.float64]],
    noise: tuple[float, float],
    forward: tuple[float, float],
    settings: PoolSettings,
) -> tuple[Evidence, tuple[float, float, float], list[NDArray[np.float64]]]:
    """What liquid and solid look like, the lighting, and outlines found with them; each turn better than the last."""
    # Nothing was shaved off these contours, and a particle on the rim is in few of them.
    sizes = [math.sqrt(abs(float(cv2.contourArea(c.astype(np.float32))))) for c in contours]
    pointed = pointed_of(contours, neck_of(float(np.median(sizes))), forward)
    # Where the pool is pointed is not known yet: ahead or behind, if anywhere.
    ends = np.array([forward, (-forward[0], -forward[1])])
    outlines = contours
    for turn in range(_TURNS):
        counts, lighting, bright = _counted(centres, fields, outlines, noise, 3.5 if turn == 0 else 2.5)
        tones = tones_of(bright, outlines)
        sigma = settings.edge_sigma_px or 1.0
        if turn == _TURNS - 1 and settings.edge_sigma_px is None:
            sigma = _spread(counts, tones, bright, fields, outlines)
        evidence = learn_evidence(counts, sigma, tones)
        outlines = [
            _outlined(b, field, o, evidence, pointed, ends, settings.vertices)
            for b, field, o in zip(bright, fields, outlines, strict=True)
        ]
    return evidence, lighting, outlines


def _counted(
    centres: list[Grey],
    fields: list[tuple[NDArray[np.float32], NDArray[np.float32]]],
    outlines: list[NDArray[np.float64]],
    noise: tuple[float, float],
    inner: float,
) -> tuple[Counts, tuple[float, float, float], list[NDArray[np.float32]]]:
    """What is seen in and around outlines, liquid from `inner` px inside on; the lighting, and relative brightness."""
    h, w = centres[0].shape
    depths = [distances(o, (h, w)) for o in outlines]
    metal = [(d < -3.0) & (window < SHARE) for d, (window, _) in zip(depths, fields, strict=True)]
    lighting, gains = lighting_of(centres, metal)
    grey = lighting[0] + lighting[1] * (w - 1) / 2 + lighting[2] * (h - 1) / 2
    both = np.zeros((2, BINS, BINS))
    share, brightness = np.zeros((2, BINS)), np.zeros((2, BINS))
    every = []
    for frame, depth, (window, alone), gain in zip(centres, depths, fields, gains, strict=True):
        none = np.zeros((BINS + 1, BINS), dtype=np.float32)
        _, bright = weigh(frame, (0, h, 0, w), window, float(gain), lighting, none)
        every.append(bright)
        reach = max(0.12 * math.sqrt(float((depth > 0).sum())), 6.0)
        known = (depth > -30.0) & (window <= 1.0)
        for k, (far, near) in enumerate(
            (
                ((depth > inner) & (depth < inner + reach), (depth > _BESIDE) & (depth < inner + reach)),
                ((depth < -2.5) & known, (depth < -_BESIDE) & known),
            )
        ):
            share[k] += np.histogram(np.clip(alone[far], 0, 0.9999), BINS, (0.0, 1.0))[0]
            brightness[k] += np.histogram(np.clip(bright[far], 0, 0.9999), BINS, (0.0, 1.0))[0]
            both[k] += np.histogram2d(
                np.clip(window[near], 0, 0.9999), np.clip(bright[near], 0, 0.9999), BINS, ((0, 1), (0, 1))
            )[0]
    counts = Counts(both, share, brightness, grey / math.sqrt(noise[0] + noise[1] * grey))
    return counts, lighting, every


def _outlined(
    bright: NDArray[np.float32],
    field: tuple[NDArray[np.float32], NDArray[np.float32]],
    before: NDArray[np.float64],
    evidence: Evidence,
    pointed: Pieces,
    ends: NDArray[np.float64],
    vertices: int,
) -> NDArray[np.float64]:
    """Outline in one picture with what is known so far."""
    window, alone = field
    weight = evidence.weight_of(window, bright)
    neck = neck_of(math.sqrt(float((distances(before, bright.shape) > 0).sum())))
    contour, _ = contour_of(liquid_in(weight), neck, pointed=pointed)
    if len(contour) < 3:
        raise MeasurementError(
            "no pool found: what rigid motion of the metal leaves unexplained is no one thing; check that the "
            "beam is on, or set pool.footage if this clip glows"
        )
    x, y = follow(
        weight, bright, evidence.wide, contour[:, 0].copy(), contour[:, 1].copy(), vertices, float(neck), ends
    )
    x, y, _, _ = settle(
        alone,
        bright,
        evidence.edge,
        x,
        y,
        SEARCH,
        FINER,
        SEARCH + REACH,
        float(neck),
    )
    return np.column_stack((x, y))


def _spread(
    counts: Counts,
    tones: tuple[RimTone, RimTone],
    bright: list[NDArray[np.float32]],
    fields: list[tuple[NDArray[np.float32], NDArray[np.float32]]],
    outlines: list[NDArray[np.float64]],
) -> float:
    """Spread of the edge that fits brightness best, px: least cost over all normals of all windows.

    Brightness alone: motion shows where the edge is, but the edge moves between the frames compared, and that is
    no blur.
    """
    totals = []
    for sigma in _SIGMAS:
        edge = learn_evidence(counts, sigma, tones).edge
        edge = edge._replace(share=np.zeros_like(edge.share))
        total = 0.0
        for b, (_, alone), o in zip(bright, fields, outlines, strict=True):
            *_, least = settle(
                alone,
                b,
                edge,
                o[:, 0].copy(),
                o[:, 1].copy(),
                SEARCH,
                FINER,
                SEARCH + REACH,
                4.0,
            )
            total += float(least.sum())
        totals.append(total + _LENS * math.log(sigma) ** 2)
    k = int(np.argmin(totals))
    if 0 < k < len(totals) - 1:
        bend = totals[k - 1] - 2 * totals[k] + totals[k + 1]
        move = 0.5 * (totals[k - 1] - totals[k + 1]) / bend if bend > 0 else 0.0
        step = _SIGMAS[k + 1] / _SIGMAS[k] if move > 0 else _SIGMAS[k] / _SIGMAS[k - 1]
        return float(_SIGMAS[k] * step**move)
    return _SIGMAS[k]
