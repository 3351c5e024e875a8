"""The light of a glowing pool: interior, rim, keyhole, hot solid around it and hot bead behind it.

Two smooth fields in pool axes, one for the liquid and one for the solid; the outline's coverage chooses between
them: image = solid + spread(coverage x (liquid - solid)). The solid is smooth on the scale of the point spread
and is taken as seen through it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .raster import Image
from .scene import Scene
from .timeline import Timeline, forward, stream

WAVES = 5


class Grid(NamedTuple):
    """Points in the picture: rows and columns; the first is at (left, top) px, `step` px apart."""

    height: int
    width: int
    left: float
    top: float
    step: float


class Waves(NamedTuple):
    """Waves on the surface at one moment: wave vectors in radians per px along x and y, and phases; shape (waves,)."""

    kx: NDArray[np.float64]
    ky: NDArray[np.float64]
    phase: NDArray[np.float64]


@dataclass(frozen=True)
class SurfaceWaves:
    """Waves on the surface: wave vectors in radians per px, shape (waves,), and phases, shape (moments, waves)."""

    kx: NDArray[np.float64]
    ky: NDArray[np.float64]
    phases: NDArray[np.float64]

    def at(self, moment: int) -> Waves:
        """The waves of a moment."""
        return Waves(self.kx, self.ky, self.phases[moment])


class BeamSpots(NamedTuple):
    """Middles of the keyhole's spots along (u) and across (v) travel, px, shape (spots,)."""

    u: NDArray[np.float64]
    v: NDArray[np.float64]

    @classmethod
    def of(cls, scene: Scene) -> BeamSpots:
        """The spots of a scene."""
        places = np.asarray(scene.keyhole.spots_mm, dtype=np.float64).reshape(-1, 2) / scene.camera.mm_per_px
        u, v = np.ascontiguousarray(places.T)
        return cls(u, v)


def ripples(scene: Scene, times_s: NDArray[np.float64], memory_s: float) -> SurfaceWaves:
    """Draw the waves of a scene.

    Wavelengths spread by 30 %, directions all round with a bias to the tail, frequencies follow the capillary
    relation omega² ~ k³ (Lamb, Hydrodynamics, 6th ed., art. 266) about the stated one; the phases walk at
    random, losing themselves in `memory_s` (to 1/e), so that the pattern does not repeat.
    """
    pool, step_s = scene.pool, 1 / scene.camera.rate_hz
    rng = stream(scene.seed, "ripple")
    lengths = pool.ripple_length_mm / scene.camera.mm_per_px * np.exp(0.3 * rng.standard_normal(WAVES))
    angles = math.pi + 1.2 * rng.standard_normal(WAVES)
    frequencies = pool.ripple_hz * (pool.ripple_length_mm / scene.camera.mm_per_px / lengths) ** 1.5
    k = 2 * math.pi / lengths
    start = 2 * math.pi * rng.random(WAVES)
    walk = rng.standard_normal((len(times_s), WAVES)) * math.sqrt(2 * step_s / memory_s)
    phases = start - 2 * math.pi * frequencies * times_s[:, None] + np.cumsum(walk, axis=0)
    return SurfaceWaves(k * np.cos(angles), k * np.sin(angles), np.mod(phases, 2 * math.pi))


class GlowingLight(NamedTuple):
    """Light of glowing footage at one moment; px from the image's corner, or along (u) and across (v) travel.

    Attributes
    ----------
    beam_x, beam_y, ahead_x, ahead_y
        Place of the beam, px, and direction of travel, unit vector, in the image.
    middle, per_half_length, per_half_width
        Middle of the pool along travel, px, and one over its half length and half width, 1/px.
    plate, halo, trail
        Brightness of the cold plate, and on top of it of the hot solid and of the bead.
    rear, fade, trail_width, sway
        Where the pool ends, px; over how many px the bead fades; its half width; how far it lies aside.
    rim, core
        Brightness of the liquid far from the beam, and what it has more at the beam.
    per_reach_along, per_reach_across
        One over the square of how far that reaches, 1/px².
    ripple
        Relative strength of waves.
    keyhole, spot_radius
        Brightness of a spot, below 0 where there is none, and the radius at which it has faded to 1/e, px.
    """

    beam_x: float
    beam_y: float
    ahead_x: float
    ahead_y: float
    middle: float
    per_half_length: float
    per_half_width: float
    plate: float
    halo: float
    trail: float
    rear: float
    fade: float
    trail_width: float
    sway: float
    rim: float
    core: float
    per_reach_along: float
    per_reach_across: float
    ripple: float
    keyhole: float
    spot_radius: float


def light_parameters(scene: Scene, line: Timeline, moment: int) -> GlowingLight:
    """All that the two fields need at one moment."""
    pool, keyhole, camera = scene.pool, scene.keyhole, scene.camera
    trail = scene.disturbances.trail
    ahead_x, ahead_y = forward(camera.direction_deg)
    length, width, front = line.length[moment], line.width[moment], line.front[moment]
    # What fades in while the pool grows.
    bright = line.size[moment]
    values = {
        "beam_x": line.beam_x[moment],
        "beam_y": line.beam_y[moment],
        "ahead_x": ahead_x,
        "ahead_y": ahead_y,
        "middle": front - length / 2,
        "per_half_length": 1 / max(length / 2, 1e-6),
        "per_half_width": 1 / max(width / 2, 1e-6),
        "plate": pool.background,
        "halo": pool.halo * bright,
        "trail": pool.rim * (trail.share if trail else 0.0) * bright,
        "rear": front - length,
        "fade": trail.fade_mm / camera.mm_per_px if trail else 1.0,
        "trail_width": trail.width_share * width if trail and width > 0 else 1.0,
        "sway": line.sway[moment],
        "rim": pool.rim,
        "core": pool.hot - pool.rim,
        "per_reach_along": 1 / max(pool.reach * length, 1e-6) ** 2,
        "per_reach_across": 1 / max(pool.reach * width, 1e-6) ** 2,
        "ripple": pool.ripple,
        "keyhole": line.keyhole[moment] if line.lit[moment] else -1.0,
        "spot_radius": keyhole.diameter_mm / 2 / camera.mm_per_px,
    }
    return GlowingLight(**{name: float(value) for name, value in values.items()})


@njit(cache=True, nogil=True, error_model="numpy")
def _halo(u: float, v: float, p: GlowingLight) -> float:
    """Plate and hot solid: half at 1.3 outline radii, falling with the fourth power of the distance."""
    along, across = (u - p.middle) * p.per_half_length, v * p.per_half_width
    square = along * along + across * across
    return float(p.plate + p.halo / (1.0 + square * square / 2.8561))


@njit(cache=True, nogil=True, error_model="numpy")
def _trail(u: float, v: float, p: GlowingLight) -> float:
    """Hot bead: sets in under the pool, where it is not seen, and fades behind the tail."""
    if u > p.middle:
        return 0.0
    side = (v - p.sway) / p.trail_width
    side *= side
    if side > 3.5:
        return 0.0
    near = min((p.middle - u) * p.per_half_length, 1.0)
    behind = max(p.rear - u, 0.0)
    return float(p.trail * near * near * (3 - 2 * near) * math.exp(-behind / p.fade - side * side))


@njit(cache=True, nogil=True, error_model="numpy")
def _liquid(u: float, v: float, wave: float, p: GlowingLight, spots: BeamSpots) -> float:
    value = float(p.rim + p.core / (1.0 + u * u * p.per_reach_along + v * v * p.per_reach_across))
    value *= max(1.0 + wave, 0.0)
    if p.keyhole >= 0:
        for k in range(len(spots.u)):
            square = ((u - spots.u[k]) ** 2 + (v - spots.v[k]) ** 2) / p.spot_radius**2
            if square < 4.5:
                value += (p.keyhole - value) * math.exp(-square * square)
    return value


@njit(cache=True, nogil=True, error_model="numpy")
def solid_field(height: int, width: int, p: GlowingLight) -> Image:
    """Light of the solid at each pixel centre, shape (height, width)."""
    out = np.empty((height, width), dtype=np.float32)
    # As `_halo`, with its numbers in registers: this runs over every pixel.
    beam_x, beam_y, ahead_x, ahead_y = (
        p.beam_x,
        p.beam_y,
        p.ahead_x * p.per_half_length,
        p.ahead_y * p.per_half_length,
    )
    middle, left_x, left_y = (
        p.middle * p.per_half_length,
        p.ahead_y * p.per_half_width,
        p.ahead_x * p.per_half_width,
    )
    plate, halo = p.plate, p.halo * 2.8561
    for row in range(height):
        y = row - beam_y
        along0, across0 = y * ahead_y - middle, -y * left_y
        for column in range(width):
            x = column - beam_x
            along, across = x * ahead_x + along0, x * left_x + across0
            square = along * along + across * across
            out[row, column] = plate + halo / (2.8561 + square * square)
    if p.trail > 0:
        for row in range(height):
            for column in range(width):
                x, y = column - p.beam_x, row - p.beam_y
                out[row, column] += _trail(x * p.ahead_x + y * p.ahead_y, x * p.ahead_y - y * p.ahead_x, p)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def excess_field(grid: Grid, p: GlowingLight, ripples: Waves, spots: BeamSpots) -> Image:
    """Liquid - solid on a grid of points, shape (height, width)."""
    height, width, left, top, step = grid
    out = np.empty((height, width), dtype=np.float32)
    kx, ky, phases = ripples
    waves = len(phases) if p.ripple > 0 else 0
    # The strength is the standard deviation of the sum.
    strength = p.ripple * math.sqrt(2.0 / max(waves, 1))
    cosine, sine = np.empty(waves), np.empty(waves)
    turn_cosine, turn_sine = np.empty(waves), np.empty(waves)
    for k in range(waves):
        turn = (kx[k] * p.ahead_x + ky[k] * p.ahead_y) * step
        turn_cosine[k], turn_sine[k] = math.cos(turn), math.sin(turn)
    for row in range(height):
        y = top + row * step - p.beam_y
        u, v = (left - p.beam_x) * p.ahead_x + y * p.ahead_y, (left - p.beam_x) * p.ahead_y - y * p.ahead_x
        for k in range(waves):
            phase = kx[k] * u + ky[k] * v + phases[k]
            cosine[k], sine[k] = math.cos(phase), math.sin(phase)
        for column in range(width):
            x = left + column * step - p.beam_x
            u, v = x * p.ahead_x + y * p.ahead_y, x * p.ahead_y - y * p.ahead_x
            wave = 0.0
            for k in range(waves):
                wave += cosine[k]
                # Along a row a wave turns by the same angle from point to point.
                c = cosine[k] * turn_cosine[k] - sine[k] * turn_sine[k]
                sine[k] = sine[k] * turn_cosine[k] + cosine[k] * turn_sine[k]
                cosine[k] = c
            solid = _halo(u, v, p) + (_trail(u, v, p) if p.trail > 0 else 0.0)
            out[row, column] = _liquid(u, v, strength * wave, p, spots) - solid
    return out


class Glowing:
    """Surface of glowing footage: what `Simulation` needs of it at one moment."""

    def __init__(self, scene: Scene, line: Timeline) -> None:
        self._scene, self._line = scene, line
        self._ripples = ripples(scene, line.times_s, 1 / max(scene.pool.ripple_hz, 1e-9))
        self._spots = BeamSpots.of(scene)

    def solid(self, moment: int) -> Image:
        """Plate and hot solid as the camera sees them, shape of a frame."""
        camera = self._scene.camera
        p = light_parameters(self._scene, self._line, moment)
        image: Image = solid_field(camera.height, camera.width, p)
        return image

    def excess(self, moment: int, height: int, width: int, left: float, top: float, step: float) -> Image:
        """Liquid - solid on a grid of points, shape (height, width)."""
        p = light_parameters(self._scene, self._line, moment)
        grid = Grid(height, width, float(left), float(top), float(step))
        field: Image = excess_field(grid, p, self._ripples.at(moment), self._spots)
        return field
