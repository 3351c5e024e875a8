"""Second stage of linking: pieces of track that one particle left are joined."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .settings import SpatterSettings

# Pieces may be this many times the largest gap of the first stage apart.
_STRETCH = 3
_DEAR = 16.0


def join_pieces(
    columns: NDArray[np.float64],
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
    order = linked[np.lexsort((columns[linked, 9], track_of[linked]))]
    names, begin = np.unique(track_of[order], return_index=True)
    stop = np.append(begin[1:], len(order))
    head, tail = _ends(columns, order, begin, stop)
    clock = np.cumsum(measured)
    wait = _STRETCH * max(settings.max_gap, 1)
    by_start = np.argsort(head[:, 0], kind="stable")
    start_times = head[by_start, 0]
    rows, cols, costs = [], [], []
    for i in range(len(names)):
        low = np.searchsorted(start_times, tail[i, 0], side="right")
        high = np.searchsorted(start_times, tail[i, 0] + 4 * wait + 1, side="right")
        for k in by_start[low:high]:
            gap = clock[int(head[k, 0])] - clock[int(tail[i, 0])]
            if k == i or gap > wait:
                continue
            cost = _join_cost(tail[i], head[k])
            if cost < _DEAR:
                rows.append(i)
                cols.append(int(k))
                costs.append(cost)
    if not rows:
        return track_of
    follows = _pair(len(names), np.array(rows), np.array(cols), np.array(costs))
    name = np.arange(len(names))
    for i in np.argsort(head[:, 0], kind="stable"):
        if follows[i] >= 0:
            name[follows[i]] = name[i]
    out = track_of.copy()
    for i in range(len(names)):
        out[order[begin[i] : stop[i]]] = names[name[i]]
    return out


def _ends(
    columns: NDArray[np.float64], order: NDArray[np.intp], begin: NDArray[np.intp], stop: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Straight lines through the first and last (up to 6) sightings: time, x, y, vx, vy, variances, light."""
    head, tail = np.zeros((len(begin), 8)), np.zeros((len(begin), 8))
    for i, (a, b) in enumerate(zip(begin, stop, strict=True)):
        for out, rows, at in ((head, order[a : min(b, a + 6)], 0), (tail, order[max(a, b - 6) : b], -1)):
            t = columns[rows, 9]
            dt = t - t.mean()
            tt = float((dt**2).sum())
            v = (dt @ columns[rows, :2]) / tt
            step = float(np.hypot(*v))
            variance = float(np.mean(columns[rows, 2] + (0.2 + 0.04 * columns[rows, 3] + 0.015 * step) ** 2))
            away = float(dt[at])
            place = columns[rows, :2].mean(axis=0) + v * away
            out[i] = (
                t[at], place[0], place[1], v[0], v[1], variance * (1 / len(rows) + away**2 / tt),
                variance / tt, float(np.median(columns[rows, 4])),
            )  # fmt: skip
    return head, tail


def _join_cost(tail: NDArray[np.float64], head: NDArray[np.float64]) -> float:
    gap = head[0] - tail[0]
    half = 0.5 * gap
    apart = (tail[1:3] + half * tail[3:5]) - (head[1:3] - half * head[3:5])
    swerve = 0.03**2 * gap**3 / 3
    place = float((apart**2).sum()) / (tail[5] + head[5] + half**2 * (tail[6] + head[6]) + swerve)
    turn = float(((tail[3:5] - head[3:5]) ** 2).sum()) / (tail[6] + head[6] + 0.03**2 * gap + 0.05**2)
    fade = ((tail[7] - head[7]) / 0.7) ** 2
    return float(place + 0.5 * turn + min(fade, 9.0))


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
