"""What is known of a weld bead in a photo, step by step."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Axis:
    """The straight line along a bead in the picture.

    Attributes
    ----------
    x, y
        A point on it, px.
    direction_deg
        Its direction, counter-clockwise as seen, 0 = right.
    start, stop
        Where along it the bead begins and ends, px from the point.
    width
        About how wide the bead is, px.
    """

    x: float
    y: float
    direction_deg: float
    start: float
    stop: float
    width: float

    @property
    def along(self) -> Floats:
        """Unit vector along the bead, image (x, y)."""
        angle = math.radians(self.direction_deg)
        return np.array([math.cos(angle), -math.sin(angle)])

    @property
    def left(self) -> Floats:
        """Unit vector to the left of it, image (x, y)."""
        angle = math.radians(self.direction_deg)
        return np.array([-math.sin(angle), -math.cos(angle)])

    def picture(self, along: Floats, left: Floats) -> Floats:
        """Places along and to the left of the axis, px, as image points (..., 2)."""
        s, n = np.asarray(along, dtype=np.float64), np.asarray(left, dtype=np.float64)
        return np.asarray(np.array([self.x, self.y]) + s[..., None] * self.along + n[..., None] * self.left)


@dataclass(frozen=True)
class Strip:
    """The picture around a bead, turned so that the bead runs to the right.

    Attributes
    ----------
    light
        Shape (rows, columns, channels): light over that of the sheet beside the bead.
    axis
        The line that it was cut along.
    first_along
        Place along the axis of column 0, px; columns are one px apart.
    first_left
        Place to the left of the axis of row 0, px; it falls by one a row.
    inside
        Shape (rows, columns): pixels that lie in the picture.
    """

    light: Image
    axis: Axis
    first_along: float
    first_left: float
    inside: Mask

    @property
    def along(self) -> Floats:
        """Place along the axis of every column, px."""
        return np.asarray(self.first_along + np.arange(self.light.shape[1]))

    def rows(self, left: Floats) -> Floats:
        """Rows of places to the left of the axis."""
        return np.asarray(self.first_left - np.asarray(left))


@dataclass(frozen=True)
class Edge:
    """One edge of the bead, a value a column of the strip.

    Attributes
    ----------
    left
        Place to the left of the axis, px.
    step
        Height of the step found there, over the usual one.
    noise
        What the same search finds where the photo's own textures meet along the edge found, px to the left of that.
    blur
        Standard deviation of the edge's spread, px.
    bias_u
        Standard uncertainty of where in the spread the edge lies, px.
    """

    left: Floats
    step: Floats
    noise: Floats
    blur: float
    bias_u: float


@dataclass(frozen=True)
class Edges:
    """Both edges of a bead.

    Attributes
    ----------
    left, right
        The edges.
    seen
        Shape (columns,): both edges are seen.
    judged
        The same without the ends of the weld.
    by_texture
        Whether the bead differs from the sheet by its roughness alone.
    """

    left: Edge
    right: Edge
    seen: Mask
    judged: Mask
    by_texture: bool

    @property
    def centre(self) -> Floats:
        """Middle between the edges, px to the left of the axis."""
        return np.asarray((self.left.left + self.right.left) / 2)

    @property
    def width(self) -> Floats:
        """Distance between the edges, px."""
        return np.asarray(self.left.left - self.right.left)


@dataclass(frozen=True)
class Waviness:
    """Departure of the edges from their slow course, noise taken out.

    Attributes
    ----------
    rms
        Over both edges, px; NaN where noise hides it.
    noise
        What noise alone would give, px.
    """

    rms: float
    noise: float


@dataclass(frozen=True)
class Ripples:
    """Ripples of a bead.

    Attributes
    ----------
    spacing, spacing_u
        Mean spacing along the bead and its standard uncertainty, px; NaN where none stands out.
    order
        0 irregular to 1 regular: how much of the phase is kept from one ripple to the next.
    phase
        Shape (columns,): phase of the ripples at the middle of the bead, rad; NaN outside.
    trail
        Rows of (place across in half widths from the right edge -1 to the left 1, px that a ripple trails there).
    """

    spacing: float
    spacing_u: float
    order: float
    phase: Floats
    trail: Floats


@dataclass(frozen=True)
class Deposits:
    """Particles stuck to the sheet beside the bead.

    Attributes
    ----------
    x, y, diameter
        Shape (n,): places in the picture and diameter of the disc of the same area, px.
    belt
        How far from the edges they were looked for on each side, px.
    belt_seen
        Share of that belt that could be searched.
    """

    x: Floats
    y: Floats
    diameter: Floats
    belt: float
    belt_seen: float


@dataclass(frozen=True)
class Change:
    """A part of the weld that differs from the rest.

    Attributes
    ----------
    kind
        ``gap``, ``hidden``, ``crater``, ``wide``, ``narrow``, ``bright`` or ``dark``.
    start, stop
        Places along the axis, px.
    """

    kind: str
    start: float
    stop: float


@dataclass(frozen=True)
class BeadPx:
    """All that was measured in a photo, px."""

    axis: Axis
    strip: Strip
    edges: Edges
    waviness: Waviness
    ripples: Ripples
    deposits: Deposits
    changes: tuple[Change, ...]
    flags: tuple[str, ...]
