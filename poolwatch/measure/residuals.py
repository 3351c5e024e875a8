"""Frames of illuminated footage turned into pictures of what moves otherwise than the metal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..pool.coarse import Grey
from ..pool.illuminated import IlluminatedLook
from ..pool.illuminated.neighbours import SLOTS, Registering, read_neighbours, registering, window_of
from ..spatter.illuminated import BothWays, Contrast, stand_out
from ..spatter.illuminated.ground import UNIT

# Near and far neighbours, as shares of how far a window reaches.
_NEAR, _FAR = 0.3, 0.65


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
    reach = max(look.lags)
    near = max(round(_NEAR * reach), 1)
    how = registering(look, (near, max(round(_FAR * reach), near + 1)), shape)
    # The noise is that of a difference of two frames.
    return how, Contrast(0.5 * look.noise[0], 0.5 * look.noise[1], UNIT / look.full_scale)


def residuals_of(
    frames: Grey, chosen: Sequence[int] | NDArray[np.intp], how: Registering, contrast: Contrast
) -> NDArray[np.uint16]:
    """Residuals of some frames of a window.

    Parameters
    ----------
    frames
        Consecutive frames, shape (n, h, w).
    chosen
        Places in `frames` of those wanted.

    Returns
    -------
    ndarray
        Shape (chosen, h, w); see `spatter.illuminated.ground.stand_out`.
    """
    window = window_of(frames, how.lags)
    h, w = frames.shape[1:]
    near = np.empty((SLOTS, h, w), dtype=np.float32)
    out = np.empty((len(chosen), h, w), dtype=np.uint16)
    for k, index in enumerate(chosen):
        read_neighbours(window, int(index), how, near)
        stand_out(window.frames[index], near, contrast, out[k])
    return out
