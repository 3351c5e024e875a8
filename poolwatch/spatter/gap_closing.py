"""Second stage of linking: gaps closed between pieces of track that one particle left."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .links import scatter_of
from .parameters import Record
from .settings import SpatterSettings
from .structured import twice
from .tracking import SWERVE

# Pieces may be this many times the largest gap of the first stage apart.
_STRETCH = 3
# Price from which no gap is closed.
_DEAR = 16.0
# Sightings at an end of a piece that tell its line, at most.
_TOLD_BY = 6
# Doubt about a velocity that no line sees, px/frame.
_UNSEEN_TURN = 0.05
# Change of brightness over a gap that costs as much as one standard deviation of place, and the most that it costs.
_FADE, _MOST_FADE = 0.7, 9.0

# An end of a piece of track: a straight line through its last (or first) sightings.
END = np.dtype(
    [
        # Frame at the end, place there, px, and velocity, px/frame.
        ("frame", "f8"),
        ("x", "f8"),
        ("y", "f8"),
        ("vx", "f8"),
        ("vy", "f8"),
        # Their variances, the same for x and y.
        ("place_var", "f8"),
        ("velocity_var", "f8"),
        # Mean of log light.
        ("log_light", "f8"),
    ]
)
# A gap that may be closed: the numbers of the piece before and of the piece behind, and the price.
_GAP = np.dtype([("before", "i8"), ("behind", "i8"), ("cost", "f8")])


def close_gaps(
    links: NDArray[np.void],
    track_of: NDArray[np.int32],
    measured: NDArray[np.bool_],
    settings: SpatterSettings,
) -> NDArray[np.int32]:
    """Join an end to a beginning where both lines agree, by the cheapest pairing over the whole clip.

    The cost of a join is the squared distance, in standard deviations, between both lines half-way in the gap,
    and between their velocities; ends that no beginning fits stay ends.

    Parameters
    ----------
    links
        Sightings, dtype `tracking.LINK`.
    track_of
        Track of each, -1: none; left as it is.
    measured
        Which frames could show particles.
    settings
        See `SpatterSettings`.

    Returns
    -------
    NDArray
        Track of each sighting once gaps are closed.
    """
    linked = np.flatnonzero(track_of >= 0)
    if linked.size == 0:
        return track_of
    order = linked[np.argsort(track_of[linked], kind="stable")]
    names, begin = np.unique(track_of[order], return_index=True)
    stop = np.append(begin[1:], len(order))
    head, tail = np.zeros(len(names), dtype=END), np.zeros(len(names), dtype=END)
    _ends(links, order, begin, stop, head, tail)
    wait = _STRETCH * max(settings.max_gap, 1)
    by_start = np.argsort(head["frame"], kind="stable")
    gaps = _candidates(head, tail, by_start, np.cumsum(measured), wait)
    if not len(gaps):
        return track_of
    follows = _pair(len(names), gaps["before"], gaps["behind"], gaps["cost"])
    name = np.arange(len(names))
    for i in by_start:
        if follows[i] >= 0:
            name[follows[i]] = name[i]
    out = track_of.copy()
    out[order] = np.repeat(names[name], stop - begin)
    return out


@njit(cache=True, nogil=True)
def _ends(
    links: NDArray[np.void],
    order: NDArray[np.intp],
    begin: NDArray[np.intp],
    stop: NDArray[np.intp],
    head: NDArray[np.void],
    tail: NDArray[np.void],
) -> None:
    """The first and the last end of each piece, into `head` and `tail` (dtype `END`).

    The sightings of piece i are `links[order[begin[i]:stop[i]]]`.
    """
    for i in range(begin.size):
        after = min(stop[i], begin[i] + _TOLD_BY)
        before = max(begin[i], stop[i] - _TOLD_BY)
        head[i].frame = links[order[begin[i]]].frame
        tail[i].frame = links[order[stop[i] - 1]].frame
        _line(links, order[begin[i] : after], head[i])
        _line(links, order[before : stop[i]], tail[i])


@njit(cache=True, nogil=True)
def _line(links: NDArray[np.void], some: NDArray[np.intp], end: Record) -> None:
    """Straight line by least squares through `some` sightings, at `end.frame`, into the rest of `end`."""
    n = some.size
    t = x = y = light = 0.0
    for j in some:
        t += links[j].frame / n
        x += links[j].x / n
        y += links[j].y / n
        light += links[j].log_light / n
    tt = tx = ty = 0.0
    for j in some:
        dt = links[j].frame - t
        tt += dt * dt
        tx += dt * links[j].x
        ty += dt * links[j].y
    vx, vy = tx / tt, ty / tt
    step = math.hypot(vx, vy)
    variance = 0.0
    for j in some:
        variance += scatter_of(links[j], step) / n
    away = end.frame - t
    end.x, end.y = x + vx * away, y + vy * away
    end.vx, end.vy = vx, vy
    end.place_var, end.velocity_var = variance * (1.0 / n + away * away / tt), variance / tt
    end.log_light = light


@njit(cache=True, nogil=True)
def _gap_cost(tail: Record, head: Record) -> float:
    """Price of closing a gap: both lines half-way in it, both velocities, both brightnesses."""
    gap = head.frame - tail.frame
    half = 0.5 * gap
    dx = (tail.x + half * tail.vx) - (head.x - half * head.vx)
    dy = (tail.y + half * tail.vy) - (head.y - half * head.vy)
    velocity_var = tail.velocity_var + head.velocity_var
    swerve = SWERVE**2 * gap**3 / 3
    place = (dx * dx + dy * dy) / (tail.place_var + head.place_var + half**2 * velocity_var + swerve)
    turn = ((tail.vx - head.vx) ** 2 + (tail.vy - head.vy) ** 2) / (
        velocity_var + SWERVE**2 * gap + _UNSEEN_TURN**2
    )
    fade = ((tail.log_light - head.log_light) / _FADE) ** 2
    return float(place + 0.5 * turn + min(fade, _MOST_FADE))


@njit(cache=True, nogil=True)
def _candidates(
    head: NDArray[np.void],
    tail: NDArray[np.void],
    by_start: NDArray[np.intp],
    clock: NDArray[np.int64],
    wait: int,
) -> NDArray[np.void]:
    """Gaps worth looking at, dtype `_GAP`. `clock` counts the frames that could show particles."""
    out, n = np.empty(64, dtype=_GAP), 0
    begins = np.empty(by_start.size)
    for k in range(begins.size):
        begins[k] = head[by_start[k]].frame
    for i in range(tail.size):
        at = tail[i].frame
        k, beyond = 0, begins.size
        while k < beyond:
            half = (k + beyond) // 2
            if begins[half] <= at:
                k = half + 1
            else:
                beyond = half
        while k < begins.size and clock[int(begins[k])] - clock[int(at)] <= wait:
            j = by_start[k]
            k += 1
            cost = _gap_cost(tail[i], head[j])
            if j == i or cost >= _DEAR:
                continue
            if n == out.size:
                out = twice(out)
            out[n].before, out[n].behind, out[n].cost = i, j, cost
            n += 1
    return out[:n]


def _pair(
    n: int, rows: NDArray[np.intp], cols: NDArray[np.intp], costs: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Cheapest pairing of ends with beginnings, each connected group by itself; -1: stays an end."""
    from scipy.optimize import linear_sum_assignment
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    _, group = connected_components(
        coo_matrix((np.ones(len(rows)), (rows, n + cols)), shape=(2 * n, 2 * n)), directed=False
    )
    follows = np.full(n, -1, dtype=np.intp)
    by_group = np.argsort(group[rows], kind="stable")
    cuts = np.flatnonzero(np.diff(group[rows][by_group])) + 1
    for edges in np.split(by_group, cuts):
        r, ri = np.unique(rows[edges], return_inverse=True)
        c, ci = np.unique(cols[edges], return_inverse=True)
        table = np.full((len(r), len(c) + len(r)), 4 * _DEAR)
        table[:, len(c) :] = _DEAR
        table[ri, ci] = costs[edges]
        chosen, partner = linear_sum_assignment(table)
        for i, j in zip(chosen, partner, strict=True):
            if j < len(c) and table[i, j] < _DEAR:
                follows[r[i]] = c[j]
    return follows
