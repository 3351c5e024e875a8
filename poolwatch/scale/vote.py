"""Candidates for the speed of the metal: whole-picture cross-correlations that agree from lag to lag."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

# Pairs of frames averaged for each correlation.
_PAIRS = 24
# A correlation peak below this many scatters of its surface may be chance.
_LEAST_PEAK = 6.0


def vote(
    pictures: NDArray[np.float32], solid: NDArray[np.bool_] | None, least_travel_px: float
) -> list[tuple[float, float]]:
    """Speeds (dx, dy) px a frame on which the correlations of all lags agree, as taken and less the mean picture.

    Parameters
    ----------
    pictures
        From `texture.textures`, shape (n, h, w).
    solid
        Shape (h, w), True where solid metal may be; None for everywhere.
    least_travel_px
        Speeds that make less than this over all frames are left out, px.
    """
    from scipy.fft import irfft2, rfft2

    n, height, width = pictures.shape
    window = np.sqrt(np.outer(np.hanning(height + 2)[1:-1], np.hanning(width + 2)[1:-1])).astype(np.float32)
    if solid is not None:
        window = window * solid
    lags = [1 << k for k in range(n.bit_length()) if 1 << k <= max(1, n // 2)]
    mean = rfft2(pictures.mean(axis=0) * window)
    votes: list[tuple[float, float]] = []
    for still in (0.0, mean):
        surfaces = {}
        for lag in lags:
            cross = np.zeros_like(mean)
            for first in np.unique(np.linspace(0, n - 1 - lag, _PAIRS).astype(int)):
                a, b = rfft2(pictures[first] * window) - still, rfft2(pictures[first + lag] * window) - still
                cross += np.conj(a) * b
            surface = np.asarray(irfft2(cross, s=(height, width)), dtype=np.float64)
            scatter = 1.4826 * float(np.median(np.abs(surface - np.median(surface))))
            surfaces[lag] = surface / (scatter or 1.0)
        best, best_score = None, 0.0
        for lag, surface in surfaces.items():
            for dx, dy in _peaks(surface, count=3):
                if _read(surface, dx, dy) < _LEAST_PEAK:
                    continue
                vx, vy = dx / lag, dy / lag
                score = sum(_read(other, vx * k, vy * k) for k, other in surfaces.items())
                if score > best_score and math.hypot(vx, vy) * n >= least_travel_px:
                    best, best_score = (vx, vy), score
        # Both usually say the same, to within what the next step straightens out.
        if best is not None and not any(
            math.dist(best, other) < 0.05 * math.hypot(*other) for other in votes
        ):
            votes.append(best)
    return votes


def _peaks(surface: NDArray[np.float64], count: int) -> list[tuple[float, float]]:
    """Highest places (dx, dy) of a wrapped correlation surface, to a part of a pixel."""
    height, width = surface.shape
    left = surface.copy()
    found = []
    for _ in range(count):
        y, x = divmod(int(np.argmax(left)), width)
        at = surface[y, x]
        dx = _top(surface[y, x - 1], at, surface[y, (x + 1) % width])
        dy = _top(surface[y - 1, x], at, surface[(y + 1) % height, x])
        found.append((_wrap(x, width) + dx, _wrap(y, height) + dy))
        rows, columns = np.arange(y - 4, y + 5) % height, np.arange(x - 4, x + 5) % width
        left[np.ix_(rows, columns)] = -np.inf
    return found


def _top(before: float, at: float, after: float) -> float:
    """Where the parabola through three neighbours has its top, from the middle one."""
    bend = before - 2 * at + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0


def _read(surface: NDArray[np.float64], dx: float, dy: float) -> float:
    """Highest value within 1 px of a shift; 0 where the shift is beyond the view."""
    height, width = surface.shape
    if abs(dx) > width / 2 - 2 or abs(dy) > height / 2 - 2:
        return 0.0
    rows = (round(dy) + np.arange(-1, 2)) % height
    columns = (round(dx) + np.arange(-1, 2)) % width
    return float(surface[np.ix_(rows, columns)].max())


def _wrap(i: int, n: int) -> int:
    return i - n if i > n // 2 else i
