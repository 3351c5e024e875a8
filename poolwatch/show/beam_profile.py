"""Pictures of beam profiles, all at one scale: what stands beside a beam shape and its clips."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .canvas import FrameCanvas
from .palette import PANEL, bgr
from .scale_bar import draw_bar
from .ticks import digits, nice_step

SIDE = 240
"""Height and width of a profile in its picture, px."""
# What is shown reaches to where the profile has fallen to this share of its peak, and a little beyond.
_FLOOR, _MARGIN = 0.02, 1.25
# Pages show a picture half as large: its letters are then as high as theirs.
_SIZE, _STRIP = 26, 40


@dataclass(frozen=True)
class BeamProfile:
    """An intensity picture of a beam.

    Attributes
    ----------
    values
        Shape (height, width), linear in intensity.
    mm_per_px
        Size of a pixel, mm; None where it is not known.
    """

    values: NDArray[np.float64]
    mm_per_px: float | None = None


def draw_profiles(profiles: Mapping[str, BeamProfile]) -> dict[str, NDArray[np.uint8]]:
    """Each profile as a square picture, SIDE px wide, BGR, from dark to its own peak.

    Those of known scale are shown at one scale, with a bar under them; the others fill their pictures.
    """
    windows = {name: _window(profile) for name, profile in profiles.items()}
    common = max(
        (2 * half * mm for name, (_, half) in windows.items() if (mm := profiles[name].mm_per_px)),
        default=0.0,
    )
    pictures = {}
    for name, profile in profiles.items():
        (x, y), half = windows[name]
        shown = common / profile.mm_per_px if profile.mm_per_px else 2 * half
        pictures[name] = _picture(profile.values, (x, y), shown)
        if profile.mm_per_px:
            pictures[name] = np.vstack([pictures[name], _scale_bar(common)])
    return pictures


def _dark(values: NDArray[np.float64]) -> float:
    """The ground of a profile: the middle value of its rim, for a beam may fill most of its picture."""
    return float(np.median(np.concatenate([values[0], values[-1], values[:, 0], values[:, -1]])))


def _window(profile: BeamProfile) -> tuple[tuple[float, float], float]:
    """Middle of what is lit, px, and how far it reaches from there, px."""
    lit = profile.values - _dark(profile.values)
    places = np.argwhere(lit > _FLOOR * lit.max())[:, ::-1]
    if not len(places):
        places = np.array([[0, 0], [side - 1 for side in profile.values.shape[::-1]]])
    low, high = places.min(axis=0), places.max(axis=0)
    middle = (low + high) / 2
    return (float(middle[0]), float(middle[1])), _MARGIN * max(float((high - low).max()), 4.0) / 2


def _picture(values: NDArray[np.float64], middle: tuple[float, float], width: float) -> NDArray[np.uint8]:
    """The part of so many px around a middle, enlarged."""
    low, high = _dark(values), float(values.max())
    share = np.clip((values - low) / (high - low if high > low else 1.0), 0, 1)
    factor = SIDE / width
    shift = [SIDE / 2 - factor * place for place in middle]
    matrix = np.array([[factor, 0, shift[0]], [0, factor, shift[1]]])
    kind = cv2.INTER_LINEAR if factor > 1 else cv2.INTER_AREA
    grey = np.rint(255 * share).astype(np.uint8)
    turned = cv2.warpAffine(grey, matrix, (SIDE, SIDE), flags=kind, borderValue=(0.0,))
    return np.asarray(cv2.applyColorMap(turned, cv2.COLORMAP_CIVIDIS), np.uint8)


def _scale_bar(width_mm: float) -> NDArray[np.uint8]:
    """A strip with a scale bar, to be put under a picture that is so wide."""
    length = nice_step(width_mm / 6)
    strip = np.full((_STRIP, SIDE, 3), bgr(PANEL), np.uint8)
    canvas = FrameCanvas(strip, 1.0, 3, _SIZE)
    draw_bar(canvas, length / width_mm * SIDE, f"{digits(length, length)} mm", (14.0, _STRIP / 2))
    return strip
