"""From light to grey values: gain, shot and read noise, black level, saturation, quantisation."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .raster import Image
from .settings import SceneCamera


class _Sensor(NamedTuple):
    """How light becomes grey values, fractions of full scale.

    Attributes
    ----------
    gain, offset
        Mean value = gain · light + offset, at least 0.
    per_light
        Variance of shot noise over the mean value.
    read
        Standard deviation of the noise in the dark.
    black
        Added before quantisation.
    top, step
        Grey levels, and grey values in the file per level.
    """

    gain: float
    offset: float
    per_light: float
    read: float
    black: float
    top: float
    step: int


@njit(cache=True, nogil=True)
def _quantise(light: Image, normal: Image, pattern: Image, sensor: _Sensor, out: NDArray[np.uint16]) -> None:
    """Grey values of light (h, w), written to `out`; `normal` is standard normal noise, `pattern` fixed offsets."""
    height, width = light.shape
    gain, offset, per_light, read, black, top, step = sensor
    for row in range(height):
        for column in range(width):
            mean = max(light[row, column] * gain + offset, 0.0)
            value = mean + math.sqrt(mean * per_light + read * read) * normal[row, column] + black
            value += pattern[row, column]
            value = min(max(value, 0.0), 1.0)
            out[row, column] = math.floor(value * top + 0.5) * step


def expose(
    light: Image,
    camera: SceneCamera,
    rng: np.random.Generator,
    pattern: Image,
    *,
    gain: float = 1.0,
    offset: float = 0.0,
) -> NDArray[np.uint16]:
    """Grey values of one frame, shape (height, width).

    Noise is Gaussian with variance brightness / electrons + read²: the limit of many electrons.
    """
    normal = rng.standard_normal(light.shape, dtype=np.float32)
    out = np.empty(light.shape, dtype=np.uint16)
    electrons = camera.electrons_full_scale
    sensor = _Sensor(
        float(gain),
        float(offset),
        1 / electrons if electrons else 0.0,
        camera.read_noise,
        camera.black_level,
        float((1 << camera.depth_bits) - 1),
        camera.grey_step,
    )
    _quantise(light, normal, pattern, sensor, out)
    return out
