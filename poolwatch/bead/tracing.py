"""One edge followed along the bead: the likeliest path between what looks like sheet and what looks like bead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from .border import Border, cut_off, likelihood, texture
from .facts import Floats, Image
from .following import follow
from .looks import Look, alike, anything, fit_of, learn, sample
from .placing import step as spread_step

# States of a path are this far apart, px; it moves by at most so many states a column.
_STATE, _REACH = 0.25, 6
# Variance of an edge's step from column to column before it is learned, px².
_WALK = 0.05
# What a move of the first course by a px costs, log likelihood: slopes of an edge scatter by about half a px a px.
_COST = 0.6
# Range of the last rounds, px to each side, and their number.
_ROOM, _ROUNDS = 4.0, 4
# Blur that a first look has, and how far from the edge pixels show one surface alone, px.
_BLUR, _FAR = 1.2, 2.5
# Columns over which grain is told from what changes slowly along the bead, standard deviation in px.
_GRAIN = 5.0
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
    mean = (1 - share)[:, None] * sheet.mean + share[:, None] * bead.mean
    looks = [sheet, bead]
    walk = _WALK
    for _ in range(_ROUNDS):
        course = rows + inward * place
        values = sample(part, course, inward, around)
        border = Border(
            texture(values[(around < -_FAR) & (around >= -deep - _FAR)]),
            texture(values[(around > _FAR) & (around <= deep + _FAR)]),
            offsets,
            mean,
            _BLUR,
        )
        likely, shared = likelihood(values, around, states, border)
        likely = (likely + _things(values, around, states, looks[0], looks[-1])) / shared
        found = follow(likely, states, place, walk)
        walk = found.step_variance
        step = _evidence(values, around, found.place, looks)
        place = place + found.place
        profile = sample(part, rows + inward * place, inward, offsets)
        shown = profile[:, step > 0.5]
        looks = [learn(shown[far].reshape(-1, shown.shape[2])) for far in (offsets < -_FAR, offsets > _FAR)]
        mean = cut_off(shown, axis=1).mean(axis=1, dtype=np.float64)
    planted = _planted(part, rows + inward * place, inward, around, border)
    likely = likelihood(planted, around, states, border)[0] / shared
    again = follow(likely, states, place, walk)
    return Trace(place, step, again.place, offsets, profile)


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
        place = states[best_path(likely, _COST, reach=3)]
    return np.asarray(gaussian_filter1d(place, 1.0)), sheet, bead


def _temper(values: Image) -> float:
    """Pixels of grain that tell as much as one."""
    grey = values.mean(axis=2)
    grain = grey - gaussian_filter1d(grey, _GRAIN, axis=1)
    half = len(grain) // 2
    across, along = (max(alike(part, axis) for part in (grain[:half], grain[half:])) for axis in (0, 1))
    return across * along


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


def _evidence(values: Image, around: Floats, move: Floats, looks: list[Look]) -> Floats:
    """How much more likely an edge is than all sheet and than all bead, as a root, over the usual."""
    gain = fit_of(values, looks[-1]) - fit_of(values, looks[0])
    off = around[:, None] - move
    bead, sheet = np.sum(gain * (off > 0.5), axis=0), -np.sum(gain * (off < -0.5), axis=0)
    shown = np.minimum(bead / max(float(np.median(bead)), 1e-9), sheet / max(float(np.median(sheet)), 1e-9))
    return np.asarray(np.sign(shown) * np.sqrt(np.abs(shown)))


def _planted(part: Image, rows: Floats, inward: int, around: Floats, border: Border) -> Image:
    """A straight edge with the mean colours of the photo's and the textures of its bead and sheet."""
    made = np.zeros((len(around), part.shape[1], part.shape[2]), dtype=np.float32)
    share = spread_step(around, border.blur).astype(np.float32)
    for side, weight in ((-1, 1 - share), (1, share)):
        texture = sample(part, rows, inward, around + side * _ASIDE)
        texture = texture - np.median(texture, axis=1, keepdims=True)
        made += weight[:, None, None] * texture
    course = np.stack([np.interp(around, border.places, one) for one in border.mean.T], axis=1)
    return np.asarray(course[:, None, :] + made, dtype=np.float32)
