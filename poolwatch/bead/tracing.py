"""One edge followed along the bead: the likeliest path between what looks like sheet and what looks like bead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from .facts import Floats, Image
from .looks import Look, alike, anything, between, fit_of, learn, sample
from .profile import step as spread_step

# States of a path are this far apart, px; it moves by at most so many states a column.
_STATE, _REACH = 0.5, 6
# What a state's move costs, log likelihood: slopes of an edge scatter by about half a px a px.
_COST = 0.3
# Range of the last rounds, px to each side, and their number.
_ROOM, _ROUNDS = 4.0, 3
# Blur that a first look has, and how far from the edge pixels show one surface alone, px.
_BLUR, _FAR = 1.2, 2.5
# Averaging of the likelihood along the bead before the place is taken to a fraction of a state, px.
SMOOTHING = 0.7
# Columns over which grain is told from what changes slowly along the bead, standard deviation in px.
_GRAIN = 5.0
# Places just inside an edge and further in, px, and the averaging along the bead over which their tones are compared.
_COMPARED, _LOCAL = ((1.5, 2.0, 2.5), (3.0, 3.5, 4.0, 4.5, 5.0)), 1.5
# The height of a step is taken to change by these factors at most.
_GAINS = (0.4, 2.5)
# Texture for the noise is taken so far from the edge, px.
_ASIDE = 3.0
# A particle or a scratch on the sheet, this far from the edge at least, px, costs a column so much log likelihood.
_CLEAR, _THING = 2.0, 8.0


@dataclass(frozen=True)
class Trace:
    """An edge followed.

    Attributes
    ----------
    place
        Shape (columns,): px into the bead from where it was looked for.
    step
        Shape (columns,): how much the edge shows, over the usual.
    noise
        Shape (columns,): what the same search finds at a straight edge made of the photo's own textures, px.
    places, profile
        Places across, px into the bead from the edge found, and the colours there: shapes (k,), (k, columns, channels).
    """

    place: Floats
    step: Floats
    noise: Floats
    places: Floats
    profile: Image


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


def trace_edge(part: Image, rows: Floats, inward: int, *, room: float, deep: float) -> Trace:
    """Follow an edge.

    Parameters
    ----------
    part
        Shape (rows, columns, channels): the strip.
    rows
        Row of each column near which the edge is.
    inward
        1 where the bead lies at larger rows, else -1.
    room
        How far from `rows` it is looked for, px.
    deep
        How far into the bead and into the sheet is looked, px.
    """
    place, sheet, bead = _first_course(part, rows, inward, room, deep)
    offsets = np.arange(-deep, deep + 0.01, _STATE)
    states = np.arange(-_ROOM, _ROOM + 0.01, _STATE)
    around = np.rint(np.arange(-np.ceil(_ROOM + deep), _ROOM + deep + 0.01))
    share = spread_step(offsets, _BLUR)
    looks = [between(sheet, bead, one) for one in share.tolist()]
    for _ in range(_ROUNDS):
        light = _evened(part, rows + inward * place, inward, sheet, bead)
        values = sample(light, rows + inward * place, inward, around)
        temper = _temper(values)
        move = _follow(_likelihood(values, around, looks, offsets, states) / temper, states)
        step = _evidence(values, around, move, looks)
        place = place + move
        profile = sample(light, rows + inward * place, inward, offsets)
        shown = profile[:, step > 0.5]
        sheet, bead = (
            learn(shown[far].reshape(-1, shown.shape[2])) for far in (offsets < -_FAR, offsets > _FAR)
        )
        # Means as they are; covariances mixed, for those at the edge are widened by any error of its course.
        means = shown.mean(axis=1, dtype=np.float64)
        looks = [between(sheet, bead, one, mean) for one, mean in zip(share.tolist(), means, strict=True)]
    planted = _planted(part, rows + inward * place, inward, around, looks, offsets)
    near, far = planted[around == 2].mean(axis=0), planted[(around > 2) & (around < 6)].mean(axis=0)
    planted = _by_gain(planted, _gain(near, far, sheet, bead), sheet)
    noise = _follow(_likelihood(planted, around, looks, offsets, states) / temper, states)
    return Trace(place, step, noise, offsets, profile)


def _first_course(
    light: Image, rows: Floats, inward: int, room: float, deep: float
) -> tuple[Floats, Look, Look]:
    """The likeliest border between two surfaces, each alike all over."""
    states = np.arange(-np.floor(room), room + 0.01)
    around = np.arange(states[0] - np.floor(deep), states[-1] + deep + 0.01)
    values = sample(light, rows, inward, around)
    place = np.zeros(len(rows))
    for _ in range(2):
        off = around[:, None] - place
        sheet = learn(values[(off < -_FAR) & (off > -_FAR - deep)])
        bead = learn(values[(off > _FAR) & (off < _FAR + deep)])
        gain = fit_of(values, sheet) - fit_of(values, bead)
        # A border in front of pixel k leaves those before it to the sheet.
        total = np.concatenate([np.zeros((1, len(rows))), np.cumsum(gain, axis=0)])
        at = np.searchsorted(around, states)
        likely = (total[at] + total[at + 1]) / 2
        likely += _things(values, around, states, sheet, bead)
        likely /= _temper(values)
        place = states[best_path(likely, 2 * _COST, reach=3)]
    return np.asarray(gaussian_filter1d(place, 1.0)), sheet, bead


def _evened(part: Image, rows: Floats, inward: int, sheet: Look, bead: Look) -> Image:
    """The strip with the tone of the bead just inside the edge alike all along, where bead and sheet differ in tone."""
    near, far = (sample(part, rows, inward, np.asarray(places)).mean(axis=0) for places in _COMPARED)
    return _by_gain(part, _gain(near, far, sheet, bead), sheet)


def _by_gain(values: Image, gain: Floats, sheet: Look) -> Image:
    return np.asarray(sheet.mean + (values - sheet.mean) / gain, dtype=np.float32)


def _gain(near: Image, far: Image, sheet: Look, bead: Look) -> Floats:
    """Height of the step in each column over the usual, shape (columns, channels), from the tone further in.

    Ripples and the crown change that tone from column to column, and would move an edge whose height is taken as one.
    How much of the tone further in is that at the edge is a matter of regression.
    """
    near, far = gaussian_filter1d(near, _LOCAL, axis=0), gaussian_filter1d(far, _LOCAL, axis=0)
    height = bead.mean - sheet.mean
    gain = np.ones(near.shape)
    for k in np.flatnonzero(np.abs(height) > 2 * np.sqrt(np.diag(bead.covariance))).tolist():
        a, b = (one[:, k] - np.median(one[:, k]) for one in (near, far))
        limit = 3 * 1.4826 * float(np.median(np.abs(b))) + 1e-6
        a, b = np.clip(a, -limit, limit), np.clip(b, -limit, limit)
        slope = float(np.clip(np.mean(a * b) / max(float(np.mean(b * b)), 1e-12), 0, 1))
        gain[:, k] = np.clip(1 + slope * b / height[k], *_GAINS)
    return gain


def _temper(values: Image) -> float:
    """Pixels of grain that tell as much as one."""
    grey = values.mean(axis=2)
    grain = grey - gaussian_filter1d(grey, _GRAIN, axis=1)
    half = len(grain) // 2
    across, along = (max(alike(part, axis) for part in (grain[:half], grain[half:])) for axis in (0, 1))
    return across * along


def _likelihood(values: Image, around: Floats, looks: list[Look], offsets: Floats, states: Floats) -> Floats:
    """Log likelihood of an edge at every state, shape (states, columns)."""
    per_state = round(1 / _STATE)
    first, last = round(per_state * offsets[0]), round(per_state * offsets[-1])
    likely = np.zeros((len(states), values.shape[1]))
    for pixels, place in zip(values, around, strict=True):
        wanted = np.clip(np.rint(per_state * (place - states)).astype(int), first, last) - first
        fits = {k: fit_of(pixels, looks[k]) for k in np.unique(wanted).tolist()}
        for state, k in enumerate(wanted.tolist()):
            likely[state] += fits[k]
    return likely + _things(values, around, states, looks[0], looks[-1])


def _things(values: Image, around: Floats, states: Floats, sheet: Look, bead: Look) -> Floats:
    """What the likelihood of every state gains where something that lies on the sheet is no sheet."""
    gain = np.maximum(fit_of(values, bead), fit_of(values, anything(values.shape[2]))) - fit_of(values, sheet)
    # Largest sum over a run of pixels that ends in front of each (Kadane's algorithm).
    run, best = np.zeros(values.shape[1]), np.zeros((len(around) + 1, values.shape[1]))
    for k, one in enumerate(gain):
        run = np.maximum(run, 0) + one
        best[k + 1] = np.maximum(best[k], run)
    before = np.searchsorted(around, states - _CLEAR)
    return np.asarray(np.maximum(best[before] - _THING, 0.0))


def _follow(likely: Floats, states: Floats) -> Floats:
    """Likeliest path, then a parabola over the top nearby."""
    path = best_path(likely, _COST)
    smooth = gaussian_filter1d(likely, SMOOTHING, axis=1)
    column, count = np.arange(likely.shape[1]), len(states)
    for _ in range(2):
        low, high = np.maximum(path - 1, 0), np.minimum(path + 1, count - 1)
        trio = np.stack([smooth[low, column], smooth[path, column], smooth[high, column]])
        path = np.clip(path + trio.argmax(axis=0) - 1, 0, count - 1)
    low, high = np.maximum(path - 1, 0), np.minimum(path + 1, count - 1)
    before, top, after = smooth[low, column], smooth[path, column], smooth[high, column]
    bend = before - 2 * top + after
    shift = np.where(bend < -1e-9, 0.5 * (before - after) / np.where(bend < -1e-9, bend, 1.0), 0.0)
    return np.asarray(states[path] + _STATE * np.clip(shift, -0.6, 0.6))


def _evidence(values: Image, around: Floats, move: Floats, looks: list[Look]) -> Floats:
    """How much more likely an edge is than all sheet and than all bead, as a root, over the usual."""
    gain = fit_of(values, looks[-1]) - fit_of(values, looks[0])
    off = around[:, None] - move
    bead, sheet = np.sum(gain * (off > 0.5), axis=0), -np.sum(gain * (off < -0.5), axis=0)
    shown = np.minimum(bead / max(float(np.median(bead)), 1e-9), sheet / max(float(np.median(sheet)), 1e-9))
    return np.asarray(np.sign(shown) * np.sqrt(np.abs(shown)))


def _planted(
    light: Image, rows: Floats, inward: int, around: Floats, looks: list[Look], offsets: Floats
) -> Image:
    """A straight edge with the mean colours of the photo's and the textures of its bead and sheet."""
    texture = sample(light, rows, inward, np.where(around < 0, around - _ASIDE, around + _ASIDE))
    texture = texture - np.median(texture, axis=1, keepdims=True)
    mean = np.stack([look.mean for look in looks])
    course = np.stack([np.interp(around, offsets, mean[:, k]) for k in range(mean.shape[1])], axis=1)
    return np.asarray(course[:, None, :] + texture, dtype=np.float32)
