"""Spread and height of the step at the pool's edge, from a sample of the clip."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .coarse import Grey
from .curve import normals_curvature, resample
from .edge import profiles, steepest
from .step import fit_step

# Vertices that are enough to judge the edge by.
_ENOUGH = 12
# Clipping that reaches no nearer to the edge than this leaves the step to be seen whole, px.
_SEEN_PX = 3.0
# Spread of an edge in a picture in focus, px, and how far it varies (logarithm): pixel and lens are commonly matched
# (common practice, no source).
_COMMON_SPREAD = 1.05
_COMMON_U = 0.3
# Its weight against the mean square residual relative to the least; a curve's bottom is told from noise up to here.
_COMMON_WEIGHT = 0.1
_BOTTOM = 0.35
# A clipped step is expected half as high again as what is seen of it, to within this many times what is seen.
_UNSEEN_U = 2.0


def edge_spread(
    sample: Grey,
    regions: list[tuple[int, NDArray[np.float64], float]],
    clipping: float,
    noise: float,
    reach: int,
    known: float | None,
) -> tuple[float, float, float]:
    """Spread and height of the step at the pool's edge, and the share of the edge whose top is clipped.

    Every spread of a ladder is tried on profiles along all sampled outlines. Of a step whose top is clipped the foot
    alone is left, which a wide low step fits nearly as well as a narrow high one: where enough of the edge is seen whole
    that part decides, and elsewhere spreads that fit equally well are told apart by what lenses and pixels commonly give.

    Parameters
    ----------
    sample
        Frames, shape (n, h, w).
    regions
        Number of a frame in the sample, the coarse contour in it (m, 2) px, and its area px².
    clipping
        Grey value from which a pixel may be clipped.
    noise
        Standard deviation of the noise, grey values.
    reach
        How far from the contour the edge is looked for, px.
    known
        The spread where it is known, px; only the height is then found.

    Returns
    -------
    tuple
        Spread (px), height (grey values), share; infinite and 0 where there is no step.
    """
    spreads = np.array([known]) if known else np.geomspace(0.5, max(6.0, 0.5 * reach), 24)
    curves = []
    heights = []
    hidden = []
    for i, contour, _ in regions:
        x, y = resample(contour[:, 0].copy(), contour[:, 1].copy(), 96)
        x, y, nx, ny, _ = normals_curvature(x, y, 2.0)
        wide = reach + 10
        profile, seen, _ = profiles(sample[i], x, y, nx, ny, wide, clipping)
        start, size, _ = steepest(profile[:, 10 : 10 + 2 * reach + 1], reach, 1.5)
        clear = np.flatnonzero(size > 0.5 * np.median(size))
        blind = seen - wide > start - _SEEN_PX
        hidden.append(blind[clear].mean())
        if (~blind[clear]).sum() >= _ENOUGH:
            clear = clear[~blind[clear]]
        errors = np.full((len(clear), len(spreads)), np.nan)
        tall = np.full((len(clear), len(spreads)), np.nan)
        for row, j in enumerate(clear):
            visible = clipping - float(profile[j].min())
            trust = (noise / (_UNSEEN_U * visible)) ** 2
            first = int(seen[j]) if blind[j] else 0
            for k, spread in enumerate(spreads):
                _, h, mse, ok, _, _ = fit_step(
                    profile[j],
                    float(start[j]),
                    wide,
                    spread,
                    8.0,
                    first,
                    1.5 * visible,
                    trust,
                    0.0,
                    0.0,
                    True,
                )
                if ok:
                    errors[row, k] = mse
                    tall[row, k] = h
        complete = np.isfinite(errors).sum(axis=0) > 0.5 * len(clear)
        if complete.any():
            curve = np.full(len(spreads), np.nan)
            curve[complete] = np.nanmedian(errors[:, complete], axis=0)
            curves.append(curve / max(np.nanmin(curve), 1e-12))
            heights.append(
                np.array(
                    [
                        np.median(t[np.isfinite(t)]) if c else np.nan
                        for t, c in zip(tall.T, complete, strict=True)
                    ]
                )
            )
    if not curves:
        return float("inf"), 0.0, 0.0
    share = float(np.median(hidden))
    logs = np.log(spreads)
    if share > 0.5:
        total = _middle_curve(np.array(curves))
        at = _lowest(
            logs, total + _COMMON_WEIGHT * ((logs - math.log(_COMMON_SPREAD)) / _COMMON_U) ** 2, _BOTTOM
        )
    else:
        at = float(np.median([_lowest(logs, np.where(np.isfinite(c), c, np.inf), 0.0) for c in curves]))
    height = _middle_curve(np.array(heights))
    known_height = np.isfinite(height)
    if not known_height.any():
        return float("inf"), 0.0, share
    return float(np.exp(at)), float(np.interp(at, logs[known_height], height[known_height])), share


def _middle_curve(curves: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median over the rows; infinite where more than half of them have no value."""
    held = np.isfinite(curves).mean(axis=0) >= 0.5
    out = np.full(curves.shape[1], np.inf)
    out[held] = np.nanmedian(curves[:, held], axis=0)
    return out


def _lowest(at: NDArray[np.float64], values: NDArray[np.float64], depth: float) -> float:
    """Where a curve with noise on it is lowest: a parabola over its bottom, at least three points of it."""
    k = int(np.argmin(values))
    bottom = np.flatnonzero(values < values[k] + depth)
    bottom = bottom if len(bottom) else np.array([k])
    first, last = min(bottom[0], max(k - 1, 0)), max(bottom[-1], min(k + 1, len(at) - 1))
    x, y = at[first : last + 1], values[first : last + 1]
    if len(x) < 3 or not np.isfinite(y).all():
        return float(at[k])
    bend, slope, _ = np.polyfit(x - at[k], y, 2)
    return (
        float(at[k] + np.clip(-slope / (2 * bend), x[0] - at[k], x[-1] - at[k])) if bend > 0 else float(at[k])
    )
