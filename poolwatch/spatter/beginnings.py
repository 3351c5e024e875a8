"""Where tracks begin: three sightings in step."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .links import scatter_of, streak_cost
from .ordering import rising
from .parameters import Record
from .structured import twice

# The first of three may lie this many standard deviations from the line through the other two.
START_GATE = 4.0
# The three lie in the last four frames that were measured, no two of them more than so many frames apart.
BEGINNING = 3
# Change of brightness that costs as much as one standard deviation of place (logarithm).
FADE = 0.45
# A beginning: largest change of brightness (logarithm), of the price of the streaks of two and of all, and the price of
# each frame unseen.
_START_FADE, _START_STREAK, _START_DEAR, _UNSEEN = 2.0, 24.0, 45.0, 8.0
# Price of what is no pair.
NEVER = 1e9

# A track that is being followed.
TRACK = np.dtype(
    [
        # Place, px, and velocity, px/frame.
        ("x", "f8"),
        ("y", "f8"),
        ("vx", "f8"),
        ("vy", "f8"),
        # Their covariance, the same for x and y.
        ("place_var", "f8"),
        ("cov", "f8"),
        ("velocity_var", "f8"),
        # Running mean of log light.
        ("log_light", "f8"),
        # Its number, and frames since it was last seen.
        ("number", "i8"),
        ("missed", "i8"),
    ]
)
# Three sightings that may begin a track, earliest first, and the price of that.
_THREE = np.dtype([("first", "i8"), ("second", "i8"), ("third", "i8"), ("cost", "f8")])


@njit(cache=True, nogil=True)
def beginnings(
    s: NDArray[np.void],
    starts: NDArray[np.int64],
    past: NDArray[np.int64],
    max_step: float,
    track_of: NDArray[np.int32],
) -> NDArray[np.void]:
    """Three free sightings in step, the last in frame past[0], one frame between at most unseen; dtype `_THREE`."""
    out, n = np.empty(16, dtype=_THREE), 0
    t = past[0]
    for c in range(starts[t], starts[t + 1]):
        if track_of[c] >= 0:
            continue
        for back in range(1, BEGINNING):
            tb = past[back]
            if tb < 0 or t - tb > BEGINNING:
                continue
            for b in range(starts[tb], starts[tb + 1]):
                if track_of[b] >= 0:
                    continue
                vx, vy = (s[c].x - s[b].x) / (t - tb), (s[c].y - s[b].y) / (t - tb)
                motion = (vx, vy, math.hypot(vx, vy))
                pair = _pair_price(s[b], s[c], motion, max_step)
                if pair > _START_STREAK:
                    continue
                for further in range(back + 1, BEGINNING + 1):
                    ta = past[further]
                    # One unseen frame at most in the whole beginning.
                    if ta < 0 or tb - ta > BEGINNING:
                        continue
                    for a in range(starts[ta], starts[ta + 1]):
                        unlike = abs(s[a].log_light - s[b].log_light) > _START_FADE
                        if track_of[a] >= 0 or unlike:
                            continue
                        cost = _three_price(s[a], s[b], s[c], (tb - ta) / (t - tb), motion, pair)
                        cost += _UNSEEN * (further - 2)
                        if cost > _START_DEAR:
                            continue
                        if n == out.size:
                            out = twice(out)
                        out[n].first, out[n].second, out[n].third, out[n].cost = a, b, c, cost
                        n += 1
    return out[:n]


@njit(cache=True, nogil=True)
def _pair_price(second: Record, third: Record, motion: tuple[float, float, float], max_step: float) -> float:
    """Price of the streaks of the later two of a beginning; `NEVER` where they are too far apart or unlike.

    `motion`: velocity from one to the other and its size, px/frame.
    """
    vx, vy, step = motion
    if step > max_step or abs(third.log_light - second.log_light) > _START_FADE:
        return NEVER
    return float(streak_cost(second, vx, vy) + streak_cost(third, vx, vy))


@njit(cache=True, nogil=True)
def _three_price(
    first: Record,
    second: Record,
    third: Record,
    ratio: float,
    motion: tuple[float, float, float],
    pair: float,
) -> float:
    """Price of a beginning: the first off the line through the others, streaks, brightness; `NEVER`: out of reach.

    `ratio`: time from the first to the second over that to the third; `motion`, `pair`: see `_pair_price`.
    """
    vx, vy, step = motion
    x = second.x - ratio * (third.x - second.x)
    y = second.y - ratio * (third.y - second.y)
    variance = (
        scatter_of(first, step)
        + (1 + ratio) ** 2 * scatter_of(second, step)
        + ratio * ratio * scatter_of(third, step)
    )
    d2 = ((first.x - x) ** 2 + (first.y - y) ** 2) / variance
    if d2 > START_GATE * START_GATE:
        return NEVER
    cost = d2 + pair + streak_cost(first, vx, vy)
    cost += ((first.log_light - second.log_light) / FADE) ** 2 + (
        (third.log_light - second.log_light) / FADE
    ) ** 2
    return float(cost)


@njit(cache=True, nogil=True)
def chosen(candidates: NDArray[np.void]) -> NDArray[np.void]:
    """Beginnings, the cheapest first, each sighting used once."""
    costs = np.empty(candidates.size)
    for i in range(costs.size):
        costs[i] = candidates[i].cost
    out, kept = np.empty(candidates.size, dtype=_THREE), 0
    for i in rising(costs):
        one, free = candidates[i], True
        for k in range(kept):
            # Sightings of different frames are never the same, so each is looked for in all three places.
            for other in (out[k].first, out[k].second, out[k].third):
                if other in (one.first, one.second, one.third):
                    free = False
        if free:
            out[kept] = one
            kept += 1
    return out[:kept]


@njit(cache=True, nogil=True)
def found_track(first: Record, second: Record, third: Record, now: int, track: Record) -> None:
    """State in frame `now` of a track of three sightings: a straight line through them by least squares.

    Writes place, velocity, covariance and brightness of `track`.
    """
    mean_t = mean_x = mean_y = light = variance = 0.0
    for one in (first, second, third):
        mean_t += one.frame / 3
        mean_x += one.x / 3
        mean_y += one.y / 3
        light += one.log_light / 3
    tt = tx = ty = 0.0
    for one in (first, second, third):
        dt = one.frame - mean_t
        tt += dt * dt
        tx += dt * (one.x - mean_x)
        ty += dt * (one.y - mean_y)
    track.vx, track.vy = tx / tt, ty / tt
    step = math.hypot(track.vx, track.vy)
    for one in (first, second, third):
        variance += scatter_of(one, step) / 3
    last = now - mean_t
    track.x, track.y = mean_x + track.vx * last, mean_y + track.vy * last
    track.velocity_var = variance / tt
    track.cov = last * variance / tt
    track.place_var = variance / 3 + last * last * variance / tt
    track.log_light = light
