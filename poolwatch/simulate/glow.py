"""The light of a glowing pool: interior, rim, keyhole, hot solid around it and hot bead behind it.

Two smooth fields in pool axes, one for the liquid and one for the solid; the outline's coverage chooses between
them: image = solid + spread(coverage x (liquid - solid)). The solid is smooth on the scale of the point spread
and is taken as seen through it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .raster import Image
from .scene import Scene
from .timeline import Timeline, forward, stream

WAVES = 5


@dataclass(frozen=True)
class SurfaceWaves:
    """Waves on the surface: wave vectors (waves, 2) in radians per px, phases (moments, waves)."""

    vectors: NDArray[np.float64]
    phases: NDArray[np.float64]


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
    return SurfaceWaves(
        np.stack([k * np.cos(angles), k * np.sin(angles)], axis=1), np.mod(phases, 2 * math.pi)
    )


def light_parameters(scene: Scene, line: Timeline, moment: int) -> NDArray[np.float64]:
    """All numbers the two fields need at one moment, in px and brightness, shape (24,)."""
    pool, keyhole, camera = scene.pool, scene.keyhole, scene.camera
    trail = scene.disturbances.trail
    ahead = forward(camera.direction_deg)
    length, width, front = line.length[moment], line.width[moment], line.front[moment]
    # What fades in while the pool grows.
    bright = line.size[moment]
    return np.array(
        [
            line.beam_x[moment],
            line.beam_y[moment],
            ahead[0],
            ahead[1],
            front - length / 2,
            1 / max(length / 2, 1e-6),
            1 / max(width / 2, 1e-6),
            pool.background,
            pool.halo * bright,
            pool.rim * (trail.share if trail else 0.0) * bright,
            front - length,
            trail.fade_mm / camera.mm_per_px if trail else 1.0,
            trail.width_share * width if trail and width > 0 else 1.0,
            line.sway[moment],
            pool.rim,
            pool.hot - pool.rim,
            1 / max(pool.reach * length, 1e-6) ** 2,
            1 / max(pool.reach * width, 1e-6) ** 2,
            pool.ripple,
            line.keyhole[moment] if line.lit[moment] else -1.0,
            keyhole.diameter_mm / 2 / camera.mm_per_px,
            front,
            0.0,
            0.0,
        ]
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _halo(u: float, v: float, p: NDArray[np.float64]) -> float:
    """Plate and hot solid: half at 1.3 outline radii, falling with the fourth power of the distance."""
    along, across = (u - p[4]) * p[5], v * p[6]
    square = along * along + across * across
    return float(p[7] + p[8] / (1.0 + square * square / 2.8561))


@njit(cache=True, nogil=True, error_model="numpy")
def _trail(u: float, v: float, p: NDArray[np.float64]) -> float:
    """Hot bead: sets in under the pool, where it is not seen, and fades behind the tail."""
    if u > p[4]:
        return 0.0
    side = (v - p[13]) / p[12]
    side *= side
    if side > 3.5:
        return 0.0
    near = min((p[4] - u) * p[5], 1.0)
    behind = max(p[10] - u, 0.0)
    return float(p[9] * near * near * (3 - 2 * near) * math.exp(-behind / p[11] - side * side))


@njit(cache=True, nogil=True, error_model="numpy")
def _liquid(u: float, v: float, wave: float, p: NDArray[np.float64], spots: NDArray[np.float64]) -> float:
    value = float(p[14] + p[15] / (1.0 + u * u * p[16] + v * v * p[17]))
    value *= max(1.0 + wave, 0.0)
    if p[19] >= 0:
        for k in range(len(spots)):
            square = ((u - spots[k, 0]) ** 2 + (v - spots[k, 1]) ** 2) / p[20] ** 2
            if square < 4.5:
                value += (p[19] - value) * math.exp(-square * square)
    return value


@njit(cache=True, nogil=True, error_model="numpy")
def solid_field(height: int, width: int, p: NDArray[np.float64]) -> Image:
    """Light of the solid at each pixel centre, shape (height, width)."""
    out = np.empty((height, width), dtype=np.float32)
    # As `_halo`, with its numbers in registers: this runs over every pixel.
    beam_x, beam_y, ahead_x, ahead_y = p[0], p[1], p[2] * p[5], p[3] * p[5]
    middle, left_x, left_y = p[4] * p[5], p[3] * p[6], p[2] * p[6]
    plate, halo = p[7], p[8] * 2.8561
    for row in range(height):
        y = row - beam_y
        along0, across0 = y * ahead_y - middle, -y * left_y
        for column in range(width):
            x = column - beam_x
            along, across = x * ahead_x + along0, x * left_x + across0
            square = along * along + across * across
            out[row, column] = plate + halo / (2.8561 + square * square)
    if p[9] > 0:
        for row in range(height):
            for column in range(width):
                x, y = column - p[0], row - p[1]
                out[row, column] += _trail(x * p[2] + y * p[3], x * p[3] - y * p[2], p)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def excess_field(
    height: int,
    width: int,
    left: float,
    top: float,
    step: float,
    p: NDArray[np.float64],
    vectors: NDArray[np.float64],
    phases: NDArray[np.float64],
    spots: NDArray[np.float64],
) -> Image:
    """Liquid - solid on a grid of points, shape (height, width); the first is (left, top) px, `step` px apart."""
    out = np.empty((height, width), dtype=np.float32)
    waves = len(phases) if p[18] > 0 else 0
    # The strength is the standard deviation of the sum.
    strength = p[18] * math.sqrt(2.0 / max(waves, 1))
    cosine, sine = np.empty(waves), np.empty(waves)
    turn_cosine, turn_sine = np.empty(waves), np.empty(waves)
    for k in range(waves):
        turn = (vectors[k, 0] * p[2] + vectors[k, 1] * p[3]) * step
        turn_cosine[k], turn_sine[k] = math.cos(turn), math.sin(turn)
    for row in range(height):
        y = top + row * step - p[1]
        u, v = (left - p[0]) * p[2] + y * p[3], (left - p[0]) * p[3] - y * p[2]
        for k in range(waves):
            phase = vectors[k, 0] * u + vectors[k, 1] * v + phases[k]
            cosine[k], sine[k] = math.cos(phase), math.sin(phase)
        for column in range(width):
            x = left + column * step - p[0]
            u, v = x * p[2] + y * p[3], x * p[3] - y * p[2]
            wave = 0.0
            for k in range(waves):
                wave += cosine[k]
                # Along a row a wave turns by the same angle from point to point.
                c = cosine[k] * turn_cosine[k] - sine[k] * turn_sine[k]
                sine[k] = sine[k] * turn_cosine[k] + cosine[k] * turn_sine[k]
                cosine[k] = c
            solid = _halo(u, v, p) + (_trail(u, v, p) if p[9] > 0 else 0.0)
            out[row, column] = _liquid(u, v, strength * wave, p, spots) - solid
    return out


class Glowing:
    """Surface of glowing footage: what `Simulation` needs of it at one moment."""

    def __init__(self, scene: Scene, line: Timeline) -> None:
        self._scene, self._line = scene, line
        self._ripples = ripples(scene, line.times_s, 1 / max(scene.pool.ripple_hz, 1e-9))
        scale = scene.camera.mm_per_px
        self._spots = np.asarray(scene.keyhole.spots_mm, dtype=np.float64).reshape(-1, 2) / scale

    def solid(self, moment: int) -> Image:
        """Plate and hot solid as the camera sees them, shape of a frame."""
        camera = self._scene.camera
        p = light_parameters(self._scene, self._line, moment)
        image: Image = solid_field(camera.height, camera.width, p)
        return image

    def excess(self, moment: int, height: int, width: int, left: float, top: float, step: float) -> Image:
        """Liquid - solid on a grid of points, shape (height, width)."""
        p = light_parameters(self._scene, self._line, moment)
        phases = self._ripples.phases[moment]
        field: Image = excess_field(
            height, width, left, top, step, p, self._ripples.vectors, phases, self._spots
        )
        return field
