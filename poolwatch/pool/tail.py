"""Whether an outline's ends are wide enough for the blur to leave them where they are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .coarse import Grey, sixteen
from .profiles import falls_along

# An end is looked at as far in as this many times the spread of the edge.
_DEPTH = 3.0
# An end narrower there than this many times the spread is cut short, by a third of the spread and more. On simulated
# pools of eight shapes and scales the end is missing 0.1 spreads at a width of 7, 0.3 at 5.5, 1 at 4.3.
NARROW = 5.5
# An end whose step is lower than this, relative to the usual one: on 17 simulated clips with hot trails the length was
# within 0.2 px at 0.37 and more (scatter 0.8 px where ripples of 10 % and plume came together), and at 0.31 and less by
# up to 12 px off, but where nothing rippled (0.24: 0.1 px).
FAINT = 0.33
# A bead or plume as bright as the pool, or at full scale with it, hides its edge: over 280 simulated clips drawn at
# random the sharpness at such an end was 0.31 and less (length up to 70 px off), or a fifth of the outline and more lay
# on a slope (width up to 40 px off); where neither bead nor plume nor halo came near full scale it was 0.74 and more,
# and under 1 %.
SHARP = 0.33
SOFT = 0.2
# Between that and this a step is seen, but part of it is the bead's.
_CLEAR = 0.6


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


@dataclass(frozen=True)
class EdgeSharpness:
    """How the brightness falls at a pool's ends and along its outline; NaN without outline.

    Attributes
    ----------
    step
        Usual step at the end where it is lower, relative to that all round.
    sharpness
        Share of what falls at that end that the blur does not go on with: 1 for a step, 0 for an even slope.
    soft
        Share of the outline that falls off on a slope rather than a step.
    """

    step: float = math.nan
    sharpness: float = math.nan
    soft: float = math.nan

    @property
    def unseen(self) -> bool:
        """Whether an end, or much of the outline, lies in a slope: what glows behind it hides the pool's edge."""
        return self.sharpness < SHARP or self.soft > SOFT

    @property
    def faint(self) -> bool:
        """Whether an end's step is so low that ripples may hide it, or part of the outline is on a slope."""
        return self.step < FAINT or self.sharpness < _CLEAR or self.soft > SOFT / 2


def edges_of(
    frames: Grey,
    outlines: Sequence[NDArray[np.floating]],
    along: tuple[float, float],
    sigma: float,
) -> EdgeSharpness:
    """How the brightness falls across outlines, medians over frames.

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

    Notes
    -----
    The blur spreads a step over two spreads and 1 px either way. A bead that fades, or one that leaves full scale,
    falls as far again over the same length beyond; clipping takes the inner part of a step away, never what lies
    beyond.
    """
    steps, sharp, soft = [], [], []
    for frame, outline in zip(frames, outlines, strict=True):
        if len(outline) < 8:
            continue
        points = outline.astype(np.float64)
        step, beyond = falls_along(sixteen(frame), points[:, 0].copy(), points[:, 1].copy(), sigma)
        usual = float(np.median(step))
        if usual <= 0:
            continue
        place = points @ np.array(along)
        ends = [end <= _DEPTH * sigma for end in (place - place.min(), place.max() - place)]
        steps.append(min(float(np.median(step[end])) for end in ends) / usual)
        excess = step - beyond
        sharp.append(min(float(np.median(excess[end]) / max(np.median(step[end]), 1e-9)) for end in ends))
        soft.append(float(np.mean(excess < 0.5 * step)))
    if not steps:
        return EdgeSharpness()
    return EdgeSharpness(float(np.median(steps)), float(np.median(sharp)), float(np.median(soft)))
