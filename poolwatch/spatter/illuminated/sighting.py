"""Bright and dark things in pictures of residuals (see `ground.stand_out`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..detecting import detect
from ..facts import SpatterLook
from ..look import learn
from ..point_spread import NARROWER, lens_spread
from ..records import DARK
from ..settings import SpatterSettings
from ..visibility import Smallest, smallest_particle, usual_brightness
from .ground import FULL, MIDDLE, UNIT, Contrast

# How much wider than in glowing footage the rim is that is not searched, px.
_WIDER = 1.5
# Contrast of a drawn particle where the clip shows none to go by, of full scale.
_ASSUMED = 0.2
# Share of the clear bright things, those so many times above the level, beside which a dark one lies within so many px
# of touching, for the clip to have shadows.
_SHADED, _CLEAR, _TOUCH = 0.25, 2.0, 3.0
# The pool's edge tells the point spread to this share (rms over 12 clips drawn at random, by two generators: 0.05).
_UNSURE = 0.07
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
    """Settings for bright and for dark things: an outline against lit metal is less sharp, so more rim is left out."""
    both = {"background": "learned", "pool_margin_px": settings.pool_margin_px + _WIDER}
    bright, dark = (settings.model_copy(update={**both, "polarity": sign}) for sign in ("bright", "dark"))
    return bright, dark


def learn_both(
    sample: NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]],
    settings: SpatterSettings,
    *,
    edge_sigma_px: float,
    contrast: Contrast,
    behind: NDArray[np.uint16],
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
    contrast
        How grey values became residuals.
    behind
        What they were held against, shape as theirs (see `ground.stand_out`).
    """
    bright, dark = (
        learn(
            sample,
            full_scale=FULL,
            outlines=outlines,
            settings=each,
            edge_sigma_px=edge_sigma_px,
            behind=behind,
        )
        for each in _turned(settings)
    )
    # One lens: who saw more particles knows better. A disc beside its shadow has too steep an edge.
    best = min((bright, dark), key=lambda look: (look.psf_source != "found", look.psf_u_px))
    lens = lens_spread(edge_sigma_px)
    told = NARROWER * lens < best.psf_sigma_px < lens / NARROWER
    if settings.psf_sigma_px is None and (
        not told or _shaded(sample, outlines, BothWays(bright, dark), settings)
    ):
        best = replace(best, psf_sigma_px=lens, psf_u_px=_UNSURE * lens, psf_source="pool_edge")
    bright, dark = _noise(bright, contrast), _noise(dark, contrast)
    spread = {"psf_sigma_px": best.psf_sigma_px, "psf_u_px": best.psf_u_px, "psf_source": best.psf_source}
    return BothWays(replace(bright, **spread), replace(dark, **spread))  # type: ignore[arg-type]


def _shaded(
    sample: NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]],
    look: BothWays,
    settings: SpatterSettings,
) -> bool:
    """Whether many bright things of a sample touch a dark one."""
    bright, dark = (
        detect(sample, outlines, one, each, fitted=False)
        for one, each in zip((look.bright, look.dark), _turned(settings), strict=True)
    )
    bright = bright[bright["signal"] > _CLEAR * look.bright.detection_level]
    touched = 0
    for one in bright:
        near = dark[dark["frame"] == one["frame"]]
        reach = 2.0 * (np.sqrt(np.maximum(near["spread"], 0)) + np.sqrt(max(float(one["spread"]), 0)))
        touched += bool((np.hypot(near["x"] - one["x"], near["y"] - one["y"]) < reach + _TOUCH).any())
    return touched > _SHADED * len(bright)


def _noise(look: SpatterLook, contrast: Contrast) -> SpatterLook:
    """Noise of a residual: at 0 as the sample shows it; from there on it grows with brightness as that of the camera.

    A sample of residuals is nowhere far from 0, and cannot say how noise grows.
    """
    usual = look.read + look.shot * MIDDLE
    shot = min(contrast.shot * contrast.scale, usual / UNIT)
    return replace(look, read=usual - shot * MIDDLE, shot=shot)


def detect_both(
    frames: NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]],
    look: BothWays,
    settings: SpatterSettings,
    behind: NDArray[np.uint16],
) -> NDArray[np.void]:
    """Sightings in residuals, by frame, bright before dark; these are marked `DARK`.

    Parameters
    ----------
    frames
        Residuals, shape (n, h, w).
    outlines
        The pool's outline in each, shape (k, 2) px.
    behind
        What they were held against, shape as theirs (see `ground.stand_out`).
    """
    bright, dark = (
        detect(frames, outlines, one, each, behind=behind)
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
) -> Smallest:
    """The smallest particle that is tracked and can be sized: of bright or dark ones, whichever is larger.

    Those of which the clip shows none do not count, unless it shows neither.
    """
    found, usual = [], []
    for one, each in zip((look.bright, look.dark), _turned(settings), strict=True):
        light = usual_brightness(detect(sample, outlines, one, each), one)
        usual.append(light)
        drawn = _HALF * _ASSUMED if np.isnan(light) else light
        found.append(smallest_particle(sample, outlines, one, settings=each, brightness=drawn))
    told = [one for one, light in zip(found, usual, strict=True) if not np.isnan(light)]
    # What is not known is largest of all.
    most = max(told or found, key=lambda one: np.inf if np.isnan(one.diameter_px) else one.diameter_px)
    return most._replace(brightness=most.brightness / _HALF)
