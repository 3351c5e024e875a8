"""Noise of a pixel as a function of brightness, told apart from what the scene itself does."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from ..model.together import together

# Least variance of a grey value: that of rounding.
ROUNDING = 1.0 / 12.0
# Sum of squared weights of `finest`: 1 + 4 · (1/2)² + 4 · (1/4)².
_FINEST = 2.25
# Share of frames at the clip's darkest grey value from which a pixel's scatter is cut off, not seen.
_CUT = 0.02


def finest(res: NDArray[np.float32], ys: NDArray[np.intp], xs: NDArray[np.intp]) -> NDArray[np.float32]:
    """What a pixel has that no smooth surface explains: the second difference along and across, in one.

    Any picture that is linear along rows or along columns gives 0 (Immerkær 1996, Computer Vision and Image
    Understanding 64, 300-302, for the mask), so plume, glare and a waving halo hardly show. White noise of
    variance v gives v.

    Parameters
    ----------
    res
        Residual above the ground, shape (h, w).
    ys, xs
        Rows and columns wanted; those at the border take the pixel itself for what is outside.

    Returns
    -------
    NDArray
        Shape (ys, xs), grey values.
    """
    h, w = res.shape
    rows = [np.maximum(ys - 1, 0), ys, np.minimum(ys + 1, h - 1)]
    cols = [np.maximum(xs - 1, 0), xs, np.minimum(xs + 1, w - 1)]
    weight = (-0.5, 1.0, -0.5)
    out = np.zeros((len(ys), len(xs)))
    for a, y in zip(weight, rows, strict=True):
        for b, x in zip(weight, cols, strict=True):
            out += a * b * res[np.ix_(y, x)]
    return np.asarray(out / np.sqrt(_FINEST), dtype=np.float32)


def noise_model(
    raw: NDArray[np.float32],
    fine: NDArray[np.float32],
    base: NDArray[np.float32],
    lowest: NDArray[np.float64],
    full_scale: float,
) -> tuple[float, float]:
    """Fit variance = read + shot · grey to the scatter over time of a lattice of pixels.

    The scatter of `fine` is free of the scene's own slow changes but too small where neighbours share their
    noise (compression, interpolated colour); that of `raw` is the other way round. The quietest fifth of the
    lattice, where the scene does nothing, tells how far the two differ by shared noise alone.

    Parameters
    ----------
    raw, fine
        Residual above the ground, and what `finest` leaves of it, shape (n, rows, cols); NaN where hidden.
    base
        Ground at these pixels, native grey values, shape (rows, cols).
    lowest
        Share of the frames in which the pixel shows the darkest grey value of the clip.
    full_scale
        Grey value that is brightness 1.

    Returns
    -------
    tuple
        read, shot: squared grey values, and squared grey values per grey value.
    """
    total, scatter = together(trimmed_variance, (raw, fine))
    known = np.isfinite(total) & np.isfinite(scatter) & (base < 0.95 * full_scale)
    # A dark pixel that is cut off at black shows less noise than it has.
    seen = known & (lowest < _CUT)
    keep = seen if seen.sum() >= 20 else known
    if keep.sum() < 20:
        return max(ROUNDING, (0.004 * full_scale) ** 2), 0.0
    grey, variance = base[keep].astype(np.float64), np.maximum(scatter[keep], 1e-9)
    variance = variance * max(_shared(total, scatter, keep), 1.0)
    # Medians in bins of brightness, so that restless places do not count.
    edges = np.unique(np.quantile(grey, np.linspace(0, 1, 13)))
    bins = np.clip(np.searchsorted(edges, grey, side="right") - 1, 0, max(len(edges) - 2, 0))
    xs, vs, ns = [], [], []
    for b in range(max(len(edges) - 1, 1)):
        inside = bins == b
        if inside.sum() >= 8:
            xs.append(float(np.median(grey[inside])))
            vs.append(float(np.median(variance[inside])))
            ns.append(float(inside.sum()))
    if len(xs) < 3 or max(xs) - min(xs) < 0.02 * full_scale:
        return max(float(np.median(variance)), ROUNDING), 0.0
    x, v, weight = np.array(xs), np.array(vs), np.sqrt(np.array(ns)) / np.maximum(vs, ROUNDING)
    design = np.column_stack([weight, x * weight])
    (read, shot), *_ = np.linalg.lstsq(design, v * weight)
    # Neither is below 0: where one would be, the other is fitted alone.
    if shot < 0.0:
        read, shot = float(design[:, 0] @ (v * weight) / (weight @ weight)), 0.0
    elif read < 0.0:
        read, shot = 0.0, float(design[:, 1] @ (v * weight) / (design[:, 1] @ design[:, 1]))
    return max(float(read), ROUNDING), float(shot)


def _shared(total: NDArray[np.float64], fine: NDArray[np.float64], keep: NDArray[np.bool_]) -> float:
    """How many times the noise exceeds what `finest` leaves of it, from the quietest quarter of the lattice."""
    # Sums over neighbourhoods: the ratio of two single variances scatters, and its low end would lean.
    a, b = (cv2.blur(np.where(keep, v, 0.0), (7, 7), borderType=cv2.BORDER_CONSTANT) for v in (total, fine))
    return float(np.quantile(a[keep] / np.maximum(b[keep], 1e-9), 0.25))


def _ranked(
    values: NDArray[np.floating],
) -> tuple[NDArray[np.intp], Callable[[float], NDArray[np.floating]]]:
    """How many values over time each pixel has (NaN are none), and their quantiles as a function."""
    ordered = np.sort(values, axis=0)
    known = np.isfinite(ordered).sum(axis=0)

    def at(q: float) -> NDArray[np.floating]:
        place = np.clip(np.round(q * (known - 1)).astype(np.intp), 0, len(ordered) - 1)
        return np.asarray(np.take_along_axis(ordered, place[None], axis=0)[0])

    return known, at


def trimmed_variance(raw: NDArray[np.float32]) -> NDArray[np.float64]:
    """Variance over time without what lies beyond four standard deviations."""
    values = raw.astype(np.float64)
    with np.errstate(invalid="ignore"):
        _, at = _ranked(values)
        middle, rough = at(0.5), (at(0.75) - at(0.25)) / 1.349 + 0.3
        keep = np.isfinite(values) & (np.abs(values - middle) < 4 * rough)
        count = keep.sum(axis=0)
        mean = np.where(keep, values, 0).sum(axis=0) / np.maximum(count, 1)
        variance = (np.where(keep, values - mean, 0) ** 2).sum(axis=0) / np.maximum(count - 1, 1)
    return np.where(count >= 5, variance, np.nan)


def upper_spread(seen: NDArray[np.float32]) -> NDArray[np.float32]:
    """Standard deviation over time, from the middle and from the upper side, whichever is larger.

    Up to a tenth of the frames may hold a particle there.
    """
    known, at = _ranked(seen)
    spread = np.maximum((at(0.9) - at(0.5)) / 1.2816, (at(0.75) - at(0.25)) / 1.349)
    enough = known >= max(8, len(seen) // 3)
    calm = float(np.median(spread[enough])) if enough.any() else 0.0
    return np.where(enough, spread, calm).astype(np.float32)
