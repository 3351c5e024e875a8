"""Motion of the metal in short runs of frames, where nobody has said it: by vote of what it explains."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from .metal import Grey, register

# Largest motion looked for between neighbouring frames, px.
_RANGE_PX = 12
# Side of the square over which places are compared, px.
_AROUND = 9


def noise_of(frame: Grey) -> float:
    """Standard deviation of a frame's noise, grey values, from its calmest quarter (Immerkær 1996).

    The filter is blind to planes; texture finer than about 4 px raises the figure, so that of the calm tiles
    counts.
    """
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float32)
    size = np.abs(cv2.filter2D(frame.astype(np.float32), -1, mask)) * (math.sqrt(math.pi / 2) / 6)
    h, w = size.shape
    tiles = cv2.resize(size, (max(w // 16, 1), max(h // 16, 1)), interpolation=cv2.INTER_AREA)
    return max(float(np.percentile(tiles, 25)), 0.3)


def _votes(one: NDArray[np.float32], two: NDArray[np.float32], dx: int, dy: int) -> float:
    """Mean over the picture of how much a whole shift makes the surroundings of a place alike, 0 … 1.

    Each place counts alike, however bright: highlights and the keyhole have no more votes than dull metal.
    """
    h, w = one.shape
    a = one[max(-dy, 0) : h - max(dy, 0), max(-dx, 0) : w - max(dx, 0)]
    b = two[max(dy, 0) : h - max(-dy, 0), max(dx, 0) : w - max(-dx, 0)]
    if min(a.shape) < _AROUND or a.shape != b.shape:
        return 0.0
    apart = cv2.blur((a - b) ** 2, (_AROUND, _AROUND))
    both = cv2.blur(a * a + b * b, (_AROUND, _AROUND))
    return float(np.mean(np.maximum(1.0 - apart / (both + 1e-6), 0.0)))


def _best(
    pairs: list[tuple[NDArray[np.float32], NDArray[np.float32]]],
    around: tuple[int, int],
    radius: int,
) -> tuple[int, int]:
    best, place = -1.0, around
    for dy in range(around[1] - radius, around[1] + radius + 1):
        for dx in range(around[0] - radius, around[0] + radius + 1):
            votes = sum(_votes(a, b, dx, dy) for a, b in pairs)
            # Of equals the one nearest to rest.
            if votes > best + 1e-9 or (votes > best - 1e-9 and math.hypot(dx, dy) < math.hypot(*place)):
                best, place = votes, (dx, dy)
    return place


def _flat(frame: Grey) -> NDArray[np.float32]:
    """Texture alone: lighting and gain taken out."""
    image = frame.astype(np.float32)
    return np.asarray(image - cv2.GaussianBlur(image, (0, 0), 8.0), dtype=np.float32)


def find_motion(windows: Grey) -> tuple[float, float]:
    """Motion of the metal, px per frame, to about a pixel over the length of a run.

    Parameters
    ----------
    windows
        Runs of consecutive frames, shape (m, k, h, w).

    Notes
    -----
    Whole shifts are tried between neighbouring frames, then between frames twice as far apart about twice the
    shift, and so on to the ends of the runs. The shift that explains the largest share of the picture wins: liquid
    fits no shift, and what stands still in a riding camera's picture (the pool's outline, the keyhole) is small.
    """
    some = windows[:: max(len(windows) // 4, 1)][:4]
    length = windows.shape[1] - 1
    place = (0, 0)
    lag = 1
    while True:
        pairs = []
        for run in some:
            gain = float(np.median(run[0])) / max(float(np.median(run[lag])), 1.0)
            pairs.append((_flat(run[0]), _flat(run[lag]) * np.float32(gain)))
        coarse = lag == 1
        if coarse:
            halves = [
                tuple(cv2.resize(p, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for p in pair)
                for pair in pairs
            ]
            rough = _best(halves, (0, 0), _RANGE_PX // 2)
            place = _best(pairs, (2 * rough[0], 2 * rough[1]), 1)
        else:
            place = _best(pairs, place, 2)
        if lag * 2 > length:
            return place[0] / lag, place[1] / lag
        place = (2 * place[0], 2 * place[1])
        lag *= 2


def refine_motion(
    windows: Grey, start: tuple[float, float], solid: NDArray[np.uint8], noise: tuple[float, float], lag: int
) -> tuple[tuple[float, float], tuple[float, float], float]:
    """Motion to a fraction of a pixel by registration, its standard uncertainty, and the share that agrees.

    Parameters
    ----------
    windows
        Runs of consecutive frames, shape (m, k, h, w).
    start
        First guess, px per frame.
    solid
        1 where metal is expected solid, shape (h, w).
    noise
        Variance of the difference of two frames at brightness 0, and its increase per grey value.
    lag
        Frames between the pictures compared.
    """
    h, w = windows.shape[2:]
    x, y = start
    found = []
    for run in windows:
        for first in range(0, len(run) - lag, max(lag // 2, 1)):
            here, there = run[first], run[first + lag]
            one = register(here, there, (0, h, 0, w), solid, (lag * x, lag * y), noise, 3)
            if one.agreement > 0:
                found.append((one.dx / lag, one.dy / lag, one.agreement))
    if not found:
        return start, (math.inf, math.inf), 0.0
    values = np.array(found)
    middle = np.median(values[:, :2], axis=0)
    # Pairs of one run overlap: each run counts once. A hundredth of a pixel over the lag is what interpolation leaves.
    scatter = 1.4826 * np.median(np.abs(values[:, :2] - middle), axis=0) / math.sqrt(len(windows))
    u = np.hypot(scatter, 0.01 / lag)
    vx, vy = map(float, middle)
    u_x, u_y = map(float, u)
    return (vx, vy), (u_x, u_y), float(np.median(values[:, 2]))
