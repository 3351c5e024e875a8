"""What a sparse sample of a clip tells about its pool, before every frame is measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError
from ..model.together import together
from .coarse import Grey, bright_statistics, largest_region, sixteen, smoothed, touches
from .keyhole import Keyhole, learn_keyhole
from .matching import step_half
from .settings import PoolSettings
from .spread import edge_spread

_QUANTILE = 0.5
# Sides from which a pixel has neighbours either way, px.
_LEAST_PX = 3
# Noise of surroundings that show none, grey values: about that of rounding.
NO_NOISE = 0.3
# Share of the pool's area that is its brightest.
_TOP = 0.01
# Correlation of a place with time from which it runs one way.
_ONE_WAY = 0.95
# What is brighter than this share of full scale may be clipped.
_CLIPPING = 0.99
# Levels above that of the glow at which the liquid's outline is looked for, and its share of what glows at least.
_BEAD_LEVELS, _POOL_OF_GLOW = 16, 0.12
# Steepness of that outline over the usual one of all that glows: at most 0.3 in pools cut by the border, which are
# hotter farther in; 0.6 and more with beads at 0.6 of the liquid's brightness.
_STEEP = 0.4
_FRACTIONS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.88)


@dataclass(frozen=True)
class PoolLook:
    """What the first look learned of the pool; all that a frame needs to be measured alone.

    Attributes
    ----------
    background
        Grey value of the surroundings.
    low
        Grey value above which a pixel counts as glowing at the clip's usual gain.
    reference
        Median grey value of the glowing pixels at the clip's usual gain.
    top
        Usual grey value that a hundredth of the pool's area exceeds.
    fraction
        Level of the coarse outline between `background` and the frame's own reference.
    noise
        Standard deviation of the surroundings' noise, grey values.
    area_px, size_px
        Median area of the coarse region, and its square root.
    x, y
        Median place of the pool, px.
    moves
        Whether the pool's place wanders by more than a quarter of its size, or runs as far one way: standing camera.
    neck
        Width of the widest neck by which something may hang on the pool without belonging to it, px.
    reach
        How far from the coarse outline the edge is looked for, px.
    sigma
        Spread of the pool's edge, px.
    step
        Median height of the step at the edge, grey values.
    clipped
        Usual share of glowing pixels at full scale.
    edge_clipped
        Share of the edge at which the top of the step is clipped, so that its spread is seen through its foot alone.
    box
        Rows and columns (r0, r1, c0, c1) that hold the pool in every sampled frame, with a margin.
    keyhole
        The keyhole region.
    full_scale
        Grey value of brightness 1.
    """

    background: float
    low: float
    reference: float
    top: float
    fraction: float
    noise: float
    area_px: float
    size_px: float
    x: float
    y: float
    moves: bool
    neck: int
    reach: int
    sigma: float
    step: float
    clipped: float
    edge_clipped: float
    box: tuple[int, int, int, int]
    keyhole: Keyhole
    full_scale: float


def learn_pool(
    sample: Grey, full_scale: float, *, forward: tuple[float, float], settings: PoolSettings
) -> PoolLook:
    """Learn what a clip's pool looks like from frames spread over it.

    Parameters
    ----------
    sample
        Grey values at native depth, shape (n, h, w).
    full_scale
        Grey value of brightness 1.
    forward
        Unit vector along travel in the image (x right, y down).
    settings
        What the user fixed.

    Raises
    ------
    ValueError
        The sample has not the shape (n, h, w).
    MeasurementError
        No region with a clear edge stands out in any sampled frame, or the frames are too small to hold one.
    """
    _check_shape(sample, settings)
    sample = sixteen(sample)
    background, noise = _background(sample)
    found, low = _frames_with_pool(sample, background, noise, full_scale, settings)
    statistics = [bright_statistics(sample[i], full_scale, low, _QUANTILE, 2) for i in found]
    reference = float(np.median([s[1] for s in statistics]))
    clipped = float(np.median([s[2] / max(s[0], 1) for s in statistics]))
    fraction = settings.level_fraction or _steepest_fraction(
        [sample[i] for i in found[:24]], [s[1] for s in statistics[:24]], background
    )
    levels = [background + fraction * (s[1] - background) for s in statistics]
    regions = _regions(sample, found, levels, settings)
    area = float(np.median([a for _, _, a in regions]))
    size = math.sqrt(area)
    top = float(np.median(together(lambda i: top_of(sample[i], full_scale, low, area), found)))
    places = np.array([c.mean(axis=0) for _, c, _ in regions])
    x, y = np.median(places, axis=0)
    moves = _wanders(places, size)
    reach = math.ceil(settings.search_px) if settings.search_px else max(4, math.ceil(0.04 * size))
    sigma, step, hidden = edge_spread(sample, regions, _CLIPPING * full_scale, reach, settings.edge_sigma_px)
    if step < settings.smallest_step * full_scale or sigma > 0.16 * size:
        raise MeasurementError(
            f"no pool found: the brightest region has no clear edge (step {step / full_scale:.3f} of full scale, "
            f"spread {sigma:.1f} px over a region of {size:.0f} px). Check focus, exposure and that the beam is on"
        )
    mean, inside = _mean_picture(sample, regions, (float(x), float(y)))
    keyhole = learn_keyhole(mean, inside, full_scale, forward=forward, radius_px=settings.keyhole_radius_px)
    return PoolLook(
        background=background,
        low=low,
        reference=reference,
        top=top,
        fraction=float(fraction),
        noise=noise,
        area_px=area,
        size_px=size,
        x=float(x),
        y=float(y),
        moves=moves,
        neck=max(round(0.15 * size), 4),
        reach=reach,
        sigma=sigma,
        step=step,
        clipped=clipped,
        edge_clipped=hidden,
        box=_box(sample.shape[1:], [c for _, c, _ in regions], size, sigma),
        keyhole=keyhole,
        full_scale=float(full_scale),
    )


def _check_shape(sample: Grey, settings: PoolSettings) -> None:
    if sample.ndim != 3:
        raise ValueError(f"the sample must have shape (n, h, w), got {sample.shape}")
    height, width = sample.shape[1:]
    if min(height, width) < _LEAST_PX or height * width <= settings.smallest_area_px:
        raise MeasurementError(
            f"no pool found: frames of {width} x {height} px are too small to hold one of "
            f"{settings.smallest_area_px:.0f} px² and its surroundings; check how the recording is read"
        )


def _frames_with_pool(
    sample: Grey, background: float, noise: float, full_scale: float, settings: PoolSettings
) -> tuple[list[int], float]:
    """Frames in which a region of usual area glows, and the median level between surroundings and pool in them."""
    candidates = together(lambda frame: _glowing(frame, background, noise, full_scale, settings), sample)
    glowing = {i: candidate for i, candidate in enumerate(candidates) if candidate is not None}
    if not glowing:
        raise MeasurementError(
            "no pool found: nothing brighter than its surroundings by "
            f"{settings.smallest_step:.0%} of full scale covers {settings.smallest_area_px:.0f} px² in any sampled "
            "frame. Check that the beam is on, or lower smallest_step or smallest_area_px in the settings"
        )
    usual = _usual(np.array([area for _, area in glowing.values()]))
    found = [i for i, keep in zip(glowing, usual, strict=True) if keep]
    return found, float(np.median([glowing[i][0] for i in found]))


def _regions(
    sample: Grey, found: list[int], levels: list[float], settings: PoolSettings
) -> list[tuple[int, NDArray[np.float64], float]]:
    """Frame, contour (m, 2) and area of the bright region above its level, where it is large enough."""
    regions = [(i, *largest_region(sample[i], level, 0)) for i, level in zip(found, levels, strict=True)]
    large = [region for region in regions if region[-1] >= settings.smallest_area_px]
    if not large:
        raise MeasurementError(
            "no pool found: the bright region is smaller than "
            f"{settings.smallest_area_px:.0f} px²; record at a larger scale or lower smallest_area_px"
        )
    return large


def top_of(frame: Grey, full_scale: float, low: float, area_px: float) -> float:
    """Grey value that a hundredth of a pool's area exceeds among the pixels above `low`."""
    count, _, _ = bright_statistics(frame, full_scale, low, _QUANTILE, 1)
    if count <= _TOP * area_px:
        return low
    return float(bright_statistics(frame, full_scale, low, 1.0 - _TOP * area_px / count, 1)[1])


def _background(sample: Grey) -> tuple[float, float]:
    """Grey value of the surroundings and the standard deviation of their noise."""
    levels = [float(np.percentile(frame[::4, ::4], 25)) for frame in sample]
    level = float(np.median(levels))
    pairs = []
    for frame in sample[:: max(len(sample) // 12, 1)]:
        dark = frame[::2, :-1:2].astype(np.float64)
        beside = frame[::2, 1::2].astype(np.float64)[:, : dark.shape[1]]
        dark = dark[:, : beside.shape[1]]
        quiet = (dark + beside) / 2 <= np.median(dark)
        pairs.append(1.4826 * np.median(np.abs((dark - beside)[quiet])) / math.sqrt(2))
    return level, max(float(np.median(pairs)), NO_NOISE)


def _glowing(
    frame: Grey, background: float, noise: float, full_scale: float, settings: PoolSettings
) -> tuple[float, float] | None:
    """Level between surroundings and pool in one frame (Otsu 1979) and the area above it; None if no pool."""
    smooth = smoothed(frame)
    top = float(np.percentile(smooth, 100 * (1 - settings.smallest_area_px / smooth.size)))
    span = top - background
    if span < max(settings.smallest_step * full_scale, 6 * noise):
        return None
    coarse = np.clip((smooth.astype(np.float32) - background) * (255.0 / span), 0, 255).astype(np.uint8)
    threshold, _ = cv2.threshold(coarse, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    level = background + max(float(threshold), 25.0) * span / 255.0
    contour, area = largest_region(frame, level, 0)
    if area < settings.smallest_area_px:
        return None
    if touches(contour, *frame.shape):
        level, area = _without_bead(frame, smooth, level, top, contour) or (level, area)
    return (level, area) if area <= 0.8 * smooth.size else None


def _without_bead(
    frame: Grey, smooth: Grey, level: float, top: float, glow: NDArray[np.float64]
) -> tuple[float, float] | None:
    """Level between a bead that stays hot to the border and the brighter liquid, and the area above it; None: no such.

    The liquid's outline is steep all the way round, and closes inside the picture.
    """
    gradient = _gradient(smooth)
    area = largest_region(frame, level, 0)[1]
    best, found = _STEEP * _steepness(gradient, glow, 50), None
    for step in range(1, _BEAD_LEVELS):
        higher = level + step * (top - level) / _BEAD_LEVELS
        contour, smaller = largest_region(frame, higher, 0)
        # What is smaller than this is no pool, but its keyhole.
        if smaller < _POOL_OF_GLOW * area:
            break
        steepness = _steepness(gradient, contour)
        if steepness > best and not touches(contour, *frame.shape):
            best, found = steepness, (higher, smaller)
    return found


def _gradient(smooth: Grey) -> NDArray[np.float32]:
    """Size of the gradient of a smoothed frame, grey values over 8 px."""
    values = smooth.astype(np.float32)
    gx, gy = cv2.Sobel(values, cv2.CV_32F, 1, 0, ksize=3), cv2.Sobel(values, cv2.CV_32F, 0, 1, ksize=3)
    out: NDArray[np.float32] = cv2.GaussianBlur(cv2.magnitude(gx, gy), (0, 0), 1.0)
    return out


def _steepness(gradient: NDArray[np.float32], contour: NDArray[np.float64], share: float = 8) -> float:
    """Gradient that all but the flattest parts of a contour reach, `share` per cent of it."""
    x, y = contour.astype(np.intp).T
    return float(np.percentile(gradient[y, x], share))


def _usual(areas: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Frames whose region is of the clip's usual size: ramps, blown and dark frames do not teach."""
    middle = np.median(areas)
    return np.asarray((areas > 0.6 * middle) & (areas < 1.6 * middle))


def _steepest_fraction(frames: list[Grey], references: list[float], background: float) -> float:
    """Level whose outline runs along steep edges all the way round.

    A hot trail behind the tail fades slowly; an outline that strays along it has a flat stretch, which the
    low percentile of the gradient along the outline sees. An outline that reaches the border has no end: a bead that
    stays hot so far is solid, and the pool ends where the brighter liquid does.
    """

    def scores(frame: Grey, reference: float) -> NDArray[np.float64]:
        score = np.zeros(len(_FRACTIONS))
        gradient = _gradient(smoothed(frame))
        for k, fraction in enumerate(_FRACTIONS):
            contour, area = largest_region(frame, background + fraction * (reference - background), 0)
            if area < 20 or touches(contour, *frame.shape):
                continue
            score[k] = _steepness(gradient, contour) / max(reference - background, 1.0)
        return score

    pairs = list(zip(frames, references, strict=True))
    score = np.sum(together(lambda pair: scores(*pair), pairs), axis=0)
    best = score.max()
    if best <= 0:
        return 0.5
    # Of levels nearly as good, the one nearest the middle: it lies furthest from noise and from texture.
    good = [f for f, s in zip(_FRACTIONS, score, strict=True) if s > 0.85 * best]
    return min(good, key=lambda f: abs(f - 0.5))


def _wanders(places: NDArray[np.float64], size: float) -> bool:
    """Whether places (n, 2) in order of time are those of a pool that crosses the view of a standing camera."""
    if np.median(np.abs(places - np.median(places, axis=0)), axis=0).max() > 0.25 * size:
        return True
    if len(places) < 8:
        return False
    # A short clip holds a short way, but all of it in one direction; a restless pool comes back.
    first, last = np.percentile(places, (10, 90), axis=0)
    axis = int(np.argmax(last - first))
    if (last - first)[axis] < 0.25 * size:
        return False
    steady = np.corrcoef(np.arange(len(places)), places[:, axis])[0, 1]
    return bool(abs(steady) > _ONE_WAY)


def _box(
    shape: tuple[int, ...], contours: list[NDArray[np.float64]], size: float, sigma: float
) -> tuple[int, int, int, int]:
    """Rows and columns that hold the contours, with room for them to move and for the fit of the edge."""
    margin = max(12.0, 0.35 * size, step_half(sigma) + 8.0)
    points = np.concatenate(contours)
    c0, r0 = np.floor(points.min(axis=0) - margin).astype(int)
    c1, r1 = np.ceil(points.max(axis=0) + margin).astype(int) + 1
    return max(int(r0), 0), min(int(r1), shape[0]), max(int(c0), 0), min(int(c1), shape[1])


def _mean_picture(
    sample: Grey, regions: list[tuple[int, NDArray[np.float64], float]], place: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Mean of the sampled frames with the pool moved to its reference place, and the pixels mostly inside it."""
    h, w = sample.shape[1:]
    total = np.zeros((h, w))
    hits = np.zeros((h, w))
    for i, contour, _ in regions:
        centre = contour.mean(axis=0)
        filled = np.zeros((h, w), dtype=np.uint8)
        cv2.fillPoly(filled, [contour.astype(np.int32)], 1)
        if np.hypot(*(centre - place)) <= 8:
            total += sample[i]
            hits += filled
            continue
        shift = np.round(np.asarray(place) - centre)
        move = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], dtype=np.float64)
        total += cv2.warpAffine(sample[i].astype(np.float32), move, (w, h), flags=cv2.INTER_NEAREST)
        hits += cv2.warpAffine(filled, move, (w, h), flags=cv2.INTER_NEAREST)
    return total / len(regions), np.asarray(hits > 0.5 * len(regions))
