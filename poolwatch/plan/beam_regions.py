"""Share of the power in core, ring and tail: regions given, or found in the picture.

A picture misleads the eye: a ring has many times the area of its core, so half of the power may sit in a ring that
looks faint.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..model.errors import UsageError
from .beam_moments import Moments
from .beam_ring import find_ring, radial_profile, radii
from .beam_tail import find_tail

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class GivenRegions:
    """Regions given by the user, in px; None where they are to be found or are not there.

    Attributes
    ----------
    centre
        (x, y); None: the centroid.
    core_diameter
        Of the core.
    ring
        Inner and outer diameter of the ring.
    tail_from, tail_angle_deg
        The tail is what lies further than so far from the centre in this direction (degrees counter-clockwise as
        seen, 0 = right), outside core and ring.
    """

    centre: tuple[float, float] | None = None
    core_diameter: float | None = None
    ring: tuple[float, float] | None = None
    tail_from: float | None = None
    tail_angle_deg: float | None = None

    @property
    def given(self) -> bool:
        """Whether any region is given."""
        return self.core_diameter is not None or self.ring is not None or self.tail_from is not None


@dataclass(frozen=True)
class Shares:
    """Where the power is; lengths in px, NaN where there is none or it could not be found.

    Attributes
    ----------
    core, ring, tail, rest
        Shares of the power, 0 to 1.
    core_diameter
        Second-moment diameter of the core's part; of a core given, its diameter.
    ring_diameter, ring_width
        Middle diameter of the ring and the width of its band at half of its height; of a ring given, as given.
    tail_length
        From the core's centre to where 95 % of the tail's power lies before.
    tail_angle_deg
        Direction of the tail from the core, degrees counter-clockwise as seen, 0 = right.
    how
        ``given``, or what was found, in words.
    notes
        What to know.
    """

    core: float
    ring: float
    tail: float
    rest: float
    core_diameter: float = math.nan
    ring_diameter: float = math.nan
    ring_width: float = math.nan
    tail_length: float = math.nan
    tail_angle_deg: float = math.nan
    how: str = ""
    notes: tuple[str, ...] = ()


def power_shares(image: Floats, moments: Moments, regions: GivenRegions | None = None) -> Shares:
    """Shares of the power.

    Parameters
    ----------
    image
        Shape (height, width).
    moments
        Of this picture.
    regions
        Given regions; None or empty: a ring around the centroid, else a tail to one side, is looked for.

    Raises
    ------
    UsageError
        The regions given overlap, are empty, or are outside the picture.
    """
    light = image - moments.background
    if regions is not None and regions.given:
        return _given(light, moments, regions)
    ring = find_ring(light, moments)
    if ring is not None:
        return Shares(
            ring.core_share,
            1 - ring.core_share,
            0.0,
            0.0,
            core_diameter=ring.core_diameter,
            ring_diameter=ring.diameter,
            ring_width=ring.width,
            how="core and ring found" if ring.core_share > 0.005 else "ring found, no core",
            notes=ring.notes,
        )
    tail = find_tail(light, moments)
    if tail is not None:
        return Shares(
            1 - tail.share,
            0.0,
            tail.share,
            0.0,
            core_diameter=tail.core_diameter,
            tail_length=tail.length,
            tail_angle_deg=tail.angle_deg,
            how="core and tail found",
            notes=(
                "the core is fitted as a round spot on the side away from the tail; what is more is the tail",
            ),
        )
    return _one_spot(light, moments)


def _one_spot(light: Floats, moments: Moments) -> Shares:
    """All of the power in one spot, where it is one: nowhere brighter than in its middle."""
    r = radii(light.shape, moments)
    radius, profile, pixels = radial_profile(light, r, 1.5 * math.sqrt(moments.major * moments.minor))
    inner = radius <= moments.minor / 8
    middle = float((profile * pixels)[inner].sum() / pixels[inner].sum())
    error = 4 * moments.noise / np.sqrt(pixels)
    if np.all(profile[~inner] - error[~inner] <= 1.1 * middle):
        whole = Shares(1.0, 0.0, 0.0, 0.0, how="one spot: neither ring nor tail found")
        return replace(whole, core_diameter=math.sqrt(moments.major * moments.minor))
    nothing = math.nan
    return Shares(
        nothing,
        nothing,
        nothing,
        nothing,
        how="neither a spot, nor a ring, nor a tail",
        notes=(
            "a shape such as two spots or a crescent is not split by guessing: its shares stay empty, its widths and "
            "axis hold. For shares give the regions (--core, --ring, --tail-from)",
        ),
    )


def _given(light: Floats, moments: Moments, regions: GivenRegions) -> Shares:
    height, width = light.shape
    x, y = regions.centre or (moments.x, moments.y)
    if not (0 <= x < width and 0 <= y < height):
        raise UsageError(f"the centre {x:g}, {y:g} is outside the picture of {width} x {height} px")
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float64)
    r = np.hypot(xx - x, yy - y)
    core, ring, tail = np.zeros(light.shape), np.zeros(light.shape), np.zeros(light.shape)
    if regions.core_diameter is not None:
        core = _disc(r, regions.core_diameter / 2)
    if regions.ring is not None:
        inner, outer = regions.ring
        if not 0 <= inner < outer:
            raise UsageError(
                f"a ring from {inner:g} to {outer:g} px is none; give the inner, then the outer diameter"
            )
        if regions.core_diameter is not None and inner < regions.core_diameter - 1e-9:
            raise UsageError(
                f"the ring begins at {inner:g} px, within the core of {regions.core_diameter:g} px; they must not "
                "overlap"
            )
        ring = _disc(r, outer / 2) - _disc(r, inner / 2)
    if regions.tail_from is not None:
        if regions.tail_angle_deg is None:
            raise UsageError("a tail needs its direction: give the travel direction, or its angle")
        angle = math.radians(regions.tail_angle_deg)
        behind = (xx - x) * math.cos(angle) + (y - yy) * math.sin(angle)
        tail = np.clip(behind - regions.tail_from + 0.5, 0, 1) * np.clip(1 - core - ring, 0, 1)
    total = np.where(moments.window, light, 0.0).sum()
    of_core, of_ring, of_tail = (
        float((np.where(moments.window, light, 0.0) * mask).sum() / total) for mask in (core, ring, tail)
    )
    return Shares(
        of_core,
        of_ring,
        of_tail,
        1 - (of_core + of_ring + of_tail),
        core_diameter=regions.core_diameter if regions.core_diameter is not None else math.nan,
        ring_diameter=sum(regions.ring) / 2 if regions.ring is not None else math.nan,
        ring_width=(regions.ring[1] - regions.ring[0]) / 2 if regions.ring is not None else math.nan,
        tail_length=_reach(light * tail * moments.window, xx, yy, x, y, regions) if of_tail > 0 else math.nan,
        tail_angle_deg=regions.tail_angle_deg
        if regions.tail_from is not None and regions.tail_angle_deg is not None
        else math.nan,
        how="regions given",
    )


def _disc(r: Floats, radius: float) -> Floats:
    """Share of each pixel within a circle, its edge taken as straight."""
    return np.clip(radius - r + 0.5, 0.0, 1.0)


def _reach(light: Floats, xx: Floats, yy: Floats, x: float, y: float, regions: GivenRegions) -> float:
    """Distance from the centre within which 95 % of the tail's power lies."""
    angle = math.radians(regions.tail_angle_deg or 0.0)
    return reach_of(light, (xx - x) * math.cos(angle) + (y - yy) * math.sin(angle))


def reach_of(light: Floats, along: Floats) -> float:
    """Distance along an axis within which 95 % of the light lies."""
    order = np.argsort(along, axis=None)
    power = np.cumsum(light.ravel()[order])
    place = int(np.argmax(power >= 0.95 * power[-1]))
    return float(along.ravel()[order][place])
