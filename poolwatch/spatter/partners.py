"""Whether a sighting has others in line with it, so that `tracking` might make a track of them.

Bounds on the wide side of what `tracking` asks for: what they let through it may still refuse, but what has no partner
here stays without a track there.
"""

from __future__ import annotations

import math

from numba import njit
from numpy.typing import NDArray

from .beginnings import BEGINNING, START_GATE
from .links import rough_place
from .tracking import GATE

# A point: frame, place, how far from there its fit may put it, variance of its place, diameter, 1 where touching
# another.
FRAME, X, Y, SLACK, VARIANCE, DIAMETER, TOUCHING, POINT = range(8)
# Way of a track from frame to frame over the longest way of its beginning.
_FASTER = 1.2
# Sightings a frame from which everything has partners.
_CROWD = 16


@njit(cache=True, nogil=True)
def _within_reach(s: NDArray, i: int, j: int, max_step: float) -> bool:  # type: ignore[type-arg]
    """Whether a particle may come from point `i` to the later `j`."""
    way = math.hypot(s[j, X] - s[i, X], s[j, Y] - s[i, Y])
    return bool(way <= max_step * (s[j, FRAME] - s[i, FRAME]) + s[i, SLACK] + s[j, SLACK])


@njit(cache=True, nogil=True)
def _variance(s: NDArray, i: int, step: float) -> float:  # type: ignore[type-arg]
    rough = rough_place(s[i, DIAMETER], step)
    return float(s[i, VARIANCE] + rough * rough)


@njit(cache=True, nogil=True)
def _step(s: NDArray, i: int, j: int, max_step: float) -> float:  # type: ignore[type-arg]
    """Longest way a frame from point `i` to the later `j`."""
    way = math.hypot(s[j, X] - s[i, X], s[j, Y] - s[i, Y]) + s[i, SLACK] + s[j, SLACK]
    return float(min(way / (s[j, FRAME] - s[i, FRAME]), max_step))


@njit(cache=True, nogil=True)
def _beginning(s: NDArray, a: int, b: int, c: int, max_step: float) -> bool:  # type: ignore[type-arg]
    """Whether three points, one after the other, may begin a track."""
    before, after = s[b, FRAME] - s[a, FRAME], s[c, FRAME] - s[b, FRAME]
    if before > BEGINNING or after > BEGINNING:
        return False
    r = before / after
    step = _step(s, b, c, max_step)
    x, y = s[b, X] - r * (s[c, X] - s[b, X]), s[b, Y] - r * (s[c, Y] - s[b, Y])
    variance = _variance(s, a, step) + (1 + r) ** 2 * _variance(s, b, step) + r * r * _variance(s, c, step)
    reach = START_GATE * math.sqrt(variance) + s[a, SLACK] + (1 + r) * s[b, SLACK] + r * s[c, SLACK]
    return bool(math.hypot(s[a, X] - x, s[a, Y] - y) <= reach)


@njit(cache=True, nogil=True)
def _awaited(s: NDArray, k: int, j: int, i: int, max_step: float) -> bool:  # type: ignore[type-arg]
    """Whether a track that ends in points `k` and `j` may go on with `i`.

    The doubt about where it is awaited is that of a track just begun: three sightings in a row.
    """
    if not _within_reach(s, k, j, _FASTER * max_step):
        return False
    step = _step(s, k, j, _FASTER * max_step)
    g = (s[i, FRAME] - s[j, FRAME]) / (s[j, FRAME] - s[k, FRAME])
    x, y = s[j, X] + g * (s[j, X] - s[k, X]), s[j, Y] + g * (s[j, Y] - s[k, Y])
    before = 0.5 * (_variance(s, j, step) + _variance(s, k, step))
    variance = _variance(s, i, step) + before * (1.0 / 3.0 + 0.5 * (1 + g) ** 2)
    if s[i, TOUCHING] != 0.0:
        variance += (0.25 * s[i, DIAMETER]) ** 2
    reach = GATE * math.sqrt(variance) + s[i, SLACK] + (1 + g) * s[j, SLACK] + g * s[k, SLACK]
    return bool(math.hypot(s[i, X] - x, s[i, Y] - y) <= reach)


@njit(cache=True, nogil=True)
def _begins(s: NDArray, starts: NDArray, i: int, t: int, max_step: float) -> bool:  # type: ignore[type-arg]
    """Whether point `i` of frame `t` may be one of three that begin a track."""
    last = starts.size - 2
    for ta in range(max(0, t - BEGINNING), t + 1):
        for tb in range(ta + 1, min(last, ta + BEGINNING) + 1):
            for tc in range(tb + 1, min(last, ta + BEGINNING) + 1):
                if t not in (ta, tb, tc):
                    continue
                b0, b1 = (i, i + 1) if tb == t else (starts[tb], starts[tb + 1])
                c0, c1 = (i, i + 1) if tc == t else (starts[tc], starts[tc + 1])
                a0, a1 = (i, i + 1) if ta == t else (starts[ta], starts[ta + 1])
                for b in range(b0, b1):
                    for c in range(c0, c1):
                        if not _within_reach(s, b, c, max_step):
                            continue
                        for a in range(a0, a1):
                            if _beginning(s, a, b, c, max_step):
                                return True
    return False


@njit(cache=True, nogil=True)
def _goes_on(s: NDArray, starts: NDArray, i: int, t: int, max_step: float, wait: int) -> bool:  # type: ignore[type-arg]
    """Whether point `i` of frame `t` may go on with a track, whose last three points are in line as well."""
    for tj in range(max(0, t - wait), t):
        for j in range(starts[tj], starts[tj + 1]):
            if not _within_reach(s, j, i, _FASTER * max_step):
                continue
            for tk in range(max(0, tj - wait), tj):
                for k in range(starts[tk], starts[tk + 1]):
                    if not _awaited(s, k, j, i, max_step):
                        continue
                    for tl in range(max(0, tk - wait), tk):
                        for q in range(starts[tl], starts[tl + 1]):
                            if _awaited(s, q, k, j, max_step):
                                return True
    return False


@njit(cache=True, nogil=True)
def have_partners(
    s: NDArray,  # type: ignore[type-arg]
    starts: NDArray,  # type: ignore[type-arg]
    which: NDArray,  # type: ignore[type-arg]
    times: NDArray,  # type: ignore[type-arg]
    max_step: float,
    max_gap: int,
    out: NDArray,  # type: ignore[type-arg]
) -> None:
    """Fill `out` with whether each of the points `which` might become part of a track.

    Parameters
    ----------
    s
        Points (columns from `FRAME` on), shape (n, `POINT`), in order of frames.
    starts
        Where the points of each frame that could show particles begin, shape (frames + 1,).
    which, times
        Points that are asked about, and the place in `starts` of each.
    max_step, max_gap
        See `SpatterSettings`.
    """
    for q in range(which.size):
        i, t = which[q], times[q]
        first, beyond = max(0, t - BEGINNING), min(starts.size - 1, t + BEGINNING + 1)
        # In a crowd everything has partners.
        crowded = starts[beyond] - starts[first] > _CROWD * (beyond - first)
        out[q] = (
            crowded or _begins(s, starts, i, t, max_step) or _goes_on(s, starts, i, t, max_step, max_gap + 1)
        )
