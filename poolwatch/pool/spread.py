"""Spread and height of the step at the pool's edge, from a sample of the clip."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..model.together import together
from .coarse import Grey
from .curve import normals_curvature, resample
from .foot import foot_spread
from .profiles import profiles, steepest
from .step import StepTop, StepWindow, fit_step

# Vertices that are enough to judge the edge by.
_ENOUGH = 12
# Frames that are enough: for a step that is seen whole, and for a foot, spread over the clip, for what a codec does to
# neighbouring frames is alike.
_FRAMES = 16
_FOOT_FRAMES = 32
# Clipping that reaches no nearer to the edge than this leaves the step to be seen whole, px.
_SEEN_PX = 3.0
# Samples within this distance of the steepest place enter the fit, px.
_AROUND_PX = 8.0


def edge_spread(
    sample: Grey,
    regions: list[tuple[int, NDArray[np.float64], float]],
    clipping: float,
    reach: int,
    known: float | None,
) -> tuple[float, float, float]:
    """Spread and height of the step at the pool's edge, and the share of the edge whose top is clipped.

    Every spread of a ladder is tried on profiles along all sampled outlines. Where enough of the edge is seen whole
    that part decides; of a step whose top is clipped everywhere the foot alone is left (see `poolwatch.pool.foot`).

    Parameters
    ----------
    sample
        Frames, shape (n, h, w).
    regions
        Number of a frame in the sample, the coarse contour in it (m, 2) px, and its area px².
    clipping
        Grey value from which a pixel may be clipped.
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
    answers = together(
        lambda region: _of_region(sample[region[0]], region[1], clipping, reach, spreads), regions[:_FRAMES]
    )
    told = [answer for answer in answers if answer.curve.size]
    share = float(np.median([answer.share for answer in answers])) if answers else 0.0
    if 2 * len(told) < len(answers) and sum(answer.blind for answer in answers) >= _ENOUGH:
        some = np.unique(np.linspace(0, len(regions) - 1, min(len(regions), _FOOT_FRAMES)).astype(np.intp))
        spread, height = foot_spread(sample, [regions[k] for k in some], clipping, known)
        if math.isfinite(spread):
            return spread, height, share
    if not told:
        return float("inf"), 0.0, share
    logs = np.log(spreads)
    at = float(
        np.median([_lowest(logs, np.where(np.isfinite(one.curve), one.curve, np.inf)) for one in told])
    )
    middle = _middle_curve(np.array([one.height for one in told]))
    known_height = np.isfinite(middle)
    if not known_height.any():
        return float("inf"), 0.0, share
    return float(np.exp(at)), float(np.interp(at, logs[known_height], middle[known_height])), share


class _Answer(NamedTuple):
    """What one outline says: share and number of its vertices that are clipped near the edge, and of each spread the
    residual over the least and the height; empty where too little is seen whole."""

    share: float
    blind: int
    curve: NDArray[np.float64] = np.empty(0)
    height: NDArray[np.float64] = np.empty(0)


def _of_region(
    frame: Grey, contour: NDArray[np.float64], clipping: float, reach: int, spreads: NDArray[np.float64]
) -> _Answer:
    """Every spread tried on the profiles along one contour; arguments see `edge_spread`."""
    x, y = resample(contour[:, 0].copy(), contour[:, 1].copy(), 96)
    x, y, nx, ny, _ = normals_curvature(x, y, 2.0)
    wide = reach + 10
    across, seen = profiles(frame, x, y, nx, ny, wide, clipping)
    start, size, _ = steepest(across[10 : 10 + 2 * reach + 1], reach, 1.5)
    profile = across.T.copy()
    clear = np.flatnonzero(size > 0.5 * np.median(size))
    blind = (seen - wide > start - _SEEN_PX)[clear]
    share, blinds = float(blind.mean()), int(blind.sum())
    if (~blind).sum() < _ENOUGH:
        return _Answer(share, blinds)
    clear = clear[~blind]
    errors, tall = _ladder(profile[clear], start[clear], wide, spreads)
    complete = np.isfinite(errors).sum(axis=0) > 0.5 * len(clear)
    if not complete.any():
        return _Answer(share, blinds)
    curve = np.full(len(spreads), np.nan)
    curve[complete] = np.nanmedian(errors[:, complete], axis=0)
    height = [np.median(t[np.isfinite(t)]) if c else np.nan for t, c in zip(tall.T, complete, strict=True)]
    return _Answer(share, blinds, curve / max(np.nanmin(curve), 1e-12), np.array(height))


@njit(cache=True, nogil=True)
def _ladder(
    profile: NDArray[np.float64], start: NDArray[np.float64], reach: int, spreads: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean square residual and height of the step for each profile (a row) and spread; NaN where no fit held."""
    shape = (len(profile), spreads.size)
    errors, tall = np.full(shape, np.nan), np.full(shape, np.nan)
    for j in range(len(profile)):
        # Not constants, for which Numba would compile the function once more.
        free, whole = reach > 0, StepTop(int(reach < 0), 0.0, 0.0)
        for k in range(spreads.size):
            window = StepWindow(float(start[j]), reach, _AROUND_PX, spreads[k])
            fit = fit_step(profile[j], window, whole, (0.0, 0.0), free)
            if fit.held:
                errors[j, k], tall[j, k] = fit.square, fit.height
    return errors, tall


def _middle_curve(curves: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median over the rows; infinite where more than half of them have no value."""
    held = np.isfinite(curves).mean(axis=0) >= 0.5
    out = np.full(curves.shape[1], np.inf)
    out[held] = np.nanmedian(curves[:, held], axis=0)
    return out


def _lowest(at: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    """Where a curve is lowest: a parabola through three points."""
    k = int(np.argmin(values))
    first, last = max(k - 1, 0), min(k + 1, len(at) - 1)
    x, y = at[first : last + 1], values[first : last + 1]
    if len(x) < 3 or not np.isfinite(y).all():
        return float(at[k])
    bend, slope, _ = np.polyfit(x - at[k], y, 2)
    return (
        float(at[k] + np.clip(-slope / (2 * bend), x[0] - at[k], x[-1] - at[k])) if bend > 0 else float(at[k])
    )
