"""Spread of a step whose top is clipped, from its foot alone."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .step import _DENSITY, _LIMIT, _PER_UNIT, _TAIL

# Places tried to either side of where the clipping starts, px or spreads, and their distance.
_REACH = 3.0
_PLACES = 60
# Profiles that are enough.
_MOST = 600
# Spread of an edge in a picture in focus, px, and how far it varies (logarithm): pixel and lens are commonly matched
# (common practice, no source).
_COMMON = 1.05
_COMMON_U = 0.3
# Heights of the step tried, over what is seen of it; how high it is commonly expected, and how far that varies
# (logarithm).
_TALL = np.geomspace(1.0, 12.0, 26)
_USUAL = 1.7
_USUAL_U = 0.7
# Profiles that count as independent: what else lies about the pool (halo, slopes) is common to all.
_INDEPENDENT = 100.0


@njit(cache=True, nogil=True)
def _misfits(
    profile: NDArray[np.float64],
    seen: NDArray[np.int64],
    reach: int,
    half: float,
    spreads: NDArray[np.float64],
    tall: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Least sum of squares of what is not clipped over the places tried, for each profile, spread and height.

    With spread, place and height given, level and slope outside are linear: what of profile and step is at right
    angles to both gives the sum of squares for every height.
    """
    for j in range(seen.size):
        first = seen[j]
        last = min(first + int(half), 2 * reach)
        start = float(first - reach)
        for q in range(spreads.size):
            sigma = spreads[q]
            move = 2.0 * _REACH * max(sigma, 1.0) / _PLACES
            for place in range(_PLACES + 1):
                s0 = start + (place - _PLACES // 2) * move
                n = su = suu = sc = suc = scc = sy = suy = scy = syy = 0.0
                for k in range(first, last + 1):
                    s = k - reach - s0
                    t = (min(max(s / sigma, -_LIMIT), _LIMIT) + _LIMIT) * _PER_UNIT
                    i = int(t)
                    t -= i
                    c = _TAIL[i] + t * (_TAIL[i + 1] - _TAIL[i])
                    d = _DENSITY[i] + t * (_DENSITY[i + 1] - _DENSITY[i])
                    u = s - (s * c - sigma * d)
                    y = profile[j, k]
                    n += 1.0
                    su, suu, sc, suc, scc = su + u, suu + u * u, sc + c, suc + u * c, scc + c * c
                    sy, suy, scy, syy = sy + y, suy + u * y, scy + c * y, syy + y * y
                det = n * suu - su * su
                if det <= 1e-9 * n * suu:
                    continue
                # Parts of y and c along level and slope taken off.
                c0, c1 = (suu * sc - su * suc) / det, (n * suc - su * sc) / det
                yy = syy - (suu * sy - su * suy) / det * sy - (n * suy - su * sy) / det * suy
                yc = scy - c0 * sy - c1 * suy
                cc = scc - c0 * sc - c1 * suc
                for m in range(tall.size):
                    h = tall[m] * out[j, 0, 0]
                    sse = yy - 2.0 * h * yc + h * h * cc
                    if place == 0 or sse < out[j, q + 1, m]:
                        out[j, q + 1, m] = sse


def foot_spread(
    profile: NDArray[np.float64],
    seen: NDArray[np.int64],
    reach: int,
    half: float,
    clipping: float,
    spreads: NDArray[np.float64],
) -> tuple[float, float]:
    """Spread (px) and height (grey values) of a step that is clipped all along an edge; infinite and 0 if it has none.

    Parameters
    ----------
    profile
        Grey values at offsets -reach … reach across the edge, one row a place, shape (n, 2 reach + 1).
    seen
        Index of the first sample of each row from which outwards nothing is clipped.
    reach
        Offset of the last sample, px.
    half
        Samples as far as this outwards of the clipping enter, px.
    clipping
        Grey value from which a pixel may be clipped.
    spreads
        Spreads to choose from, px, rising evenly in their logarithm; one alone is taken as it is.

    Notes
    -----
    The foot of a wide low step is nearly that of a narrow high one. One profile cannot tell them apart, many can: the
    spread is the same in all, and so is about how many times as high the step is as what is seen of it.
    """
    some = np.unique(np.linspace(0, len(seen) - 1, min(len(seen), _MOST)).astype(np.intp))
    visible = clipping - profile[some].min(axis=1)
    table = np.full((len(some), len(spreads) + 1, len(_TALL)), np.inf)
    table[:, 0, 0] = visible
    _misfits(np.ascontiguousarray(profile[some]), seen[some], reach, half, spreads, _TALL, table)
    misfit = table[:, 1:]
    calm = misfit.min(axis=(1, 2))
    fits = np.isfinite(misfit).all(axis=(1, 2)) & (visible > 0)
    if fits.sum() < 0.3 * len(some):
        return float("inf"), 0.0
    # The worst tenth hold particles and glare.
    kept = fits & (calm <= np.quantile(calm[fits], 0.9))
    total = misfit[kept].mean(axis=0)
    # Samples less four unknowns: what noise leaves.
    freedom = max(half + 1.0 - 4.0, 1.0)
    logs, heights = np.log(spreads), np.log(_TALL)
    usual = ((heights - math.log(_USUAL)) / _USUAL_U) ** 2
    if len(spreads) > 1:
        usual = usual + ((logs[:, None] - math.log(_COMMON)) / _COMMON_U) ** 2
    score = freedom * total / max(float(total.min()), 1e-12) + usual / min(_INDEPENDENT, float(kept.sum()))
    at, tall = _lowest(score, logs, heights)
    return math.exp(at), math.exp(tall) * float(np.median(visible[kept]))


def _lowest(
    score: NDArray[np.float64], logs: NDArray[np.float64], heights: NDArray[np.float64]
) -> tuple[float, float]:
    """Where a table is lowest, between its places by a parabola each way."""
    row, column = np.unravel_index(int(np.argmin(score)), score.shape)
    return _between(score.min(axis=1), logs, int(row)), _between(score[row], heights, int(column))


def _between(values: NDArray[np.float64], at: NDArray[np.float64], k: int) -> float:
    if len(values) < 3:
        return float(at[k])
    k = int(np.clip(k, 1, len(values) - 2))
    left, middle, right = values[k - 1 : k + 2]
    bend = left - 2 * middle + right
    shift = float(np.clip(0.5 * (left - right) / bend, -1.0, 1.0)) if bend > 0 else 0.0
    return float(at[k] + shift * (at[1] - at[0]))
