"""First stage of linking: follow particles from frame to frame, forward in time."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .assignment import cheapest_pairs
from .ordering import rising
from .records import CROWDED, UNFITTED

# A sighting may lie this many standard deviations from where it is awaited.
GATE = 6.0
# … and the first of a beginning this many from the line through the other two.
START_GATE = 4.0
# Its three lie in the last four frames that were measured, no two of them more than so many frames apart.
BEGINNING = 3
# Irregular shapes: scatter of the centre, px, its share of the diameter and of the step.
_SCATTER, _SCATTER_SIZE, _SCATTER_STEP = 0.2, 0.04, 0.015
# Change of speed from one frame to the next, px/frame.
_SWERVE = 0.03
# Change of brightness that costs as much as one standard deviation of place (logarithm).
_FADE = 0.45
# State of a track that is being followed.
_X, _Y, _VX, _VY, _PP, _PV, _VV, _LIGHT, _STATE = 0, 1, 2, 3, 4, 5, 6, 7, 8


@njit(cache=True, nogil=True)
def rough_place(diameter: float, step: float) -> float:
    """Scatter of the centre of an irregular shape that moves by `step` a frame, px."""
    return _SCATTER + _SCATTER_SIZE * diameter + _SCATTER_STEP * step


@njit(cache=True, nogil=True)
def _scatter(s: NDArray, i: int, step: float) -> float:  # type: ignore[type-arg]
    """Variance of a sighting's place for linking, px²; columns of `s`: x, y, variance, diameter, log light, …"""
    rough = rough_place(s[i, 3], step)
    return float(s[i, 2] + rough * rough)


@njit(cache=True, nogil=True)
def _streak_cost(s: NDArray, i: int, vx: float, vy: float) -> float:  # type: ignore[type-arg]
    """Price of a streak that does not lie along the motion, or is longer than the way between two frames."""
    m, n, u = s[i, 5], s[i, 6], s[i, 7]
    v2 = vx * vx + vy * vy
    if v2 < 1e-12:
        along, across = math.hypot(m, n), 0.0
    else:
        c, d = (vx * vx - vy * vy) / v2, 2.0 * vx * vy / v2
        along, across = m * c + n * d, n * c - m * d
    length2 = math.hypot(m, n)
    sd = u + 0.15 * length2 + 1.0
    price = min((across / sd) ** 2, 25.0)
    if along < -sd:
        price += min((along / sd) ** 2, 25.0)
    if along > 1.2 * v2 + sd:
        price += min(((along - 1.2 * v2) / sd) ** 2, 25.0)
    return float(price)


@njit(cache=True, nogil=True)
def _advance(state: NDArray, frames: float) -> None:  # type: ignore[type-arg]
    """Predict a track `frames` later, constant velocity."""
    state[_X] += state[_VX] * frames
    state[_Y] += state[_VY] * frames
    state[_PP] += 2 * frames * state[_PV] + frames * frames * state[_VV]
    state[_PV] += frames * state[_VV]
    q = _SWERVE * _SWERVE * frames
    state[_VV] += q
    state[_PV] += 0.5 * q * frames
    state[_PP] += q * frames * frames / 3.0


@njit(cache=True, nogil=True)
def _take(state: NDArray, s: NDArray, i: int) -> None:  # type: ignore[type-arg]
    """Correct a predicted track with a sighting (Kalman filter with one variance for x and y)."""
    step = math.hypot(state[_VX], state[_VY])
    total = state[_PP] + _scatter(s, i, step)
    kp, kv = state[_PP] / total, state[_PV] / total
    dx, dy = s[i, 0] - state[_X], s[i, 1] - state[_Y]
    state[_X] += kp * dx
    state[_Y] += kp * dy
    state[_VX] += kv * dx
    state[_VY] += kv * dy
    pp, pv = state[_PP], state[_PV]
    state[_PP] = pp - kp * pp
    state[_PV] = pv - kp * pv
    state[_VV] -= kv * pv
    state[_LIGHT] += 0.3 * (s[i, 4] - state[_LIGHT])


@njit(cache=True, nogil=True)
def _pair_cost(state: NDArray, s: NDArray, i: int) -> float:  # type: ignore[type-arg]
    dx, dy = s[i, 0] - state[_X], s[i, 1] - state[_Y]
    step = math.hypot(state[_VX], state[_VY])
    total = state[_PP] + _scatter(s, i, step)
    if s[i, 8] != 0.0:
        # Touching another: its centre may sit anywhere inside the two.
        total += (0.25 * s[i, 3]) ** 2
    d2 = (dx * dx + dy * dy) / total
    if d2 > GATE * GATE:
        return 1e9
    fade = (s[i, 4] - state[_LIGHT]) / _FADE
    return float(d2 + min(fade * fade, 12.0) + 0.2 * _streak_cost(s, i, state[_VX], state[_VY]))


@njit(cache=True, nogil=True)
def follow(
    s: NDArray,  # type: ignore[type-arg]
    starts: NDArray,  # type: ignore[type-arg]
    measured: NDArray,  # type: ignore[type-arg]
    max_step: float,
    max_gap: int,
    width: float,
    height: float,
    track_of: NDArray,  # type: ignore[type-arg]
) -> int:
    """Give each sighting the number of its track in `track_of` (-1: none); returns how many tracks there are.

    Parameters
    ----------
    s
        Sightings, shape (n, 9): x, y, variance of place, diameter, log light, streak m, n and its uncertainty,
        1 where touching another; in order of frames.
    starts
        Where each frame's sightings begin, shape (frames + 1,).
    measured
        Whether a frame could show particles; a track does not wait longer for frames that could not.
    """
    frames = measured.size
    capacity = 64
    states = np.zeros((capacity, _STATE))
    number = np.zeros(capacity, dtype=np.int64)
    missed = np.zeros(capacity, dtype=np.int64)
    # `starts` begins with 0; the bare constant would have Numba compile what it is passed to twice.
    active, tracks = int(starts[0]), 0
    dear = GATE * GATE + 12.0
    # The three last frames that were measured, for beginnings.
    past = np.full(4, -1, dtype=np.int64)
    for t in range(frames):
        for k in range(active):
            _advance(states[k], 1.0)
        a, b = starts[t], starts[t + 1]
        if not measured[t]:
            continue
        taken = np.zeros(active, dtype=np.bool_)
        if active > 0 and b > a:
            _assign(states, active, s, a, b, number, missed, dear, track_of, taken)
        kept = 0
        for k in range(active):
            if not taken[k]:
                missed[k] += 1
            edge = 30.0
            gone = (
                missed[k] > max_gap
                or states[k, _X] < -edge
                or states[k, _Y] < -edge
                or states[k, _X] > width + edge
                or states[k, _Y] > height + edge
            )
            if not gone:
                if kept != k:
                    for q in range(_STATE):
                        states[kept, q] = states[k, q]
                    number[kept] = number[k]
                    missed[kept] = missed[k]
                kept += 1
        active = kept
        past[3], past[2], past[1], past[0] = past[2], past[1], past[0], t
        begun = _begin(s, starts, past, max_step, track_of)
        for g in range(begun.shape[0]):
            if active == capacity:
                capacity *= 2
                bigger = np.zeros((capacity, _STATE))
                longer, waits = np.zeros(capacity, dtype=np.int64), np.zeros(capacity, dtype=np.int64)
                for k in range(active):
                    for q in range(_STATE):
                        bigger[k, q] = states[k, q]
                    longer[k], waits[k] = number[k], missed[k]
                states, number, missed = bigger, longer, waits
            _found_track(states[active], s, begun[g], past)
            for q in range(3):
                track_of[begun[g, q]] = tracks
            number[active], missed[active] = tracks, 0
            tracks += 1
            active += 1
    return tracks


@njit(cache=True, nogil=True)
def _assign(
    states: NDArray,  # type: ignore[type-arg]
    active: int,
    s: NDArray,  # type: ignore[type-arg]
    a: int,
    b: int,
    number: NDArray,  # type: ignore[type-arg]
    missed: NDArray,  # type: ignore[type-arg]
    dear: float,
    track_of: NDArray,  # type: ignore[type-arg]
    taken: NDArray,  # type: ignore[type-arg]
) -> None:
    """Continue the tracks with a frame's sightings: lone pairs at once, the rest by the cheapest pairing."""
    m = b - a
    cost = np.full((active, m), 1e9)
    choices, wishes = np.zeros(active, dtype=np.int64), np.zeros(m, dtype=np.int64)
    for k in range(active):
        for i in range(m):
            c = _pair_cost(states[k], s, a + i)
            if c < dear:
                cost[k, i] = c
                choices[k] += 1
                wishes[i] += 1
    column = np.full(active, -1, dtype=np.int64)
    rows = np.zeros(active, dtype=np.int64)
    n = 0
    for k in range(active):
        if choices[k] == 1:
            i = 0
            while cost[k, i] >= dear:
                i += 1
            if wishes[i] == 1:
                column[k] = i
                continue
        if choices[k] > 0:
            rows[n] = k
            n += 1
    if n > 0:
        columns = np.zeros(m, dtype=np.int64)
        used = 0
        for i in range(m):
            for r in range(n):
                if cost[rows[r], i] < dear:
                    columns[used] = i
                    used += 1
                    break
        small = np.empty((n, used))
        for r in range(n):
            for i in range(used):
                small[r, i] = cost[rows[r], columns[i]]
        pairs = cheapest_pairs(small, dear)
        for r in range(n):
            if pairs[r] >= 0:
                column[rows[r]] = columns[pairs[r]]
    for k in range(active):
        if column[k] >= 0:
            i = a + column[k]
            _take(states[k], s, i)
            track_of[i] = number[k]
            missed[k] = 0
            taken[k] = True


@njit(cache=True, nogil=True)
def _begin(
    s: NDArray,  # type: ignore[type-arg]
    starts: NDArray,  # type: ignore[type-arg]
    past: NDArray,  # type: ignore[type-arg]
    max_step: float,
    track_of: NDArray,  # type: ignore[type-arg]
) -> NDArray:  # type: ignore[type-arg]
    """Beginnings: three free sightings in step, the last in frame past[0], one frame between at most unseen.

    Shape (n, 3), earliest first; cheapest first, each sighting used once.
    """
    out = np.empty((16, 3), dtype=np.int64)
    price = np.empty(16)
    n = 0
    t = past[0]
    for c in range(starts[t], starts[t + 1]):
        if track_of[c] >= 0:
            continue
        for back in range(1, 3):
            tb = past[back]
            if tb < 0 or t - tb > BEGINNING:
                continue
            for b in range(starts[tb], starts[tb + 1]):
                if track_of[b] >= 0:
                    continue
                vx, vy = (s[c, 0] - s[b, 0]) / (t - tb), (s[c, 1] - s[b, 1]) / (t - tb)
                step = math.hypot(vx, vy)
                if step > max_step or abs(s[c, 4] - s[b, 4]) > 2.0:
                    continue
                streak = _streak_cost(s, b, vx, vy) + _streak_cost(s, c, vx, vy)
                if streak > 24.0:
                    continue
                for further in range(back + 1, BEGINNING + 1):
                    ta = past[further]
                    # One unseen frame at most in the whole beginning.
                    if ta < 0 or tb - ta > BEGINNING:
                        continue
                    r = (tb - ta) / (t - tb)
                    for a in range(starts[ta], starts[ta + 1]):
                        if track_of[a] >= 0 or abs(s[a, 4] - s[b, 4]) > 2.0:
                            continue
                        px, py = s[b, 0] - r * (s[c, 0] - s[b, 0]), s[b, 1] - r * (s[c, 1] - s[b, 1])
                        var = (
                            _scatter(s, a, step)
                            + (1 + r) ** 2 * _scatter(s, b, step)
                            + r * r * _scatter(s, c, step)
                        )
                        d2 = ((s[a, 0] - px) ** 2 + (s[a, 1] - py) ** 2) / var
                        if d2 > START_GATE * START_GATE:
                            continue
                        cost = d2 + streak + _streak_cost(s, a, vx, vy)
                        cost += ((s[a, 4] - s[b, 4]) / _FADE) ** 2 + ((s[c, 4] - s[b, 4]) / _FADE) ** 2
                        cost += 8.0 * (further - 2)
                        if cost > 45.0:
                            continue
                        if n == price.size:
                            more, dearer = np.empty((2 * n, 3), dtype=np.int64), np.empty(2 * n)
                            for q in range(n):
                                more[q, 0], more[q, 1], more[q, 2] = out[q, 0], out[q, 1], out[q, 2]
                                dearer[q] = price[q]
                            out, price = more, dearer
                        out[n, 0], out[n, 1], out[n, 2] = a, b, c
                        price[n] = cost
                        n += 1
    order = rising(price[:n])
    kept = 0
    chosen = np.empty((n, 3), dtype=np.int64)
    for i in order:
        free = True
        for k in range(kept):
            for q in range(3):
                for z in range(3):
                    if chosen[k, q] == out[i, z]:
                        free = False
        if free:
            for q in range(3):
                chosen[kept, q] = out[i, q]
            kept += 1
    return chosen[:kept]


@njit(cache=True, nogil=True)
def _found_track(state: NDArray, s: NDArray, three: NDArray, past: NDArray) -> None:  # type: ignore[type-arg]
    """State at the last of three sightings: a straight line through them by least squares."""
    mean_t = mean_x = mean_y = light = variance = 0.0
    times = np.zeros(3)
    for q in range(3):
        times[q] = s[three[q], 9]
        mean_t += times[q] / 3
        mean_x += s[three[q], 0] / 3
        mean_y += s[three[q], 1] / 3
        light += s[three[q], 4] / 3
    tt = tx = ty = 0.0
    for q in range(3):
        dt = times[q] - mean_t
        tt += dt * dt
        tx += dt * (s[three[q], 0] - mean_x)
        ty += dt * (s[three[q], 1] - mean_y)
    state[_VX], state[_VY] = tx / tt, ty / tt
    step = math.hypot(state[_VX], state[_VY])
    for q in range(3):
        variance += _scatter(s, three[q], step) / 3
    last = past[0] - mean_t
    state[_X], state[_Y] = mean_x + state[_VX] * last, mean_y + state[_VY] * last
    state[_VV] = variance / tt
    state[_PV] = last * variance / tt
    state[_PP] = variance / 3 + last * last * variance / tt
    state[_LIGHT] = light


def linking_columns(sightings: NDArray[np.void]) -> NDArray[np.float32]:
    """What `follow` needs of the sightings, shape (n, 10): 40 bytes each, as there may be millions."""
    s = np.empty((len(sightings), 10), dtype=np.float32)
    s[:, 0], s[:, 1] = sightings["x"], sightings["y"]
    u2 = (sightings["u_x"].astype(np.float32) ** 2 + sightings["u_y"].astype(np.float32) ** 2) / 2
    s[:, 2] = np.minimum(u2, 9.0)
    s[:, 3] = np.minimum(4.0 * np.sqrt(np.maximum(sightings["spread"], 0.0)), 400.0)
    s[:, 4] = np.log(np.maximum(sightings["flux"], 1e-3))
    s[:, 5], s[:, 6] = sightings["streak_m"], sightings["streak_n"]
    s[:, 7] = sightings["u_streak"]
    unsure = (sightings["mark"] & UNFITTED) != 0
    s[unsure, 5:7] = 0.0
    s[:, 8] = (sightings["mark"] & CROWDED) != 0
    s[:, 9] = sightings["frame"]
    return s
