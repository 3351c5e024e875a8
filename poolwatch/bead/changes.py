"""What changes along the weld: gaps, hidden parts, craters at its ends, parts wider, narrower, brighter or darker."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d

from .facts import Change, Edges, Floats, Mask, Strip
from .looks import sample

# A change is this many robust standard deviations, and this share, off the usual.
_SIGMAS, _SHARE = 5.0, 0.08
# A crater is this share darker or brighter than the bead, within so many widths of an end.
_CRATER, _CRATER_WIDTHS = 0.12, 2.5


def tone_along(strip: Strip, edges: Edges) -> Floats:
    """Light of the middle of the bead over that of the sheet, a value a column, averaged over a third of the width."""
    width = float(np.median(edges.width[edges.judged]))
    places = np.arange(-0.2 * width, 0.2 * width + 0.1)
    grey = strip.light.mean(axis=2)
    middle = sample(grey, strip.rows(edges.centre), -1, places)[..., 0].mean(axis=0)
    return np.asarray(uniform_filter1d(middle.astype(np.float64), max(3, int(0.35 * width))))


def find_changes(strip: Strip, edges: Edges) -> tuple[Change, ...]:
    """Changes along the weld, in order; places in px along the axis."""
    along = strip.along
    seen = np.flatnonzero(edges.seen)
    first, last = int(seen[0]), int(seen[-1])
    width = float(np.median(edges.width[edges.judged]))
    tone = tone_along(strip, edges)
    usual = float(np.median(tone[edges.judged]))
    found = []
    for begin, end in _runs(~edges.seen[first:last]):
        if end - begin > 0.5 * width:
            part = tone[first + begin : first + end]
            # Bare sheet has the light 1; a clamp or a hand has any other.
            bare = abs(float(np.median(part)) - 1) < max(0.4 * abs(usual - 1), 0.1)
            found.append(Change("gap" if bare else "hidden", along[first + begin], along[first + end]))
    column = np.arange(len(tone))
    near_end = (column - first < _CRATER_WIDTHS * width) | (last - column < _CRATER_WIDTHS * width)
    inside = (column >= first) & (column <= last)
    pit = (
        inside & near_end & (np.abs(tone / usual - 1) > max(_CRATER, 3 * _spread(tone, edges.judged) / usual))
    )
    for begin, end in _runs(pit):
        if end - begin > 0.25 * width:
            found.append(Change("crater", along[begin], along[end - 1]))
    smooth = uniform_filter1d(edges.width, max(3, int(0.5 * width)))
    for values, more, less in ((smooth, "wide", "narrow"), (tone, "bright", "dark")):
        middle, spread = float(np.median(values[edges.judged])), _spread(values, edges.judged)
        off = values - middle
        for sign, kind in ((1, more), (-1, less)):
            high = edges.judged & (sign * off > max(_SIGMAS * spread, _SHARE * abs(middle)))
            for begin, end in _runs(high):
                if end - begin > 0.5 * width and not near_end[begin:end].all():
                    found.append(Change(kind, along[begin], along[end - 1]))
    return tuple(sorted(found, key=lambda change: change.start))


def _spread(values: Floats, where: Mask) -> float:
    part = values[where]
    return float(1.4826 * np.median(np.abs(part - np.median(part))))


def _runs(mask: Mask) -> list[tuple[int, int]]:
    """First and one past the last index of every run."""
    padded = np.concatenate([[False], mask, [False]]).astype(int)
    turns = np.diff(padded)
    return list(zip(np.flatnonzero(turns == 1).tolist(), np.flatnonzero(turns == -1).tolist(), strict=True))
