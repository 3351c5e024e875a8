"""One edge followed along the bead: the best path through what looks like its step, to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from .facts import Edge, Floats, Image
from .profile import fit_profile, step

# States of a path are this far apart, px; it moves by at most so many states a column.
_STATE, _REACH = 0.5, 6
# What a state's move costs, as a share of a whole step.
_COST = 0.12
# A step higher than usual counts no more than this: a scratch or a particle is no better an edge.
_MOST_STEP = 1.1
# How far to each side the place of a step is taken from, px.
_NEAR = 4.0
# A path must also look like a step from further away, so that it keeps to the sheet's side of ripples: so far into
# the bead, px, and further into the sheet.
_INTO_BEAD = 6.0
# Range in which the edge drawn for the noise is looked for, px to each side.
_NOISE_ROOM = 4.0
# Blur that a first template has, px.
_FIRST_BLUR = 1.3


@dataclass(frozen=True)
class _Course:
    """A path, px into the bead from where it was looked for, and the height of the step there."""

    place: Floats
    height: Floats


def best_path(value: Floats, cost: float, reach: int = _REACH) -> NDArray[np.int64]:
    """Row of the path with the largest sum through (rows, columns), less `cost` a row moved (Viterbi)."""
    rows, columns = value.shape
    total = value[:, 0].copy()
    came = np.zeros((columns, rows), dtype=np.int8)
    moves = range(-reach, reach + 1)
    padded = np.full(rows + 2 * reach, -np.inf)
    options = np.empty((2 * reach + 1, rows))
    fee = cost * np.abs(np.arange(-reach, reach + 1))[:, None]
    index = np.arange(rows)
    for column in range(1, columns):
        padded[reach : reach + rows] = total
        for k, move in enumerate(moves):
            options[k] = padded[reach + move : reach + move + rows]
        options -= fee
        top = options.argmax(axis=0)
        came[column] = top - reach
        total = options[top, index] + value[:, column]
    path = np.empty(columns, dtype=np.int64)
    path[-1] = int(np.argmax(total))
    for column in range(columns - 1, 0, -1):
        path[column - 1] = path[column] + came[column, path[column]]
    return path


def aligned(part: Image, rows: Floats, inward: int, places: Floats) -> Image:
    """Values at places (px into the bead, shape (k,)) from a row of each column: shape (k, columns)."""
    y = (rows[None, :] + inward * places[:, None]).astype(np.float32)
    x = np.broadcast_to(np.arange(part.shape[1], dtype=np.float32), y.shape)
    # Bicubic across; columns are whole, so nothing is mixed along.
    return np.asarray(
        cv2.remap(part, np.ascontiguousarray(x), y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    )


def trace_edge(part: Image, rows: Floats, inward: int, *, room: float, smoothing: float, deep: float) -> Edge:
    """Follow an edge.

    Parameters
    ----------
    part
        Shape (rows, columns): the strip's light, one channel; larger in the bead.
    rows
        Row of each column near which the edge is.
    inward
        1 where the bead lies at larger rows, else -1.
    room
        How far from `rows` it is looked for, px.
    smoothing
        Standard deviation of the averaging along the bead, px.
    deep
        How far into the bead and into the sheet the step may be looked at, px.

    Returns
    -------
    Edge
        Its places are px into the bead from `rows`.
    """
    part = gaussian_filter1d(part, smoothing, axis=1)
    offsets = np.arange(-deep, min(_INTO_BEAD, deep) + 0.01, _STATE)
    states = np.arange(-room, room + 0.01, _STATE)
    around = np.arange(states[0] + offsets[0], states[-1] + offsets[-1] + 0.01, _STATE)
    first = aligned(part, rows, inward, around)
    template = step(offsets, _FIRST_BLUR)
    course = _follow(first, offsets, template, states)
    template, _ = _mean_profile(part, rows, inward, course, offsets)
    course = _follow(first, offsets, template, states)
    x = np.arange(-deep, deep + 0.01, _STATE)
    mean, u = _mean_profile(part, rows, inward, course, x)
    profile = fit_profile(x, mean, u)
    noise = _planted(part, rows, inward, course, offsets, template)
    usual = float(np.median(course.height)) or 1e-9
    return Edge(
        course.place + profile.offset,
        course.height / usual,
        noise,
        profile.blur,
        max(profile.offset_u, 0.05 * profile.blur),
        smoothing,
    )


def _normalised(profile: Floats) -> Floats:
    profile = profile - profile.mean()
    return np.asarray(profile / max(float(np.linalg.norm(profile)), 1e-12))


def _likeness(around: Image | Floats, template: Floats, first: int, count: int) -> Floats:
    """Likeness of every state to a template that begins `first` rows later than it could."""
    likeness = np.zeros((count, around.shape[1]))
    for k, weight in enumerate(_normalised(template)):
        likeness += weight * around[first + k : first + k + count]
    return likeness


def _follow(around: Image | Floats, offsets: Floats, template: Floats, states: Floats) -> _Course:
    """Best path through the picture's likeness to the template, near and far, then a parabola over "
    "the near one's top."""
    count = len(states)
    near = np.flatnonzero(np.abs(offsets) <= _NEAR + 0.01)
    likeness = _likeness(around, template[near], int(near[0]), count)
    worth = np.zeros_like(likeness)
    for value in (likeness, _likeness(around, template, 0, count)):
        usual = abs(float(np.median(value.max(axis=0)))) or 1e-9
        worth += np.clip(value / usual, -1.0, _MOST_STEP) / 2
    path = best_path(worth, _COST)
    column = np.arange(around.shape[1])
    # To the top nearby: the path is pulled straight by its cost.
    for _ in range(3):
        low, high = np.maximum(path - 1, 0), np.minimum(path + 1, count - 1)
        trio = np.stack([likeness[low, column], likeness[path, column], likeness[high, column]])
        path = np.clip(path + trio.argmax(axis=0) - 1, 0, count - 1)
    low, high = np.clip(path - 1, 0, None), np.clip(path + 1, None, count - 1)
    before, top, after = likeness[low, column], likeness[path, column], likeness[high, column]
    bend = before - 2 * top + after
    shift = np.where(bend < -1e-12, 0.5 * (before - after) / np.where(bend < -1e-12, bend, 1.0), 0.0)
    return _Course(states[path] + _STATE * np.clip(shift, -0.6, 0.6), top)


def _good(course: _Course) -> NDArray[np.bool_]:
    return np.asarray(course.height > 0.5 * np.median(course.height))


def _mean_profile(
    part: Image, rows: Floats, inward: int, course: _Course, x: Floats
) -> tuple[Floats, Floats]:
    """Mean profile across the edge over the columns that show it, and its standard uncertainty."""
    along = aligned(part, rows + inward * course.place, inward, x)[:, _good(course)]
    # Neighbouring columns are alike: as many independent ones as a tenth.
    return along.mean(axis=1).astype(np.float64), along.std(axis=1) / np.sqrt(max(along.shape[1] / 10, 1))


def _planted(
    part: Image, rows: Floats, inward: int, course: _Course, offsets: Floats, template: Floats
) -> Floats:
    """What the same search finds at a straight edge made of the mean profile and the photo's own texture."""
    x = np.arange(offsets[0] - _NOISE_ROOM, offsets[-1] + _NOISE_ROOM + 0.01, _STATE)
    aside = 2 * _FIRST_BLUR
    texture = aligned(part, rows + inward * course.place, inward, np.where(x < 0, x - aside, x + aside))
    texture = texture - np.median(texture[:, _good(course)], axis=1)[:, None]
    mean, _ = _mean_profile(part, rows, inward, course, x)
    states = np.arange(-_NOISE_ROOM, _NOISE_ROOM + 0.01, _STATE)
    ideal = _follow(np.repeat(mean[:, None], 2, axis=1), offsets, template, states).place[0]
    return np.asarray(_follow(mean[:, None] + texture, offsets, template, states).place - ideal)
