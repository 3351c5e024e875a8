"""The picture of metal lit from outside: a rigid plate and bead, a liquid whose highlights move as they like.

Solid metal carries a texture that is fixed to it: with a riding camera it moves backwards at the travel speed,
with a standing one it stays. The bead that the tail leaves has its own texture, with ripple marks; it is fixed
to the metal from the moment the tail has passed. The liquid shows waves and specular highlights that lose their
pattern within frames.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import cv2
import numpy as np
import scipy.fft
from numba import njit
from numpy.typing import NDArray

from . import outline
from .glow import BeamSpots, Grid, Waves, ripples
from .raster import Image
from .scene import Scene
from .timeline import Timeline, forward, stream

GRAIN_MM = 0.03
MARK_MM = 0.14
# Cells of a texture tile per pixel: enough that linear interpolation changes the finest texture by about 1 %.
CELLS = 2


def _filtered(rng: np.random.Generator, shape: tuple[int, int], across: float, along: float) -> Image:
    """Periodic Gaussian-filtered noise of unit variance; sigmas in cells, axis 0 across, axis 1 along."""
    spectrum = scipy.fft.rfft2(rng.standard_normal(shape, dtype=np.float32))
    rows, columns = shape
    fy = np.fft.fftfreq(rows)[:, None]
    fx = np.fft.rfftfreq(columns)[None, :]
    noise = scipy.fft.irfft2(
        spectrum * np.exp(-2 * np.pi**2 * ((fy * across) ** 2 + (fx * along) ** 2)), s=shape
    )
    result: Image = ((noise - noise.mean()) / noise.std()).astype(np.float32)
    return result


class IlluminatedLight(NamedTuple):
    """Light of illuminated footage at one moment; px from the image's corner, or along (u) and across (v) travel.

    Attributes
    ----------
    beam_x, beam_y, ahead_x, ahead_y
        Place of the beam, px, and direction of travel, unit vector, in the image.
    travelled, bead_front, begin
        Way of the beam since frame 0; where the bead begins, behind the widest place of the pool; and where the
        metal that is drawn begins, px.
    metal, texture, ripple_marks
        Brightness of metal, and relative strength of the plate's texture and of the bead's ripple marks.
    gradient_x, gradient_y, gradient_0
        Relative change of the lighting per px, and at the image's corner.
    middle, per_half_length, per_half_width
        Middle of the pool along travel, px, and one over its half length and half width, 1/px.
    liquid, rim_shade, waves, highlight
        Brightness of liquid, share of it lost at the rim, relative strength of waves, and brightness of highlights.
    keyhole, spot_radius
        Brightness of a spot, below 0 where there is none, and the radius at which it has faded to 1/e, px.
    """

    beam_x: float
    beam_y: float
    ahead_x: float
    ahead_y: float
    travelled: float
    bead_front: float
    begin: float
    metal: float
    texture: float
    ripple_marks: float
    gradient_x: float
    gradient_y: float
    gradient_0: float
    middle: float
    per_half_length: float
    per_half_width: float
    liquid: float
    rim_shade: float
    waves: float
    highlight: float
    keyhole: float
    spot_radius: float


@njit(cache=True, nogil=True, error_model="numpy")
def _sample(tile: Image, along: float, across: float) -> float:
    """Periodic linear interpolation; places in cells."""
    rows, columns = tile.shape
    fx, fy = math.floor(along), math.floor(across)
    ax, ay = along - fx, across - fy
    i0, j0 = int(fy) & (rows - 1), int(fx) & (columns - 1)
    i1, j1 = (i0 + 1) & (rows - 1), (j0 + 1) & (columns - 1)
    upper = tile[i0, j0] * (1 - ax) + tile[i0, j1] * ax
    lower = tile[i1, j0] * (1 - ax) + tile[i1, j1] * ax
    return float(upper * (1 - ay) + lower * ay)


@njit(cache=True, nogil=True, error_model="numpy")
def _metal(
    u: float, v: float, shade: float, p: IlluminatedLight, plate: Image, bead: Image, swept: NDArray[np.float64]
) -> float:  # fmt: skip
    """Brightness of solid metal at a place in pool axes, px."""
    s = u + p.travelled
    share = 0.0
    if u < p.bead_front:
        place = min(max(s - p.begin, 0.0), len(swept) - 1.001)
        k = int(place)
        half = swept[k] + (swept[k + 1] - swept[k]) * (place - k)
        # The bead's edge is about 3 px soft.
        share = min(max((half - abs(v)) / 3 + 0.5, 0.0), 1.0)
        share *= share * (3 - 2 * share)
    along, across = s * 2, v * 2
    relief = 0.0
    if share < 1:
        relief += (1 - share) * p.texture * _sample(plate, along, across)
    if share > 0:
        relief += share * p.ripple_marks * _sample(bead, along, across)
    return float(max(p.metal * (1 + relief) * shade, 0.0))


@njit(cache=True, nogil=True, error_model="numpy")
def _metal_field(
    grid: Grid, p: IlluminatedLight, plate: Image, bead: Image, swept: NDArray[np.float64]
) -> Image:
    """Brightness of metal on a grid of points, shape (height, width)."""
    height, width, left, top, step = grid
    out = np.empty((height, width), dtype=np.float32)
    for row in range(height):
        y = top + row * step
        for column in range(width):
            x = left + column * step
            dx, dy = x - p.beam_x, y - p.beam_y
            shade = 1 + p.gradient_x * x + p.gradient_y * y + p.gradient_0
            out[row, column] = _metal(
                dx * p.ahead_x + dy * p.ahead_y, dx * p.ahead_y - dy * p.ahead_x, shade, p, plate, bead, swept
            )
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _take_from_liquid(out: Image, grid: Grid, p: IlluminatedLight, waves: Waves, spots: BeamSpots) -> None:
    """Turn metal into liquid - metal, in place."""
    height, width, left, top, step = grid
    kx, ky, phases = waves
    spot_u, spot_v = spots
    norm = math.sqrt(2.0 / len(phases))
    for row in range(height):
        y = top + row * step
        for column in range(width):
            x = left + column * step
            dx, dy = x - p.beam_x, y - p.beam_y
            u, v = dx * p.ahead_x + dy * p.ahead_y, dx * p.ahead_y - dy * p.ahead_x
            along, across = (u - p.middle) * p.per_half_length, v * p.per_half_width
            square = along * along + across * across
            if square > 1.6:
                # Outside the outline nothing of it is used.
                out[row, column] = -out[row, column]
                continue
            wave = 0.0
            for k in range(len(phases)):
                wave += math.cos(kx[k] * u + ky[k] * v + phases[k])
            wave *= norm
            bright = max(wave - 0.9, 0.0)
            # The surface slopes at the rim and throws the light elsewhere.
            value = p.liquid * max(1 - p.rim_shade * square * square, 0.1) * max(1 + p.waves * wave, 0.0)
            value += p.highlight * bright * bright
            if p.keyhole >= 0:
                for k in range(len(spot_u)):
                    far = ((u - spot_u[k]) ** 2 + (v - spot_v[k]) ** 2) / p.spot_radius**2
                    if far < 4.5:
                        value += (p.keyhole - value) * math.exp(-far * far)
            shade = 1 + p.gradient_x * x + p.gradient_y * y + p.gradient_0
            out[row, column] = value * shade - out[row, column]


@njit(cache=True, nogil=True)
def _sweep(
    swept: NDArray[np.float64], begin: float, half: NDArray[np.float64], u: NDArray[np.float64], offset: float
) -> None:
    """Note in `swept` the half width that one pool covers."""
    for i in range(len(u)):
        k = int(u[i] + offset - begin)
        if 0 <= k < len(swept):
            swept[k] = max(swept[k], half[i])


class Illuminated:
    """Surface of illuminated footage: what `Simulation` needs of it at one moment."""

    def __init__(self, scene: Scene, line: Timeline, psf_sigma_px: float) -> None:
        self._scene, self._line = scene, line
        camera = scene.camera
        self._ripples = ripples(scene, line.times_s, scene.lighting.memory_s)
        self._spots = BeamSpots.of(scene)
        # The pixel's own width belongs to the blur of the smooth part.
        self._sigma = math.sqrt(psf_sigma_px**2 + 1 / 12)
        self._speed = scene.travel_speed_mm_s / camera.mm_per_px
        view = math.hypot(camera.width, camera.height)
        side = 1 << math.ceil(math.log2(CELLS * view))
        self._plate, self._bead = self._tiles((side, 2 * side))
        self._begin = -2 * view
        self._swept = self._swept_widths(view)
        gradient = scene.lighting.gradient / camera.width
        self._gradient = (0.8 * gradient, 0.6 * gradient)

    def _tiles(self, shape: tuple[int, int]) -> tuple[Image, Image]:
        scene, scale = self._scene, self._scene.camera.mm_per_px
        grain = max(GRAIN_MM / scale, 1.3) * CELLS
        rng = stream(scene.seed, "texture")
        # Blotches, and the marks of rolling along the sheet.
        plate = 0.8 * _filtered(rng, shape, grain, grain) + 0.6 * _filtered(rng, shape, grain, 8 * grain)
        rng = stream(scene.seed, "bead")
        rows, columns = shape
        v = np.arange(rows) / CELLS
        v = np.where(v > rows / CELLS / 2, v - rows / CELLS, v)[:, None]
        s = (np.arange(columns) / CELLS)[None, :]
        length = columns / CELLS
        marks = max(round(length * scale / MARK_MM), 1)
        phase = 1.5 * _filtered(rng, (1, columns), 0.0, 2 * MARK_MM / scale * CELLS)
        width = scene.pool.width_mm / scale
        curved = s - 1.2 * v**2 / width
        relief = np.cos(2 * np.pi * marks / length * curved + phase)
        bead = (relief + 0.5 * _filtered(rng, shape, grain, grain)).astype(np.float32)
        return plate.astype(np.float32), bead

    def _swept_widths(self, view: float) -> NDArray[np.float64]:
        """Half width of the bead at each px of metal, once the pool has passed."""
        line, pool = self._line, self._scene.pool
        swept = np.zeros(int(self._speed * line.times_s[-1] + 4 * view) + 2)
        for m in np.flatnonzero(line.on):
            front, length = line.front[m], line.length[m]
            u = np.arange(math.ceil(front - length), front)
            half = outline.half_width(u, length, line.width[m], front, pool.taper)
            _sweep(swept, self._begin, half, u, self._speed * float(line.times_s[m]))
        if not self._scene.welds and line.on[0]:
            # The weld was under way before the clip began.
            middle = int(line.front[0] - line.length[0] / 2 - self._begin)
            swept[:middle] = np.maximum(swept[:middle], swept[middle : middle + 40].max())
        return swept

    def _light(self, moment: int) -> IlluminatedLight:
        scene, line, camera = self._scene, self._line, self._scene.camera
        ahead_x, ahead_y = forward(camera.direction_deg)
        length, width, front = line.length[moment], line.width[moment], line.front[moment]
        gx, gy = self._gradient
        light = scene.lighting
        values = {
            "beam_x": line.beam_x[moment],
            "beam_y": line.beam_y[moment],
            "ahead_x": ahead_x,
            "ahead_y": ahead_y,
            "travelled": self._speed * line.times_s[moment],
            # Behind the widest place the bead begins.
            "bead_front": front - length * 0.4 if line.on[moment] else 0.0,
            "begin": self._begin,
            "metal": light.metal,
            "texture": light.texture,
            "ripple_marks": light.ripple_marks,
            "gradient_x": gx,
            "gradient_y": gy,
            "gradient_0": -gx * (camera.width - 1) / 2 - gy * (camera.height - 1) / 2,
            "middle": front - length / 2,
            "per_half_length": 1 / max(length / 2, 1e-6),
            "per_half_width": 1 / max(width / 2, 1e-6),
            "liquid": light.liquid,
            "rim_shade": light.rim_shade,
            "waves": light.waves,
            "highlight": light.highlight,
            "keyhole": line.keyhole[moment] if line.lit[moment] else -1.0,
            "spot_radius": scene.keyhole.diameter_mm / 2 / camera.mm_per_px,
        }
        return IlluminatedLight(**{name: float(value) for name, value in values.items()})

    def solid(self, moment: int) -> Image:
        """Metal as the camera sees it, blur included, shape of a frame."""
        camera = self._scene.camera
        grid = Grid(camera.height, camera.width, 0.0, 0.0, 1.0)
        metal = _metal_field(grid, self._light(moment), self._plate, self._bead, self._swept)
        seen: Image = cv2.GaussianBlur(metal, (0, 0), self._sigma, borderType=cv2.BORDER_REFLECT)
        return seen

    def excess(self, moment: int, height: int, width: int, left: float, top: float, step: float) -> Image:
        """Liquid - metal, without blur, on a grid of points; see `glow.excess_field`."""
        p, grid = self._light(moment), Grid(height, width, float(left), float(top), float(step))
        out: Image = _metal_field(grid, p, self._plate, self._bead, self._swept)
        _take_from_liquid(out, grid, p, self._ripples.at(moment), self._spots)
        return out
