"""A drawn photo of a finished weld: what lies in it, and scenes drawn at random from wide ranges.

Lengths are in px of the photo before it is tilted; tones are fractions of full scale, linear in light.
"""

from __future__ import annotations

import math
from typing import Any, Literal

import numpy as np
from pydantic import Field

from poolwatch.model.settings import Settings


class Bead(Settings):
    """The weld bead.

    Attributes
    ----------
    length, width
        End to end, and mean distance of its edges.
    undulation
        Largest sideways departure of the centre line, slower than the waviness.
    edge_rms, edge_wavelength
        Waviness of each edge, and the wavelength below which it fades.
    tone
        Brightness over that of the sheet; 1 = alike.
    tint
        Colour over the sheet's (red, green, blue).
    grain, grain_size
        Roughness: relative standard deviation and correlation length.
    crown
        Relative change of brightness from one edge to the other: light from the side.
    toe
        Depth of the dark line along the inside of each edge, relative.
    ripple_spacing, ripple_depth
        Mean spacing of the ripples (0 = smooth) and their relative amplitude.
    ripple_scatter
        Relative standard deviation of single spacings.
    ripple_lag
        How far a ripple trails at the edge behind its middle, in bead widths.
    start_crater, end_crater
        Relative darkness of a pit at each end; 0 = none.
    gap
        Length without bead in the middle.
    """

    length: float = Field(gt=0)
    width: float = Field(gt=0)
    undulation: float = Field(default=0.0, ge=0)
    edge_rms: float = Field(default=1.0, ge=0)
    edge_wavelength: float = Field(default=20.0, gt=0)
    tone: float = Field(default=1.4, gt=0)
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    grain: float = Field(default=0.03, ge=0)
    grain_size: float = Field(default=1.0, gt=0)
    crown: float = 0.0
    toe: float = Field(default=0.0, ge=0, lt=1)
    ripple_spacing: float = Field(default=0.0, ge=0)
    ripple_depth: float = Field(default=0.0, ge=0)
    ripple_scatter: float = Field(default=0.03, ge=0, lt=0.5)
    ripple_lag: float = Field(default=0.2, ge=0)
    start_crater: float = Field(default=0.0, ge=0, lt=1)
    end_crater: float = Field(default=0.0, ge=0, lt=1)
    gap: float = Field(default=0.0, ge=0)


class Sheet(Settings):
    """The sheet beside it, and what was done to it.

    Attributes
    ----------
    tone, tint
        Brightness, and colour (red, green, blue).
    grain, grain_size
        Roughness, as of the bead.
    rolling, rolling_deg, rolling_length
        Rolling marks: relative standard deviation, direction to the weld, length of a streak.
    scratches
        Their number.
    heat_tint
        Depth of the coloured bands beside the bead, relative.
    deposits, deposit_least, deposit_most
        Number of particles stuck to it, and their range of diameters.
    """

    tone: float = Field(default=0.3, gt=0, lt=1)
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    grain: float = Field(default=0.02, ge=0)
    grain_size: float = Field(default=1.0, gt=0)
    rolling: float = Field(default=0.02, ge=0)
    rolling_deg: float = 0.0
    rolling_length: float = Field(default=60.0, gt=0)
    scratches: int = Field(default=0, ge=0)
    heat_tint: float = Field(default=0.0, ge=0, lt=1)
    deposits: int = Field(default=0, ge=0)
    deposit_least: float = Field(default=4.0, gt=0)
    deposit_most: float = Field(default=14.0, gt=0)


class Clutter(Settings):
    """What else lies in the picture: ruler, clamps, marker pen, the table beyond the sheet."""

    ruler: bool = False
    ruler_pitch: float = Field(default=20.0, gt=0)
    clamps: int = Field(default=0, ge=0, le=2)
    ink: int = Field(default=0, ge=0)
    table: bool = False


class PhotoCamera(Settings):
    """Light and camera.

    Attributes
    ----------
    shading
        Relative fall of the light across the picture.
    glare
        Brightness of a blurred reflection, over full scale.
    blur
        Standard deviation of the point spread.
    noise
        Standard deviation of the noise at mid-grey, fraction of full scale.
    colour
        Colour or grey.
    tilt_deg, tilt_axis_deg
        Angle between sheet and picture plane, and the direction of the axis in the picture.
    jpeg
        Quality, 0 = without loss.
    """

    shading: float = Field(default=0.2, ge=0, lt=1)
    glare: float = Field(default=0.0, ge=0)
    blur: float = Field(default=0.9, gt=0.2)
    noise: float = Field(default=0.008, ge=0)
    colour: bool = True
    tilt_deg: float = Field(default=0.0, ge=0, lt=60)
    tilt_axis_deg: float = 0.0
    jpeg: int = Field(default=92, ge=0, le=100)


class WeldScene(Settings):
    """One drawn photo of a weld.

    Attributes
    ----------
    seed
        Of everything random in the drawing.
    width_px, height_px
        Size of the picture.
    direction_deg
        Direction of the weld in the picture, counter-clockwise, 0 = right.
    centre
        Where the middle of the weld lies, as shares of the picture.
    mm_per_px
        Size of a pixel (at the middle of the picture where it is tilted).
    """

    seed: int
    width_px: int = Field(ge=64)
    height_px: int = Field(ge=64)
    direction_deg: float = 0.0
    centre: tuple[float, float] = (0.5, 0.5)
    mm_per_px: float = Field(gt=0)
    bead: Bead
    sheet: Sheet = Sheet()
    clutter: Clutter = Clutter()
    camera: PhotoCamera = PhotoCamera()


Kind = Literal["brighter", "darker", "rougher", "tinted"]


def random_weld(seed: int, *, rippled: bool | None = None, kind: Kind | None = None) -> WeldScene:
    """Draw a scene from wide ranges.

    Parameters
    ----------
    seed
        Another for each scene.
    rippled
        Whether the bead has ripples that an eye sees; by chance where not given.
    kind
        How the bead differs from the sheet; by chance where not given.
    """
    rng = np.random.default_rng([7_024_001, seed])
    kinds: tuple[Kind, ...] = ("brighter", "darker", "rougher", "tinted")
    kind = kind or kinds[int(rng.choice(4, p=[0.35, 0.35, 0.1, 0.2]))]
    rippled = bool(rng.random() < 0.6) if rippled is None else rippled
    length_mm, width_mm = rng.uniform(20, 100), float(np.exp(rng.uniform(math.log(0.8), math.log(4.0))))
    width = float(np.exp(rng.uniform(math.log(24), math.log(120))))
    length = min(length_mm / (width_mm / width), 2600.0)
    length = max(length, 6 * width)
    mm_per_px = length_mm / length
    width = max(20.0, width_mm / mm_per_px) if length == 2600.0 else width
    blur = float(rng.uniform(0.6, 1.7))
    bead = _bead(rng, kind, rippled, length, width, blur)
    direction = float(rng.choice([0.0, 90.0], p=[0.8, 0.2]) + rng.uniform(-12, 12))
    sheet = _sheet(rng)
    around = max(3.5 * width, 160.0)
    long = length + 2 * rng.uniform(0.8, 2.5) * width + 60
    angle = math.radians(direction)
    wide = int(abs(long * math.cos(angle)) + abs(2 * around * math.sin(angle)))
    high = int(abs(long * math.sin(angle)) + abs(2 * around * math.cos(angle)))
    tilted = rng.random() < 0.2
    return WeldScene(
        seed=seed,
        width_px=wide,
        height_px=high,
        direction_deg=direction,
        centre=(0.5 + rng.uniform(-0.01, 0.01), 0.5 + rng.uniform(-0.03, 0.03)),
        mm_per_px=mm_per_px,
        bead=bead,
        sheet=sheet,
        clutter=Clutter(
            ruler=rng.random() < 0.4,
            ruler_pitch=max(6.0, 1.0 / mm_per_px),
            clamps=int(rng.integers(0, 3)),
            ink=int(rng.integers(0, 4)),
            table=rng.random() < 0.3,
        ),
        camera=PhotoCamera(
            shading=rng.uniform(0, 0.5),
            glare=float(rng.random() < 0.4) * rng.uniform(0.1, 0.8),
            blur=blur,
            noise=rng.uniform(0.003, 0.015),
            colour=kind == "tinted" or rng.random() < 0.65,
            tilt_deg=rng.uniform(5, 35) if tilted else 0.0,
            tilt_axis_deg=rng.uniform(0, 180),
            jpeg=int(rng.choice([0, 75, 85, 92, 97])),
        ),
    )


def _sheet(rng: np.random.Generator) -> Sheet:
    return Sheet(
        tone=rng.uniform(0.15, 0.5),
        tint=_tint(rng, 0.06),
        grain=rng.uniform(0.005, 0.03),
        grain_size=rng.uniform(0.6, 1.6),
        rolling=rng.uniform(0.0, 0.05),
        rolling_deg=float(rng.choice([0.0, 90.0]) + rng.uniform(-8, 8)),
        rolling_length=rng.uniform(20, 200),
        scratches=int(rng.integers(0, 12)),
        heat_tint=float(rng.random() < 0.5) * rng.uniform(0.05, 0.3),
        deposits=int(rng.integers(0, 60)),
        deposit_most=rng.uniform(8, 20),
    )


def _bead(
    rng: np.random.Generator, kind: Kind, rippled: bool, length: float, width: float, blur: float
) -> Bead:
    tone = {
        "brighter": rng.uniform(1.3, 2.2),
        "darker": rng.uniform(0.35, 0.78),
        "rougher": rng.uniform(0.98, 1.02),
        "tinted": rng.uniform(0.9, 1.1),
    }[kind]
    wavelength = float(np.exp(rng.uniform(math.log(10), math.log(max(60.0, width)))))
    # An edge that is steeper than this is no edge any more, but a row of drops.
    roughest = min(max(0.06 * width, 1.0), 0.1 * wavelength)
    values: dict[str, Any] = {
        "length": length,
        "width": width,
        "undulation": rng.uniform(0, 0.25) * width,
        "edge_rms": float(np.exp(rng.uniform(math.log(0.25), math.log(roughest)))),
        "edge_wavelength": wavelength,
        "tone": tone,
        "tint": _tint(rng, 0.25 if kind == "tinted" else 0.05),
        "grain": rng.uniform(0.12, 0.3) if kind == "rougher" else rng.uniform(0.02, 0.12),
        "grain_size": rng.uniform(0.6, 1.6),
        "crown": rng.uniform(-0.3, 0.3),
        "toe": float(rng.random() < 0.3) * rng.uniform(0.1, 0.4),
        "start_crater": float(rng.random() < 0.4) * rng.uniform(0.2, 0.6),
        "end_crater": float(rng.random() < 0.5) * rng.uniform(0.2, 0.6),
    }
    if rippled:
        least = max(5.0, 4.5 * blur)
        values |= {
            "ripple_spacing": float(
                np.exp(rng.uniform(math.log(least), math.log(max(1.3 * least, 0.5 * width))))
            ),
            "ripple_depth": rng.uniform(0.08, 0.3),
            "ripple_scatter": rng.uniform(0.0, 0.15),
            "ripple_lag": rng.uniform(0.0, 0.5),
        }
    return Bead(**values)


def _tint(rng: np.random.Generator, most: float) -> tuple[float, float, float]:
    """A colour of brightness 1 whose channels differ by up to `most`; at least half of it where it is the only mark."""
    turn = rng.uniform(0, 2 * math.pi)
    size = most * (rng.uniform(0.6, 1.0) if most > 0.2 else rng.uniform(0, 1))
    red, green, blue = (1 + size * math.cos(turn + k * 2 * math.pi / 3) for k in range(3))
    mean = 0.3 * red + 0.59 * green + 0.11 * blue
    return red / mean, green / mean, blue / mean
