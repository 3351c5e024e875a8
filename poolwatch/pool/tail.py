"""Whether an outline's ends are wide enough for the blur to leave them where they are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .coarse import Grey, sixteen
from .profiles import steps_along

# An end is looked at as far in as this many times the spread of the edge.
_DEPTH = 3.0
# An end narrower there than this many times the spread is cut short, by a third of the spread and more. On simulated
# pools of eight shapes and scales the end is missing 0.1 spreads at a width of 7, 0.3 at 5.5, 1 at 4.3.
NARROW = 5.5
# An end whose step is lower than this, relative to the usual one: on 17 simulated clips with hot trails the length was
# within 0.2 px at 0.37 and more (scatter 0.8 px where ripples of 10 % and plume came together), and at 0.31 and less by up
# to 12 px off, but where nothing rippled (0.24: 0.1 px).
FAINT = 0.33


def end_width(
    outlines: Sequence[NDArray[np.floating]],
    along: tuple[float, float],
    across: tuple[float, float],
    sigma: float,
) -> float:
    """Usual width of the narrower end of a pool, in spreads of its edge; NaN where there is no outline.

    Parameters
    ----------
    outlines
        Closed outlines, shape (k, 2), image px.
    along, across
        What makes of image x and y the coordinates along travel and to its left, px.
    sigma
        Spread of the edge, px.
    """
    widths = []
    for outline in outlines:
        if len(outline) < 8:
            continue
        x, y = outline @ np.array(along), outline @ np.array(across)
        widths.append(min(_width(x - x.min(), y, sigma), _width(x.max() - x, y, sigma)))
    return float(np.median(widths)) / sigma if widths else float("nan")


def _width(depth: NDArray[np.floating], y: NDArray[np.floating], sigma: float) -> float:
    """Width of a closed outline where it is `_DEPTH` spreads deep, px."""
    behind = depth - _DEPTH * sigma
    ahead, next_y = np.roll(behind, -1), np.roll(y, -1)
    crosses = (behind < 0) != (ahead < 0)
    if crosses.sum() < 2:
        return float("inf")
    share = behind[crosses] / (behind[crosses] - ahead[crosses])
    return float(np.ptp(y[crosses] + share * (next_y - y)[crosses]))


def end_step(
    frames: Grey,
    outlines: Sequence[NDArray[np.floating]],
    along: tuple[float, float],
    sigma: float,
) -> float:
    """Usual step of brightness at the end of a pool where it is lower, relative to that all round; NaN without outline.

    Parameters
    ----------
    frames
        Grey values, shape (n, h, w).
    outlines
        The closed outline in each of them, shape (k, 2), image px.
    along
        What makes of image x and y the coordinate along travel, px.
    sigma
        Spread of the pool's edge, px.
    """
    shares = []
    for frame, outline in zip(frames, outlines, strict=True):
        if len(outline) < 8:
            continue
        points = outline.astype(np.float64)
        step = steps_along(sixteen(frame), points[:, 0].copy(), points[:, 1].copy(), sigma)
        usual = float(np.median(step))
        place = points @ np.array(along)
        ends = (place - place.min(), place.max() - place)
        if usual > 0:
            shares.append(min(float(np.median(step[end <= _DEPTH * sigma])) for end in ends) / usual)
    return float(np.median(shares)) if shares else float("nan")
