"""First stage of linking: particles tracked from frame to frame, forward in time."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .assignment import cheapest_pairs
from .ordering import rising
from .parameters import Record
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
SWERVE = 0.03
# Change of brightness that costs as much as one standard deviation of place (logarithm), and the most that it costs.
_FADE, _MOST_FADE = 0.45, 12.0
# Share of a new sighting in a track's mean brightness.
_NEWEST = 0.3
# Two that touch: the centre may lie off by this share of the diameter.
_TOUCHING = 0.25
# A streak's length is doubtful by this share of its square and so many px², may be this many times the way between two
# frames squared, and costs at most so much; this share of that counts where a track goes on.
_STREAK_SHARE, _STREAK_FLOOR, _STREAK_LONGEST, _STREAK_MOST, _STREAK_WEIGHT = 0.15, 1.0, 1.2, 25.0, 0.2
# A beginning: largest change of brightness (logarithm), of the price of the streaks of two and of all, and the price of
# each frame unseen.
_START_FADE, _START_STREAK, _START_DEAR, _UNSEEN = 2.0, 24.0, 45.0, 8.0
# A track ends this far outside the picture, px.
_OUTSIDE = 30.0
# Price of what is no pair.
_NEVER = 1e9
# A track goes on at this price at most.
_DEAR = GATE * GATE + _MOST_FADE

# What linking needs of a sighting: 40 bytes, as there may be millions.
LINK = np.dtype(
    [
        # Place, px, and its variance, px².
        ("x", "f4"),
        ("y", "f4"),
        ("variance", "f4"),
        # Diameter, px, and logarithm of the light.
        ("diameter", "f4"),
        ("log_light", "f4"),
        # Streak L² cos 2a and L² sin 2a, and its uncertainty, px²; 0 where it was not fitted.
        ("streak_m", "f4"),
        ("streak_n", "f4"),
        ("u_streak", "f4"),
        # 1 where it touches another.
        ("touching", "f4"),
        ("frame", "f4"),
    ]
)

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


class Reach(NamedTuple):
    """How far and how long a particle is tracked.

    Attributes
    ----------
    max_step
        Longest way of a beginning from frame to frame, px.
    max_gap
        Frames that a track waits unseen.
    width, height
        Size of the frames, px.
    """

    max_step: float
    max_gap: int
    width: float
    height: float


@njit(cache=True, nogil=True)
def rough_place(diameter: float, step: float) -> float:
    """Scatter of the centre of an irregular shape that moves by `step` a frame, px."""
    return _SCATTER + _SCATTER_SIZE * diameter + _SCATTER_STEP * step


@njit(cache=True, nogil=True)
def scatter_of(sighting: Record, step: float) -> float:
    """Variance of a sighting's place for linking, px²."""
    rough = rough_place(sighting.diameter, step)
    return float(sighting.variance + rough * rough)


@njit(cache=True, nogil=True)
def _streak_cost(sighting: Record, vx: float, vy: float) -> float:
    """Price of a streak that does not lie along the motion, or is longer than the way between two frames."""
    m, n = sighting.streak_m, sighting.streak_n
    v2 = vx * vx + vy * vy
    if v2 < 1e-12:
        along, across = math.hypot(m, n), 0.0
    else:
        c, d = (vx * vx - vy * vy) / v2, 2.0 * vx * vy / v2
        along, across = m * c + n * d, n * c - m * d
    length2 = math.hypot(m, n)
    sd = sighting.u_streak + _STREAK_SHARE * length2 + _STREAK_FLOOR
    price = min((across / sd) ** 2, _STREAK_MOST)
    if along < -sd:
        price += min((along / sd) ** 2, _STREAK_MOST)
    if along > _STREAK_LONGEST * v2 + sd:
        price += min(((along - _STREAK_LONGEST * v2) / sd) ** 2, _STREAK_MOST)
    return float(price)


@njit(cache=True, nogil=True)
def _advance(track: Record, frames: float) -> None:
    """Predict a track `frames` later, constant velocity; writes `track`."""
    track.x += track.vx * frames
    track.y += track.vy * frames
    track.place_var += 2 * frames * track.cov + frames * frames * track.velocity_var
    track.cov += frames * track.velocity_var
    q = SWERVE * SWERVE * frames
    track.velocity_var += q
    track.cov += 0.5 * q * frames
    track.place_var += q * frames * frames / 3.0


@njit(cache=True, nogil=True)
def _take(track: Record, sighting: Record) -> None:
    """Correct a predicted track with a sighting (Kalman filter with one variance for x and y); writes `track`."""
    step = math.hypot(track.vx, track.vy)
    total = track.place_var + scatter_of(sighting, step)
    gain_place, gain_velocity = track.place_var / total, track.cov / total
    dx, dy = sighting.x - track.x, sighting.y - track.y
    track.x += gain_place * dx
    track.y += gain_place * dy
    track.vx += gain_velocity * dx
    track.vy += gain_velocity * dy
    place_var, cov = track.place_var, track.cov
    track.place_var = place_var - gain_place * place_var
    track.cov = cov - gain_place * cov
    track.velocity_var -= gain_velocity * cov
    track.log_light += _NEWEST * (sighting.log_light - track.log_light)


@njit(cache=True, nogil=True)
def _pair_cost(track: Record, sighting: Record) -> float:
    """Price of a track going on with a sighting."""
    dx, dy = sighting.x - track.x, sighting.y - track.y
    step = math.hypot(track.vx, track.vy)
    total = track.place_var + scatter_of(sighting, step)
    if sighting.touching != 0.0:
        # Touching another: its centre may sit anywhere inside the two.
        total += (_TOUCHING * sighting.diameter) ** 2
    d2 = (dx * dx + dy * dy) / total
    if d2 > GATE * GATE:
        return _NEVER
    fade = (sighting.log_light - track.log_light) / _FADE
    streak = _streak_cost(sighting, track.vx, track.vy)
    return float(d2 + min(fade * fade, _MOST_FADE) + _STREAK_WEIGHT * streak)


@njit(cache=True, nogil=True)
def track_sightings(
    s: NDArray[np.void],
    starts: NDArray[np.int64],
    measured: NDArray[np.bool_],
    reach: Reach,
    track_of: NDArray[np.int32],
) -> int:
    """Write the number of each sighting's track into `track_of`; returns how many tracks there are.

    Parameters
    ----------
    s
        Sightings, shape (n,), dtype `LINK`, in order of frames.
    starts
        Where each frame's sightings begin, shape (frames + 1,).
    measured
        Whether a frame could show particles; a track does not wait longer for frames that could not.
    reach
        How far and how long a particle is tracked.
    track_of
        -1 for each sighting, shape (n,); stays -1 where it belongs to no track.
    """
    tracks = np.zeros(64, dtype=TRACK)
    # `starts` begins with 0; the bare constant would have Numba compile what it is passed to twice.
    active, count = int(starts[0]), 0
    # The last frames that were measured, for beginnings; latest first.
    past = np.full(BEGINNING + 1, -1, dtype=np.int64)
    for t in range(measured.size):
        for k in range(active):
            _advance(tracks[k], 1.0)
        a, b = starts[t], starts[t + 1]
        if not measured[t]:
            continue
        taken = np.zeros(active, dtype=np.bool_)
        if active > 0 and b > a:
            _assign(tracks[:active], s, (a, b), track_of, taken)
        active = _still_there(tracks, taken, reach)
        for q in range(BEGINNING, 0, -1):
            past[q] = past[q - 1]
        past[0] = t
        begun = _chosen(_beginnings(s, starts, past, reach.max_step, track_of))
        for g in range(begun.size):
            three = begun[g]
            if active == tracks.size:
                tracks = _twice(tracks)
            _found_track(s[three.first], s[three.second], s[three.third], t, tracks[active])
            tracks[active].number, tracks[active].missed = count, 0
            track_of[three.first] = track_of[three.second] = track_of[three.third] = count
            count += 1
            active += 1
    return count


@njit(cache=True, nogil=True)
def _twice(records: NDArray[np.void]) -> NDArray[np.void]:
    """The records, and as much room again."""
    more = np.zeros(2 * records.size, dtype=records.dtype)
    for k in range(records.size):
        more[k] = records[k]
    return more


@njit(cache=True, nogil=True)
def _still_there(tracks: NDArray[np.void], taken: NDArray[np.bool_], reach: Reach) -> int:
    """Move the tracks that are not lost to the front, in place; returns how many there are.

    `taken`: which of the tracks so far went on in this frame.
    """
    kept = 0
    for k in range(taken.size):
        track = tracks[k]
        if not taken[k]:
            track.missed += 1
        gone = (
            track.missed > reach.max_gap
            or track.x < -_OUTSIDE
            or track.y < -_OUTSIDE
            or track.x > reach.width + _OUTSIDE
            or track.y > reach.height + _OUTSIDE
        )
        if not gone:
            if kept != k:
                tracks[kept] = track
            kept += 1
    return kept


@njit(cache=True, nogil=True)
def _assign(
    tracks: NDArray[np.void],
    s: NDArray[np.void],
    frame: tuple[int, int],
    track_of: NDArray[np.int32],
    taken: NDArray[np.bool_],
) -> None:
    """Continue the tracks with a frame's sightings: lone pairs at once, the rest by the cheapest pairing.

    The sightings of the frame are `s[frame[0]:frame[1]]`. Writes the tracks, `track_of`, and which were `taken` on.
    """
    first, beyond = frame
    cost = np.full((tracks.size, beyond - first), _NEVER)
    choices = np.zeros(tracks.size, dtype=np.int64)
    wishes = np.zeros(beyond - first, dtype=np.int64)
    for k in range(tracks.size):
        for i in range(wishes.size):
            c = _pair_cost(tracks[k], s[first + i])
            if c < _DEAR:
                cost[k, i] = c
                choices[k] += 1
                wishes[i] += 1
    column = _paired(cost, choices, wishes)
    for k in range(tracks.size):
        if column[k] >= 0:
            i = first + column[k]
            _take(tracks[k], s[i])
            track_of[i] = tracks[k].number
            tracks[k].missed = 0
            taken[k] = True


@njit(cache=True, nogil=True)
def _paired(
    cost: NDArray[np.float64], choices: NDArray[np.int64], wishes: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Column of each row in the cheapest pairing; -1: none. `choices` and `wishes`: pairs in each row and column."""
    column = np.full(choices.size, -1, dtype=np.int64)
    rows, n = np.zeros(choices.size, dtype=np.int64), 0
    for k in range(choices.size):
        if choices[k] == 1:
            i = 0
            while cost[k, i] >= _DEAR:
                i += 1
            if wishes[i] == 1:
                column[k] = i
                continue
        if choices[k] > 0:
            rows[n] = k
            n += 1
    if n == 0:
        return column
    columns, used = np.zeros(wishes.size, dtype=np.int64), 0
    for i in range(wishes.size):
        for r in range(n):
            if cost[rows[r], i] < _DEAR:
                columns[used] = i
                used += 1
                break
    small = np.empty((n, used))
    for r in range(n):
        for i in range(used):
            small[r, i] = cost[rows[r], columns[i]]
    pairs = cheapest_pairs(small, _DEAR)
    for r in range(n):
        if pairs[r] >= 0:
            column[rows[r]] = columns[pairs[r]]
    return column


@njit(cache=True, nogil=True)
def _beginnings(
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
                            out = _twice(out)
                        out[n].first, out[n].second, out[n].third, out[n].cost = a, b, c, cost
                        n += 1
    return out[:n]


@njit(cache=True, nogil=True)
def _pair_price(second: Record, third: Record, motion: tuple[float, float, float], max_step: float) -> float:
    """Price of the streaks of the later two of a beginning; `_NEVER` where they are too far apart or unlike.

    `motion`: velocity from one to the other and its size, px/frame.
    """
    vx, vy, step = motion
    if step > max_step or abs(third.log_light - second.log_light) > _START_FADE:
        return _NEVER
    return float(_streak_cost(second, vx, vy) + _streak_cost(third, vx, vy))


@njit(cache=True, nogil=True)
def _three_price(
    first: Record,
    second: Record,
    third: Record,
    ratio: float,
    motion: tuple[float, float, float],
    pair: float,
) -> float:
    """Price of a beginning: the first off the line through the others, streaks, brightness; `_NEVER`: out of reach.

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
        return _NEVER
    cost = d2 + pair + _streak_cost(first, vx, vy)
    cost += ((first.log_light - second.log_light) / _FADE) ** 2 + (
        (third.log_light - second.log_light) / _FADE
    ) ** 2
    return float(cost)


@njit(cache=True, nogil=True)
def _chosen(candidates: NDArray[np.void]) -> NDArray[np.void]:
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
def _found_track(first: Record, second: Record, third: Record, now: int, track: Record) -> None:
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


def links_of(sightings: NDArray[np.void]) -> NDArray[np.void]:
    """What linking needs of sightings (dtype `records.SIGHTING`), shape (n,), dtype `LINK`."""
    s = np.empty(len(sightings), dtype=LINK)
    s["x"], s["y"], s["frame"] = sightings["x"], sightings["y"], sightings["frame"]
    u2 = (sightings["u_x"].astype(np.float32) ** 2 + sightings["u_y"].astype(np.float32) ** 2) / 2
    s["variance"] = np.minimum(u2, 9.0)
    s["diameter"] = np.minimum(4.0 * np.sqrt(np.maximum(sightings["spread"], 0.0)), 400.0)
    s["log_light"] = np.log(np.maximum(sightings["flux"], 1e-3))
    fitted = (sightings["mark"] & UNFITTED) == 0
    s["streak_m"], s["streak_n"] = (
        np.where(fitted, sightings[name], 0.0) for name in ("streak_m", "streak_n")
    )
    s["u_streak"] = sightings["u_streak"]
    s["touching"] = (sightings["mark"] & CROWDED) != 0
    return s
