"""Frames of illuminated footage turned into pictures of what moves otherwise than the metal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.together import Later
from ..pool.coarse import Grey
from ..pool.illuminated import IlluminatedLook, find_illuminated
from ..pool.illuminated.neighbours import (
    FARTHEST,
    SLOTS,
    Registering,
    read_neighbours,
    registering,
    window_of,
)
from ..spatter import Smallest, drawn_into
from ..spatter.illuminated import BothWays, Contrast, learn_both, smallest_both, stand_out
from ..spatter.illuminated.ground import UNIT
from .settings import MeasureSettings

# Frames of each run from which it is learned how particles are seen, and the fewest in all.
_OF_RUN, _FEWEST = 6, 8
# Every so many rows and columns tell a frame's usual brightness.
_SPARSE = 8


@dataclass(frozen=True)
class ResidualLook:
    """What it takes to see particles in illuminated footage.

    Attributes
    ----------
    how
        Which neighbours a frame is held against, and how they are registered.
    contrast
        How grey values become residuals.
    ways
        What was learned of bright and of dark things in them.
    """

    how: Registering
    contrast: Contrast
    ways: BothWays


def against_what(look: IlluminatedLook, shape: tuple[int, int]) -> tuple[Registering, Contrast]:
    """Which neighbours frames of this shape are held against, and how grey values become residuals."""
    # As far as a window reaches, so that the frames around a piece are enough.
    how = registering(look, max(max(look.lags) // FARTHEST, 1), shape)
    # The noise is that of a difference of two frames.
    read, shot = look.noise
    return how, Contrast(0.5 * read, 0.5 * shot, UNIT / look.full_scale, 0.0)


def residuals_of(
    frames: Grey, chosen: Sequence[int] | NDArray[np.intp], how: Registering, contrast: Contrast
) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """Residuals of some frames of a window, and what they are held against.

    Parameters
    ----------
    frames
        Consecutive frames, shape (n, h, w).
    chosen
        Places in `frames` of those wanted.

    Returns
    -------
    tuple
        Shape (chosen, h, w) each; see `out` and `behind` of `spatter.illuminated.ground.stand_out`.
    """
    window = window_of(frames, how.lag)
    h, w = frames.shape[1:]
    near = np.empty((SLOTS, h, w), dtype=np.float32)
    out, behind = np.empty((2, len(chosen), h, w), dtype=np.uint16)
    for k, index in enumerate(chosen):
        read_neighbours(window, int(index), how, near)
        frame = window.frames[index]
        level = float(frame[::_SPARSE, ::_SPARSE].mean())
        stand_out(frame, near, contrast._replace(level=level), out[k], behind[k])
    return out, behind


def residual_look(
    runs: Grey,
    pool: IlluminatedLook,
    rows: tuple[tuple[float, float], tuple[float, float]],
    settings: MeasureSettings,
) -> tuple[ResidualLook | None, Later[Smallest]]:
    """How particles are seen, from frames in the middle of each run; None where too few of them show the pool.

    Parameters
    ----------
    runs
        Runs of consecutive frames spread over the clip, shape (m, k, h, w).
    pool
        What was learned of the pool from them.
    rows
        What makes of image x and y the coordinates along travel and to its left.
    settings
        The settings that `pool` was learned with.

    Returns
    -------
    tuple
        The look, and what works out the smallest particle that the clip could show, px.
    """
    how, contrast = against_what(pool, runs.shape[2:])
    forward, across = rows
    _, length, _, _ = runs.shape
    inner = range(2 * how.lag, length - 2 * how.lag)
    chosen = np.unique(np.linspace(min(inner), max(inner), min(_OF_RUN, len(inner))).astype(np.intp))
    seen, outlines = list[tuple[NDArray[np.uint16], NDArray[np.uint16]]](), []
    for run in runs:
        pools = [
            found
            for k in chosen
            for found in find_illuminated(
                run, int(k), 1, pool, forward=forward, across=across, settings=settings.pool
            )
        ]
        good = [k for k, found in enumerate(pools) if found.status == "ok"]
        seen.append(residuals_of(run, chosen[good], how, contrast))
        outlines += [pools[k].vertices for k in good]
    sample, behind = (np.concatenate(each) for each in zip(*seen, strict=True))
    if len(sample) < _FEWEST:
        return None, Later(_unknown)
    spatter = settings.spatter
    ways = learn_both(
        sample, outlines, spatter, edge_sigma_px=pool.evidence.sigma, contrast=contrast, behind=behind
    )
    some = drawn_into(len(sample))
    frames, around = sample[some], [outlines[k] for k in some]
    return ResidualLook(how, contrast, ways), Later(lambda: smallest_both(frames, around, ways, spatter))


def _unknown() -> Smallest:
    return Smallest(math.nan, math.nan, math.nan)
