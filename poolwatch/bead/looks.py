"""How sheet and bead look at each distance from the edge, and how well a column fits an edge at each place.

Sheet is calm and bead is rough, or both differ in tone or colour: a look holds mean and covariance of the colours, so
that the likelihood takes from each what it tells.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from .facts import Floats, Image

# Degrees of freedom of the t distribution that pixels follow: scratches and particles do not drag an edge along.
FREEDOM = 6.0
# Spread that a look has at least, of the sheet's light: steps of 8 bits.
LEAST_SPREAD = 0.004
# Spread of what may have any tone, of the sheet's light.
_ANY_SPREAD = 0.5
# Robust standard deviations at which values are cut before anything is learned from them.
CUT = 3.5
# Neighbours over which grain is alike, at most, px; correlations below this are none.
_ALIKE, _LEAST_CORRELATION = 12, 0.05


class Look(NamedTuple):
    """Colours of a surface: mean (channels,) and covariance; whitening matrix and the logarithm of its determinant."""

    mean: Floats
    covariance: Floats
    whiten: Floats
    level: float


def look_of(mean: Floats, covariance: Floats) -> Look:
    """The look of a mean and a covariance."""
    whiten = np.linalg.cholesky(np.linalg.inv(covariance))
    return Look(mean, covariance, whiten, float(np.log(np.diag(whiten)).sum()))


def learn(values: Floats | Image) -> Look:
    """The look of pixels, shape (n, channels), in spite of some that show something else."""
    middle: Floats = np.median(values, axis=0).astype(np.float64)
    spread = CUT * (1.4826 * np.median(np.abs(values - middle), axis=0) + LEAST_SPREAD)
    cut = np.clip(values, middle - spread, middle + spread).astype(np.float64)
    covariance = np.atleast_2d(np.cov(cut.T)) + LEAST_SPREAD**2 * np.eye(values.shape[1])
    return look_of(cut.mean(axis=0), covariance)


def anything(channels: int) -> Look:
    """The look of what may have any tone."""
    return look_of(np.ones(channels), _ANY_SPREAD**2 * np.eye(channels))


def fit_of(values: Floats | Image, look: Look) -> Floats:
    """Log likelihood of pixels (..., channels) under a look (multivariate t), up to a constant."""
    z = (values - look.mean.astype(np.float32)) @ look.whiten.astype(np.float32)
    distance = np.einsum("...k,...k->...", z, z)
    return np.asarray(look.level - (FREEDOM + values.shape[-1]) / 2 * np.log1p(distance / FREEDOM))


def sample(light: Image, rows: Floats, inward: int, places: Floats) -> Image:
    """Colours at places (k,), px into the bead from a row of each column: shape (k, columns, channels)."""
    y = (rows[None, :] + inward * places[:, None]).astype(np.float32)
    x = np.ascontiguousarray(np.broadcast_to(np.arange(light.shape[1], dtype=np.float32), y.shape))
    # Bicubic across; columns are whole, so nothing is mixed along.
    made = cv2.remap(light, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(made.reshape(*y.shape, -1))


def alike(values: Floats | Image, axis: int) -> float:
    """Neighbours along an axis that tell as much as one: 1 + 2 Σ of the correlations, as long as they are positive."""
    rest = values - values.mean(axis=axis, keepdims=True)
    limit = 3 * float(rest.std()) + 1e-12
    rest = np.moveaxis(np.clip(rest, -limit, limit), axis, 0)
    power = float(np.mean(rest * rest)) + 1e-20
    total = 1.0
    for lag in range(1, min(_ALIKE, len(rest) // 2)):
        correlation = float(np.mean(rest[lag:] * rest[:-lag])) / power
        if correlation < _LEAST_CORRELATION:
            break
        total += 2 * correlation
    return total
