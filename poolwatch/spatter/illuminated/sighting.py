"""Bright and dark things in pictures of residuals (see `ground.stand_out`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..detecting import detect
from ..facts import SpatterLook
from ..look import learn
from ..records import DARK
from ..settings import SpatterSettings
from ..visibility import smallest_diameter, usual_brightness
from .ground import FULL

# Contrast of a drawn particle where the clip shows none to go by, of full scale.
_ASSUMED = 0.2
# Residuals of one full scale are half of `FULL`.
_HALF = 0.5


@dataclass(frozen=True)
class BothWays:
    """What `learn_both` learned: the look for bright things, and that for dark ones.

    Attributes
    ----------
    bright, dark
        Grey values are those of residuals.
    """

    bright: SpatterLook
    dark: SpatterLook


def _turned(settings: SpatterSettings) -> tuple[SpatterSettings, SpatterSettings]:
    """Settings for bright and for dark things."""
    return (
        settings.model_copy(update={"polarity": "bright", "background": "learned"}),
        settings.model_copy(update={"polarity": "dark", "background": "learned"}),
    )


def learn_both(
    sample: NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]],
    settings: SpatterSettings,
    *,
    edge_sigma_px: float,
) -> BothWays:
    """Learn noise and point spread from residuals of frames spread over the clip.

    Parameters
    ----------
    sample
        Residuals, shape (n, h, w).
    outlines
        The pool's outline in each, shape (k, 2) px.
    settings
        See `SpatterSettings`; polarity and background are not asked.
    edge_sigma_px
        Spread of the pool's edge, px.
    """
    bright, dark = (
        learn(sample, full_scale=FULL, outlines=outlines, settings=each, edge_sigma_px=edge_sigma_px)
        for each in _turned(settings)
    )
    # One lens: who saw more particles knows better.
    best = min((bright, dark), key=lambda look: (look.psf_source != "found", look.psf_u_px))
    spread = {"psf_sigma_px": best.psf_sigma_px, "psf_u_px": best.psf_u_px, "psf_source": best.psf_source}
    return BothWays(replace(bright, **spread), replace(dark, **spread))  # type: ignore[arg-type]


def detect_both(
    frames: NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]],
    look: BothWays,
    settings: SpatterSettings,
) -> NDArray[np.void]:
    """Sightings in residuals, by frame, bright before dark; these are marked `DARK`.

    Parameters
    ----------
    frames
        Residuals, shape (n, h, w).
    outlines
        The pool's outline in each, shape (k, 2) px.
    """
    bright, dark = (
        detect(frames, outlines, one, each)
        for one, each in zip((look.bright, look.dark), _turned(settings), strict=True)
    )
    dark["mark"] |= DARK
    both = np.concatenate([bright, dark])
    return both[np.argsort(both["frame"], kind="stable")]


def smallest_both(
    sample: NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]],
    look: BothWays,
    settings: SpatterSettings,
) -> float:
    """Diameter at which half of the particles are tracked, px: of bright or dark ones, whichever is larger.

    Those of which the clip shows none do not count, unless it shows neither.
    """
    found, usual = [], []
    for one, each in zip((look.bright, look.dark), _turned(settings), strict=True):
        light = usual_brightness(detect(sample, outlines, one, each), one)
        usual.append(light)
        drawn = _HALF * _ASSUMED if np.isnan(light) else light
        found.append(smallest_diameter(sample, outlines, one, settings=each, brightness=drawn))
    told = [diameter for diameter, light in zip(found, usual, strict=True) if not np.isnan(light)]
    return float(np.max(told or found))
