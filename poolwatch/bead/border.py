"""How well a column of pixels across an edge fits a border at each place: a Gaussian model of both surfaces.

Grain, ripples and rolling marks are alike over some pixels across the edge, and light and ripples change the tone of
whole columns. Covariances over lags across the edge hold all of these: a pixel then tells what those before it do not.
Calm sheet against rough bead, tone and colour all count, each for what it tells.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .facts import Floats, Image
from .looks import CUT, FREEDOM, LEAST_SPREAD, alike
from .placing import step as spread_step


class Border(NamedTuple):
    """Two surfaces and the mean across the edge between them.

    Attributes
    ----------
    sheet, bead
        Shape (lags, channels, channels): covariance of colours so many px apart across the edge.
    places, mean
        Places across, px into the bead, and the mean colours there: shapes (k,) and (k, channels).
    blur
        Standard deviation of the point spread, px.
    """

    sheet: Floats
    bead: Floats
    places: Floats
    mean: Floats
    blur: float


def cut_off(values: Image | Floats, *, axis: int | tuple[int, ...]) -> Floats:
    """Values cut where they are far off the median along an axis: scratches and particles."""
    middle = np.median(values, axis=axis, keepdims=True)
    spread = CUT * (1.4826 * np.median(np.abs(values - middle), axis=axis, keepdims=True) + LEAST_SPREAD)
    return np.asarray(np.clip(values, middle - spread, middle + spread))


def texture(values: Image) -> Floats:
    """Covariance of colours over lags, (lags, channels, channels), of (places one px apart, columns, channels)."""
    rest = cut_off(values - np.median(values, axis=1, keepdims=True), axis=(0, 1))
    rest = rest - rest.mean(axis=1, keepdims=True)
    count = len(rest)
    lags = []
    for lag in range(count):
        one = np.einsum("kci,kcj->ij", rest[: count - lag], rest[lag:]) / ((count - lag) * rest.shape[1])
        lags.append((one + one.T) / 2)
    return np.asarray(lags, dtype=np.float64)


def spread_out(lags: Floats, count: int) -> Floats:
    """Covariance of `count` places, shape (count, channels, count, channels); beyond the lags known as at the last."""
    apart = np.minimum(np.abs(np.subtract.outer(np.arange(count), np.arange(count))), len(lags) - 1)
    channels = lags.shape[1]
    whole = lags[apart].transpose(0, 2, 1, 3).reshape(count * channels, count * channels)
    values, vectors = np.linalg.eigh(whole)
    whole = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return np.asarray(whole.reshape(count, channels, count, channels))


def likelihood(values: Image, around: Floats, states: Floats, border: Border) -> tuple[Floats, float]:
    """Log likelihood of a border at every state, shape (states, columns), and the columns that tell as much as one."""
    count, columns, channels = values.shape
    flat = values.transpose(1, 0, 2).reshape(columns, count * channels).astype(np.float32)
    sheet, bead = spread_out(border.sheet, count), spread_out(border.bead, count)
    likely = np.empty((len(states), columns))
    nugget = LEAST_SPREAD**2 * np.eye(count * channels)
    shared = 1.0
    for k, state in enumerate(states.tolist()):
        share = spread_step(around - state, border.blur)
        both = sheet * np.multiply.outer(1 - share, 1 - share)[:, None, :, None]
        both = both + bead * np.multiply.outer(share, share)[:, None, :, None]
        root = np.linalg.cholesky(both.reshape(count * channels, -1) + nugget)
        whiten = np.linalg.inv(root)
        mean = np.stack([np.interp(around - state, border.places, one) for one in border.mean.T], axis=1)
        z = (flat - mean.reshape(-1).astype(np.float32)) @ whiten.T.astype(np.float32)
        fit = -(FREEDOM + 1) / 2 * np.log1p(z * z / FREEDOM)
        likely[k] = fit.sum(axis=1) - np.log(np.diag(root)).sum()
        if k == len(states) // 2:
            shared = alike(z.T, 1)
    return likely, shared
