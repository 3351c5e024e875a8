"""First stage of linking: particles tracked from frame to frame, forward in time."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .assignment import cheapest_pairs
from .beginnings import BEGINNING, FADE, NEVER, TRACK, beginnings, chosen, found_track
from .links import scatter_of, streak_cost
from .parameters import Record
from .structured import twice

# A sighting may lie this many standard deviations from where it is awaited.
GATE = 6.0
# Change of speed from one frame to the next, px/frame.
SWERVE = 0.03
# The most that a change of brightness costs.
_MOST_FADE = 12.0
# Share of a new sighting in a track's mean brightness.
_NEWEST = 0.3
# Two that touch: the centre may lie off by this share of the diameter.
_TOUCHING = 0.25
# A track ends this far outside the picture, px.
_OUTSIDE = 30.0
# Share of the price of a streak that counts where a track goes on.
_STREAK_WEIGHT = 0.2
# A track goes on at this price at most.
_DEAR = GATE * GATE + _MOST_FADE


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
        return NEVER
    fade = (sighting.log_light - track.log_light) / FADE
    streak = streak_cost(sighting, track.vx, track.vy)
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
        begun = chosen(beginnings(s, starts, past, reach.max_step, track_of))
        for g in range(begun.size):
            three = begun[g]
            if active == tracks.size:
                tracks = twice(tracks)
            found_track(s[three.first], s[three.second], s[three.third], t, tracks[active])
            tracks[active].number, tracks[active].missed = count, 0
            track_of[three.first] = track_of[three.second] = track_of[three.third] = count
            count += 1
            active += 1
    return count


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
    cost = np.full((tracks.size, beyond - first), NEVER)
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
