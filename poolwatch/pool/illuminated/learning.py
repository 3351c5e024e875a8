"""The steps of the first look at illuminated footage."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from ...model.errors import MeasurementError
from ..coarse import touches
from ..settings import PoolSettings
from .alignment import Path, UsualPool, moved
from .boundary import follow, settle
from .comparing import WINDOW
from .evidence import (
    BINS,
    FINER,
    REACH,
    SEARCH,
    Counts,
    Evidence,
    MetalLight,
    against,
    learn_evidence,
    relative,
)
from .metal import Field, Grey
from .metal_tone import lighting_of_places, moved_lighting, plain_lighting
from .motion import find_motion, refine_motion
from .noise import Region
from .over_time import rim_over_time, usual_picture
from .region import (
    SHARE,
    Pieces,
    box_around,
    contour_of,
    distances,
    hull_of,
    lighting_of,
    liquid_in,
    middle_of,
    pointed_of,
)
from .residual import unexplained
from .rim import RimTone, tones_of
from .usual import odds_of

# Where brightness tells little, a spread of about a pixel is taken: cost of a factor e either way.
_LENS = 150.0
# Standard deviations of what noise leaves unexplained, for a place to be liquid at first.
_CLEAR = 8.0
# Metal slower than this over half a window stands still as far as looking for the pool goes, px.
STILL_PX = 0.5
# Turns of learning what liquid and solid look like, and finding outlines with it.
_TURNS = 4
# Pixels nearer to an outline than this are neither liquid nor solid, px.
_BESIDE = 1.0
_NO_POOL = (
    "no pool found: rigid motion of the metal explains the picture everywhere but for less than {:.0f} px², or all of "
    "it is cut by the border. Check that the beam is on and the whole pool in view"
)
# Spreads of the edge that are tried, px.
_SIGMAS = (0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.2)


def motion_of(
    windows: Grey,
    given: tuple[float, float] | None,
    solid: NDArray[np.uint8],
    noise: tuple[float, float],
    half: int,
) -> tuple[tuple[float, float], tuple[float, float], float]:
    """Motion of the metal, its uncertainty and the share that follows it: from what was given, or found by vote."""
    lag = max(half, 1)
    best = None
    if given is not None:
        best = refine_motion(windows, given, solid, noise, lag)
        if best[2] > 0.6:
            return best
    found = refine_motion(windows, find_motion(windows), solid, noise, lag)
    return best if best is not None and best[2] >= found[2] else found


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
    paths: list[Path],
    forward: tuple[float, float],
    shown: UsualPool | None = None,
) -> tuple[list[Region], UsualPool | None]:
    """What windows whose middle frame shows a whole pool leave unexplained; and the pool as seen over time.

    `paths` are those that the pool may have; `shown` is the pool as seen over time where it is known already.
    """
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
    if not maps:
        raise MeasurementError(_NO_POOL.format(settings.smallest_area_px))
    if shown is None:
        seen = [_over_time(windows, maps, path, forward) for path in paths]
        shown = max((s for s in seen if s is not None), key=lambda s: s.step, default=None)
    if shown is not None:
        placed = [(i, shown.contour + shown.path.shift(i, half), window, alone) for i, window, alone in maps]
        inside = [p for p in placed if not touches(p[1], h, w)]
        if len(inside) >= 0.5 * len(maps):
            return inside, shown
    if not found:
        raise MeasurementError(_NO_POOL.format(settings.smallest_area_px))
    middle = np.median(areas)
    together = np.mean([np.minimum(window, 1.0) for _, window, _ in maps], axis=0)
    contour, area = contour_of(together > share_level(together), 0)
    riding = math.hypot(*metal) * half > STILL_PX
    if riding and 2.0 * middle < area < 0.6 * h * w and not touches(contour, h, w):
        # Where contrast is poor a single picture shows highlights alone, all together show the pool; where the
        # camera stands the pool wanders, and they do not.
        return [(i, contour, window, alone) for i, window, alone in maps], None
    return [f for f, a in zip(found, areas, strict=True) if 0.5 * middle < a < 1.7 * middle], None


def _over_time(
    windows: Grey, maps: list[tuple[int, Field, Field]], path: Path, forward: tuple[float, float]
) -> UsualPool | None:
    """The pool in frames laid on one another, if it has a rim there."""
    half = (windows.shape[1] - 1) // 2
    laid = []
    for i, window, _ in maps:
        dx, dy = path.shift(i, half)
        laid.append(np.minimum(moved(window, -dx, -dy), 1.0))
    # A particle is at a place in few of them.
    together = np.mean(np.sort(laid, axis=0)[: max(len(laid) * 3 // 4, 1)], axis=0)
    tone, change = usual_picture(windows, path)
    rim = rim_over_time(tone, change, together > share_level(together), forward)
    return UsualPool(tone, rim.contour, rim.step, path) if rim is not None and rim.seen else None


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
    return next((lag for lag, c in zip(tried, changed, strict=True) if c >= enough), tried[-1])


def evidence_of(
    centres: list[Grey],
    fields: list[tuple[NDArray[np.float32], NDArray[np.float32]]],
    contours: list[NDArray[np.float64]],
    noise: tuple[float, float],
    forward: tuple[float, float],
    settings: PoolSettings,
    shown: UsualPool | None,
    shifts: list[tuple[int, int]],
) -> tuple[Evidence, list[MetalLight], list[NDArray[np.float64]]]:
    """What liquid and solid look like, the lighting, and outlines found with them; each turn better than the last.

    `shown` is the pool as seen over time, if it is, and `shifts` its places in the frames.
    """
    # Nothing was shaved off these contours, and a particle on the rim is in few of them.
    sizes = [math.sqrt(abs(float(cv2.contourArea(c.astype(np.float32))))) for c in contours]
    pointed = pointed_of(contours, neck_of(float(np.median(sizes))), forward)
    # Where the pool is pointed is not known yet: ahead or behind, if anywhere.
    ends = np.array([forward, (-forward[0], -forward[1])])
    shape = centres[0].shape
    odds = np.zeros(shape, dtype=np.float32) if shown is None else odds_of(shown.contour, shape)
    outlines = contours
    for turn in range(_TURNS):
        lighting, gains = _lit(centres, fields, outlines, shown, shifts)
        bright = [relative(f, a, float(g)) for f, a, g in zip(centres, lighting, gains, strict=True)]
        placed = [against(b, a) for b, a in zip(bright, lighting, strict=True)]
        counts = _counted(placed, fields, outlines, noise, lighting[0].plane, 3.5 if turn == 0 else 2.5)
        tones = tones_of(bright, outlines)
        sigma = settings.edge_sigma_px or 1.0
        if turn == _TURNS - 1 and settings.edge_sigma_px is None:
            sigma = _spread(counts, tones, bright, fields, outlines)
        evidence = learn_evidence(counts, sigma, tones)
        if turn == 0 and shown is not None:
            # The rim over time is blunt where the pool is pointed and wanders.
            pointed = _pointed(placed, fields, outlines, evidence, [moved(odds, *s) for s in shifts], forward)
        outlines = [
            _outlined(
                b,
                evidence.weight_of(f[0], p),
                f[1],
                moved(odds, *s),
                o,
                evidence,
                pointed,
                ends,
                settings.vertices,
            )
            for b, p, f, o, s in zip(bright, placed, fields, outlines, shifts, strict=True)
        ]
    return evidence, lighting, outlines


def _lit(
    centres: list[Grey],
    fields: list[tuple[Field, Field]],
    outlines: list[NDArray[np.float64]],
    shown: UsualPool | None,
    shifts: list[tuple[int, int]],
) -> tuple[list[MetalLight], NDArray[np.float64]]:
    """Light of the metal outside outlines in each frame, and its gain against it."""
    h, w = centres[0].shape
    metal = [
        (distances(o, (h, w)) < -3.0) & (window < SHARE)
        for o, (window, _) in zip(outlines, fields, strict=True)
    ]
    plane, gains = lighting_of(centres, metal)
    if shown is None:
        lighting = plain_lighting(plane, (h, w))
    else:
        lighting = lighting_of_places(shown.picture, shown.contour, plane)
    return [moved_lighting(lighting, *shift) for shift in shifts], gains


def _counted(
    placed: list[Field],
    fields: list[tuple[Field, Field]],
    outlines: list[NDArray[np.float64]],
    noise: tuple[float, float],
    plane: tuple[float, float, float],
    inner: float,
) -> Counts:
    """What is seen in and around outlines, liquid from `inner` px inside on."""
    h, w = placed[0].shape
    grey = plane[0] + plane[1] * (w - 1) / 2 + plane[2] * (h - 1) / 2
    both = np.zeros((2, BINS, BINS))
    share, brightness = np.zeros((2, BINS)), np.zeros((2, BINS))
    for seen, outline, (window, alone) in zip(placed, outlines, fields, strict=True):
        depth = distances(outline, (h, w))
        reach = max(0.12 * math.sqrt(float((depth > 0).sum())), 6.0)
        known = (depth > -30.0) & (window <= 1.0)
        for k, (far, near) in enumerate(
            (
                ((depth > inner) & (depth < inner + reach), (depth > _BESIDE) & (depth < inner + reach)),
                ((depth < -2.5) & known, (depth < -_BESIDE) & known),
            )
        ):
            share[k] += np.histogram(np.clip(alone[far], 0, 0.9999), BINS, (0.0, 1.0))[0]
            brightness[k] += np.histogram(np.clip(seen[far], 0, 0.9999), BINS, (0.0, 1.0))[0]
            both[k] += np.histogram2d(
                np.clip(window[near], 0, 0.9999), np.clip(seen[near], 0, 0.9999), BINS, ((0, 1), (0, 1))
            )[0]
    return Counts(both, share, brightness, grey / math.sqrt(noise[0] + noise[1] * grey))


def _pointed(
    placed: list[Field],
    fields: list[tuple[Field, Field]],
    outlines: list[NDArray[np.float64]],
    evidence: Evidence,
    odds: list[Field],
    forward: tuple[float, float],
) -> Pieces:
    """Where the pool is pointed, from contours off which nothing is shaved."""
    found = []
    for seen, (window, _), before, prior in zip(placed, fields, outlines, odds, strict=True):
        x, y = middle_of(before)
        contour, area = contour_of(
            liquid_in(evidence.weight_of(window, seen) + prior), 0, (float(x), float(y))
        )
        found.append(contour if area else before)
    size = math.sqrt(float(np.median([abs(cv2.contourArea(c.astype(np.float32))) for c in found])))
    return pointed_of(found, neck_of(size), forward)


def _outlined(
    bright: Field,
    weight: Field,
    alone: Field,
    odds: Field,
    before: NDArray[np.float64],
    evidence: Evidence,
    pointed: Pieces,
    ends: NDArray[np.float64],
    vertices: int,
) -> NDArray[np.float64]:
    """Outline in one picture with what is known so far, `odds` those of each place before it is looked at."""
    neck = neck_of(math.sqrt(float((distances(before, weight.shape) > 0).sum())))
    x, y = middle_of(before)
    contour, _ = contour_of(liquid_in(weight + odds), neck, (float(x), float(y)), pointed)
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
    bright: list[Field],
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
