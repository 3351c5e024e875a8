"""Soft lights that spoil a recording: plume, glare, hot marks, flares and reflections, as Gaussians."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .raster import Image
from .scene import Scene
from .timeline import Timeline, forward, poisson_times, red_noise, stream


@njit(cache=True, nogil=True)
def add_gaussian(
    image: Image, x: float, y: float, long: float, short: float, ax: float, ay: float, height: float
) -> None:
    """Add a Gaussian in place: sigmas `long` along (ax, ay) and `short` across, cut at 5 sigma."""
    height_px, width_px = image.shape
    reach = 5 * max(long, short)
    for row in range(max(0, int(y - reach)), min(height_px, int(y + reach) + 2)):
        for column in range(max(0, int(x - reach)), min(width_px, int(x + reach) + 2)):
            dx, dy = column - x, row - y
            u, v = (dx * ax + dy * ay) / long, (dx * ay - dy * ax) / short
            square = u * u + v * v
            if square < 25:
                image[row, column] += height * math.exp(-0.5 * square)


@njit(cache=True, nogil=True)
def add_round(image: Image, x: float, y: float, sigma: float, height: float) -> None:
    """Add a round Gaussian in place, row and column factors apart: quick for large ones."""
    height_px, width_px = image.shape
    reach = 5 * sigma
    top, bottom = max(0, int(y - reach)), min(height_px, int(y + reach) + 2)
    left, right = max(0, int(x - reach)), min(width_px, int(x + reach) + 2)
    if bottom <= top or right <= left:
        return
    across = np.empty(right - left)
    for column in range(left, right):
        across[column - left] = math.exp(-0.5 * ((column - x) / sigma) ** 2)
    for row in range(top, bottom):
        factor = height * math.exp(-0.5 * ((row - y) / sigma) ** 2)
        for column in range(left, right):
            image[row, column] += factor * across[column - left]


class _Marks(NamedTuple):
    """Hot marks left on the metal: when, and where along (from the beam's place at time 0) and across, px."""

    times_s: NDArray[np.float64]
    along: NDArray[np.float64]
    across: NDArray[np.float64]


class Lights:
    """The soft lights of a scene, ready to be added to any moment's picture."""

    def __init__(self, scene: Scene, line: Timeline) -> None:
        self._scene, self._line = scene, line
        spoil, camera = scene.disturbances, scene.camera
        count = len(line.times_s)
        self._flicker = np.ones((count, 0))
        if spoil.plume is not None:
            part, step_s = spoil.plume, 1 / camera.rate_hz
            noise = [
                red_noise(stream(scene.seed, "plume_flicker", k), count, step_s, 3e-4)
                for k in range(part.puffs)
            ]
            self._flicker = np.maximum(1 + part.flicker_sd * np.stack(noise, axis=1), 0)
        self._glare = np.zeros((0, 2))
        if spoil.glare is not None:
            places = stream(scene.seed, "glare").random((spoil.glare.count, 2))
            self._glare = places * (camera.width - 1, camera.height - 1)
        self._marks = None if spoil.marks is None else self._marks_left(spoil.marks.rate_per_s)

    def _marks_left(self, rate_per_s: float) -> _Marks:
        scene, line = self._scene, self._line
        rng = stream(scene.seed, "marks")
        times = poisson_times(rng, rate_per_s, 0.0, float(line.times_s[-1]))
        index = np.minimum((times * scene.camera.rate_hz).astype(int), len(line.times_s) - 1)
        speed = scene.travel_speed_mm_s / scene.camera.mm_per_px
        along = line.front[index] - line.length[index] + speed * times
        across = (rng.random(len(times)) - 0.5) * 0.7 * line.width[index] + line.sway[index]
        shown = line.on[index]
        return _Marks(times[shown], along[shown], across[shown])

    def add(self, image: Image, moment: int) -> None:
        """Add all soft lights of a moment to its picture, in place."""
        scene, line = self._scene, self._line
        spoil, camera = scene.disturbances, scene.camera
        ax, ay = forward(camera.direction_deg)
        x, y = line.beam_x[moment], line.beam_y[moment]
        scale, t = camera.mm_per_px, line.times_s[moment]
        if spoil.marks is not None and self._marks is not None:
            age = t - self._marks.times_s
            for k in np.flatnonzero((age >= 0) & (age < 6 * spoil.marks.fade_s)):
                u = self._marks.along[k] - scene.travel_speed_mm_s / scale * t
                v = self._marks.across[k]
                height = spoil.marks.brightness * math.exp(-age[k] / spoil.marks.fade_s)
                add_round(
                    image, x + u * ax + v * ay, y + u * ay - v * ax, spoil.marks.sigma_mm / scale, height
                )
        if spoil.plume is not None and line.on[moment]:
            self._add_plume(image, moment)
        if spoil.reflection is not None and line.on[moment]:
            part = spoil.reflection
            u, v = part.along_mm / scale, part.left_mm / scale
            add_gaussian(
                image, x + u * ax + v * ay, y + u * ay - v * ax, part.length_mm / scale, part.width_mm / scale,
                ax, ay, part.brightness * line.keyhole_relative[moment],
            )  # fmt: skip
        if spoil.flares is not None and line.flare[moment] > 0 and line.on[moment]:
            size = scene.pool.length_mm / scale / 2
            add_round(image, x, y, size, spoil.flares.glow * line.flare[moment])
        if spoil.glare is not None:
            for gx, gy in self._glare:
                add_round(
                    image, gx + line.shift_x[moment], gy + line.shift_y[moment],
                    spoil.glare.sigma_px, spoil.glare.brightness,
                )  # fmt: skip

    def _add_plume(self, image: Image, moment: int) -> None:
        scene, line = self._scene, self._line
        plume, camera = scene.disturbances.plume, scene.camera
        assert plume is not None
        t, scale = line.times_s[moment], camera.mm_per_px
        ax, ay = forward(camera.direction_deg + plume.direction_deg)
        for k in range(plume.puffs):
            phase = t / plume.life_s + k / plume.puffs
            cycle, phase = int(phase), phase % 1
            side, strength = stream(scene.seed, "plume", k, cycle).random(2)
            away = plume.speed_mm_s * plume.life_s * phase / scale
            aside = (side - 0.5) * 3 * plume.size_mm / scale
            height = plume.brightness * (0.5 + strength) * math.sin(math.pi * phase) ** 2
            add_round(
                image,
                line.beam_x[moment] + away * ax + aside * ay,
                line.beam_y[moment] + away * ay - aside * ax,
                plume.size_mm * (1 + phase) / scale,
                height * self._flicker[moment, k],
            )
