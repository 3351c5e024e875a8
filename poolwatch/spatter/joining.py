"""Second stage of linking: pieces of track that one particle left are joined."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .settings import SpatterSettings

# Pieces may be this many times the largest gap of the first stage apart.
_STRETCH = 3
_DEAR = 16.0


def join_pieces(
    columns: NDArray[np.float32],
    track_of: NDArray[np.int32],
    measured: NDArray[np.bool_],
    settings: SpatterSettings,
) -> NDArray[np.int32]:
    """Join an end to a beginning where both lines agree, by the cheapest pairing over the whole clip.

    The cost of a join is the squared distance, in standard deviations, between both lines half-way in the gap,
    and between their velocities; ends that no beginning fits stay ends.
    """
    linked = np.flatnonzero(track_of >= 0)
    if linked.size == 0:
        return track_of
    order = linked[np.argsort(track_of[linked], kind="stable")]
    names, begin = np.unique(track_of[order], return_index=True)
    stop = np.append(begin[1:], len(order))
    head, tail = np.zeros((len(names), 8)), np.zeros((len(names), 8))
    _ends(columns, order, begin, stop, head, tail)
    wait = _STRETCH * max(settings.max_gap, 1)
    by_start = np.argsort(head[:, 0], kind="stable")
    rows, cols, costs = _candidates(head, tail, by_start, np.cumsum(measured), wait)
    if not len(rows):
        return track_of
    follows = _pair(len(names), rows, cols, costs)
    name = np.arange(len(names))
    for i in by_start:
        if follows[i] >= 0:
            name[follows[i]] = name[i]
    out = track_of.copy()
    out[order] = np.repeat(names[name], stop - begin)
    return out


@njit(cache=True, nogil=True)
def _ends(
    columns: NDArray,  # type: ignore[type-arg]
    order: NDArray,  # type: ignore[type-arg]
    begin: NDArray,  # type: ignore[type-arg]
    stop: NDArray,  # type: ignore[type-arg]
    head: NDArray,  # type: ignore[type-arg]
    tail: NDArray,  # type: ignore[type-arg]
) -> None:
    """Straight lines through the first and last (up to 6) sightings: time, x, y, vx, vy, variances, light."""
    for i in range(begin.size):
        for end in range(2):
            if end == 0:
                a, b = begin[i], min(stop[i], begin[i] + 6)
            else:
                a, b = max(begin[i], stop[i] - 6), stop[i]
            n = b - a
            t = x = y = light = 0.0
            for j in order[a:b]:
                t += columns[j, 9] / n
                x += columns[j, 0] / n
                y += columns[j, 1] / n
                light += columns[j, 4] / n
            tt = tx = ty = 0.0
            for j in order[a:b]:
                dt = columns[j, 9] - t
                tt += dt * dt
                tx += dt * columns[j, 0]
                ty += dt * columns[j, 1]
            vx, vy = tx / tt, ty / tt
            step = math.hypot(vx, vy)
            variance = 0.0
            for j in order[a:b]:
                variance += (columns[j, 2] + (0.2 + 0.04 * columns[j, 3] + 0.015 * step) ** 2) / n
            at = columns[order[a], 9] if end == 0 else columns[order[b - 1], 9]
            away = at - t
            out = head if end == 0 else tail
            out[i, 0], out[i, 1], out[i, 2] = at, x + vx * away, y + vy * away
            out[i, 3], out[i, 4] = vx, vy
            out[i, 5], out[i, 6] = variance * (1.0 / n + away * away / tt), variance / tt
            out[i, 7] = light


@njit(cache=True, nogil=True)
def _join_cost(tail: NDArray, head: NDArray) -> float:  # type: ignore[type-arg]
    """Price of a join: both lines half-way in the gap, both velocities, both brightnesses."""
    gap = head[0] - tail[0]
    half = 0.5 * gap
    dx = (tail[1] + half * tail[3]) - (head[1] - half * head[3])
    dy = (tail[2] + half * tail[4]) - (head[2] - half * head[4])
    swerve = 0.03**2 * gap**3 / 3
    place = (dx * dx + dy * dy) / (tail[5] + head[5] + half**2 * (tail[6] + head[6]) + swerve)
    turn = ((tail[3] - head[3]) ** 2 + (tail[4] - head[4]) ** 2) / (
        tail[6] + head[6] + 0.03**2 * gap + 0.05**2
    )
    fade = ((tail[7] - head[7]) / 0.7) ** 2
    return float(place + 0.5 * turn + min(fade, 9.0))


@njit(cache=True, nogil=True)
def _candidates(
    head: NDArray,  # type: ignore[type-arg]
    tail: NDArray,  # type: ignore[type-arg]
    by_start: NDArray,  # type: ignore[type-arg]
    clock: NDArray,  # type: ignore[type-arg]
    wait: int,
) -> tuple[NDArray, NDArray, NDArray]:  # type: ignore[type-arg]
    """Joins worth looking at: end, beginning, price. `clock` counts the frames that could show particles."""
    begins = head[by_start, 0]
    rows, cols, costs = np.empty(64, dtype=np.int64), np.empty(64, dtype=np.int64), np.empty(64)
    n = 0
    for i in range(tail.shape[0]):
        at = tail[i, 0]
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
            cost = _join_cost(tail[i], head[j])
            if j == i or cost >= _DEAR:
                continue
            if n == rows.size:
                more_rows, more_cols = np.empty(2 * n, dtype=np.int64), np.empty(2 * n, dtype=np.int64)
                more_costs = np.empty(2 * n)
                for q in range(n):
                    more_rows[q], more_cols[q], more_costs[q] = rows[q], cols[q], costs[q]
                rows, cols, costs = more_rows, more_cols, more_costs
            rows[n], cols[n], costs[n] = i, j, cost
            n += 1
    return rows[:n], cols[:n], costs[:n]


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
