"""Noise of registered differences, and soft light over the metal, from short runs of frames."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from .comparing import WINDOW
from .evidence import SOFT
from .metal import Box, Field, Grey, register, shifted
from .motion import noise_of
from .region import box_around, margin_of

# Side of the tiles in which soft light is looked for, px.
_TILE = 8
# Metal is compared where it has moved so far, px: a codec's blocks stay in place, and so does what they make of it.
_FAR_PX = 2.0
# Unexplained share of surroundings that noise alone leaves: mean of z² / (z² + SOFT) of a Gaussian.
_LEFT = 0.086
# Noise is raised where that share is larger; up to this factor it is the liquid in the picture that makes it so.
_RAISED = 2.0
# How far metal is moved away from where it lies to see what wrong motion explains, px.
_ASIDE_PX = 4.0
# Window number, coarse contour, unexplained shares of surroundings and of pixels.
Region = tuple[int, NDArray[np.float64], NDArray[np.float32], NDArray[np.float32]]


def _pairs(
    windows: Grey,
    metal: tuple[float, float],
    solid: NDArray[np.uint8],
    half: int,
    aside: tuple[float, float] = (0.0, 0.0),
    slower: tuple[float, float] = (0.0, 0.0),
) -> Iterator[tuple[Field, Field]]:
    """Grey values of a frame, and their differences to a registered frame on either side.

    That is read `aside` of where it was registered, px, and as if metal were so much `slower`, px per frame.
    """
    h, w = windows.shape[2:]
    box = (0, h, 0, w)
    start = 2.0 * float(np.median([noise_of(run[half]) for run in windows])) ** 2
    lag = min(max(math.ceil(_FAR_PX / max(math.hypot(*metal), 1e-6)), 1), half)
    (vx, vy), (aside_x, aside_y), (slower_x, slower_y) = metal, aside, slower
    for run in windows[:12]:
        for k in (-lag, min(2 * lag, half)):
            found = register(run[half], run[half + k], box, solid, (k * vx, k * vy), (start, 0.0), 3)
            x, y = found.dx + aside_x - k * slower_x, found.dy + aside_y - k * slower_y
            read, (a, b, c, d) = shifted(run[half + k], box, x, y)
            here = run[half][a:b, c:d].astype(np.float32)
            yield here, here - np.float32(found.gain) * read[a:b, c:d]


def noise_of_pairs(
    windows: Grey, metal: tuple[float, float], solid: NDArray[np.uint8], half: int
) -> tuple[float, float]:
    """Variance of the difference of two registered frames against brightness: a + b I.

    From medians in bins of brightness; raised where a codec with loss leaves large differences in some places and none
    in others, until no more of metal is left unexplained than noise of that variance leaves.
    """
    pairs = list(_pairs(windows, metal, solid, half))
    floor, slope = _by_brightness(pairs)
    raised = _raised(pairs, floor, slope)
    return raised * floor, raised * slope


def _by_brightness(pairs: list[tuple[Field, Field]]) -> tuple[float, float]:
    level = np.concatenate([here[::2, ::2].ravel() for here, _ in pairs]).astype(np.float64)
    value = np.concatenate([apart[::2, ::2].ravel() for _, apart in pairs]).astype(np.float64) ** 2
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


def _raised(pairs: list[tuple[Field, Field]], floor: float, slope: float) -> float:
    """Factor of the variance at which the median of the unexplained shares of surroundings is that of plain noise."""
    squares = [apart**2 / (floor + slope * np.maximum(here, 0.0)) for here, apart in pairs]
    low, high = 0.0, math.log(1e4)
    for _ in range(12):
        middle = 0.5 * (low + high)
        soft = np.float32(SOFT * math.exp(middle))
        left = [cv2.blur(e / (e + soft), (WINDOW, WINDOW))[::3, ::3].ravel() for e in squares]
        if float(np.median(np.concatenate(left))) > _LEFT:
            low = middle
        else:
            high = middle
    raised = math.exp(0.5 * (low + high))
    return raised if raised > _RAISED else 1.0


def explained_by(windows: Grey, metal: tuple[float, float], solid: NDArray[np.uint8], half: int) -> float:
    """Share of the picture's texture, 0 … 1, that a motion explains better than motion beside it.

    Marks along one direction look alike when moved that way, so the worst of the motions beside it counts.
    """
    beside = max(
        _left(_pairs(windows, metal, solid, half, aside)) for aside in ((_ASIDE_PX, 0.0), (0.0, _ASIDE_PX))
    )
    return max(1.0 - _left(_pairs(windows, metal, solid, half)) / max(beside, 1e-6), 0.0)


def rest_against(windows: Grey, metal: tuple[float, float], solid: NDArray[np.uint8], half: int) -> float:
    """What metal at rest leaves unexplained over what its motion leaves; about 1 where neither is real."""
    at_rest = _left(_pairs(windows, metal, solid, half, slower=metal))
    return at_rest / max(_left(_pairs(windows, metal, solid, half)), 1e-6)


def _left(pairs: Iterable[tuple[Field, Field]]) -> float:
    """Usual mean square of what is left in a place's surroundings."""
    maps = [cv2.blur(d * d, (WINDOW, WINDOW))[::3, ::3] for _, d in pairs]
    return float(np.median(np.concatenate([m.ravel() for m in maps])))


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
    floor, slope = noise
    variance = floor + slope * level
    vx, vy = metal
    for i, run in enumerate(windows[:12]):
        if around is not None and i not in around:
            continue
        first = run[0]
        one = register(run[half], first, box, solid, (-half * vx, -half * vy), noise, 3)
        read, (a, b, c, d) = shifted(first, box, one.dx, one.dy)
        if around is not None:
            a, b, c, d = _common((a, b, c, d), around[i])
            if b - a < _TILE or d - c < _TILE:
                continue
        difference = run[half][a:b, c:d].astype(np.float32) - np.float32(one.gain) * read[a:b, c:d]
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
