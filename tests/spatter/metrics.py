"""Tracking metrics of the Particle Tracking Challenge: Chenouard et al., Nature Methods 11 (2014) 281, doi:10.1038/nmeth.2808."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

# A track: frame -> (x, y).
Track = dict[int, tuple[float, float]]


@dataclass(frozen=True)
class Metrics:
    alpha: float
    beta: float
    jsc: float
    jsc_theta: float
    rmse: float
    recall: float
    precision: float


def _cost(a: Track, b: Track, gate: float) -> tuple[float, int]:
    """Gated distance summed over all frames of either, and how many frames match."""
    total, hits = 0.0, 0
    for frame in a.keys() | b.keys():
        if frame in a and frame in b:
            d = float(np.hypot(a[frame][0] - b[frame][0], a[frame][1] - b[frame][1]))
            hits += d < gate
            total += min(d, gate)
        else:
            total += gate
    return total, hits


def match(found: list[Track], truth: list[Track], gate: float) -> tuple[Metrics, dict[int, int]]:
    """Metrics, and the truth's partner of each found track.

    A found track that matches a true one nowhere within the gate costs the same as a dummy; it is scored as
    unpaired, else beta is inflated.
    """
    n, m = len(truth), len(found)
    table = np.full((n, m + n), 0.0)
    hits = np.zeros((n, m), dtype=int)
    for i, t in enumerate(truth):
        table[i, m:] = gate * len(t)
        for j, f in enumerate(found):
            table[i, j], hits[i, j] = _cost(t, f, gate) if t.keys() & f.keys() else (gate * len(t) + 1.0, 0)
            table[i, j] = min(table[i, j], gate * len(t))
    rows, cols = linear_sum_assignment(table)
    pairs = {int(j): int(i) for i, j in zip(rows, cols, strict=True) if j < m and hits[i, j] > 0}
    empty = gate * sum(map(len, truth))
    distance = empty - sum(gate * len(truth[i]) - table[i, j] for j, i in pairs.items())
    spurious = gate * sum(len(f) for j, f in enumerate(found) if j not in pairs)
    matched = sum(int(hits[i, j]) for j, i in pairs.items())
    points_true, points_found = sum(map(len, truth)), sum(map(len, found))
    squares = [
        (truth[i][k][0] - found[j][k][0]) ** 2 + (truth[i][k][1] - found[j][k][1]) ** 2
        for j, i in pairs.items()
        for k in truth[i].keys() & found[j].keys()
        if np.hypot(truth[i][k][0] - found[j][k][0], truth[i][k][1] - found[j][k][1]) < gate
    ]
    result = Metrics(
        alpha=1 - distance / empty if empty else 1.0,
        beta=(empty - distance) / (empty + spurious) if empty else 1.0,
        jsc=matched / max(points_true + points_found - matched, 1),
        jsc_theta=len(pairs) / max(n + m - len(pairs), 1),
        rmse=float(np.sqrt(np.mean(squares))) if squares else 0.0,
        recall=len(pairs) / n if n else 1.0,
        precision=len(pairs) / m if m else 1.0,
    )
    return result, pairs
