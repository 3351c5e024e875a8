"""The axis lined up: turned along the bead, moved to its middle, drawn out to its ends."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np

from .edges import courses
from .facts import Axis, Image
from .straight import cut_strip, even_light

# Width of the bead in the reduced picture, px: enough to follow it, cheap for a large photo.
_WIDTH = 18.0
_ROUNDS = 4
# The axis found is right to so many degrees.
_MOST_TURN = 3.0
# Share of the usual contrast below which the bead has ended.
_LEAST_CONTRAST = 0.45


def line_up(light: Image, axis: Axis) -> Axis:
    """Refine an axis that was found roughly."""
    found = axis
    factor = min(1.0, _WIDTH / axis.width)
    small = cv2.resize(light, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    small = small.reshape(*small.shape[:2], -1)
    axis = _scaled(axis, factor)
    for _ in range(_ROUNDS):
        before = axis
        axis = _drawn_out(small, axis)
        if (
            abs(axis.direction_deg - before.direction_deg) < 0.05
            and abs((axis.stop - axis.start) - (before.stop - before.start)) < axis.width
        ):
            break
    lined = _scaled(axis, 1 / factor)
    turn = abs((lined.direction_deg - found.direction_deg + 90) % 180 - 90)
    # What turns that much has followed something else.
    return lined if turn < _MOST_TURN else found


def _scaled(axis: Axis, factor: float) -> Axis:
    return replace(
        axis,
        x=(axis.x + 0.5) * factor - 0.5,
        y=(axis.y + 0.5) * factor - 0.5,
        start=axis.start * factor,
        stop=axis.stop * factor,
        width=axis.width * factor,
    )


def _drawn_out(small: Image, axis: Axis) -> Axis:
    """Follow the bead along an axis half as long again at each end, and lay a new axis through it."""
    length = axis.stop - axis.start
    longer = replace(axis, start=axis.start - 0.5 * length, stop=axis.stop + 0.5 * length)
    strip = cut_strip(small, longer)
    # The features that tell the bead are learned where it was found.
    strip = replace(strip, axis=axis)
    columns = strip.light.shape[1]
    centre, half = np.zeros(columns), np.full(columns, axis.width / 2)
    upper, lower, contrast = courses(even_light(strip, centre, half), centre, half)
    middle = np.clip(np.rint(strip.rows((upper + lower) / 2)).astype(int), 0, strip.inside.shape[0] - 1)
    there = strip.inside[middle, np.arange(columns)] & (contrast > _LEAST_CONTRAST)
    known = (strip.along > axis.start) & (strip.along < axis.stop)
    if (there & known).sum() < 8:
        return axis
    there = _joined(there, known, gap=int(0.25 * length))
    at = strip.along[there]
    slope, offset = np.polyfit(at, ((upper + lower) / 2)[there], 1, w=np.clip(contrast[there], 0.1, 1))
    at_middle = (at[0] + at[-1]) / 2
    point = axis.picture(np.array(at_middle), np.array(offset + slope * at_middle))
    reach = (at[-1] - at[0]) / 2 * math.hypot(1, slope)
    turn = math.degrees(math.atan(slope))
    return Axis(float(point[0]), float(point[1]), axis.direction_deg + turn, -reach, reach, axis.width)


def _joined(there: np.ndarray, known: np.ndarray, *, gap: int) -> np.ndarray:
    """Runs that reach into what is known, or follow it after a short gap."""
    at = np.flatnonzero(there)
    runs = np.split(at, np.flatnonzero(np.diff(at) > max(gap, 3)) + 1)
    kept = np.zeros_like(there)
    for run in runs:
        if known[run].any():
            kept[run] = True
    return kept
