"""Focus: how wide an edge is blurred, as the sigma of a Gaussian, from edges in the picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError

# Contrast of a Gaussian blur falls to half at this over sigma, cycles per px: sqrt(ln 2 / 2) / pi.
MTF50_TIMES_SIGMA = math.sqrt(math.log(2) / 2) / math.pi
# Rise from 10 to 90 % of a Gaussian-blurred edge over sigma.
RISE_TIMES_SIGMA = 2.5631031310892007


@dataclass(frozen=True)
class Sharpness:
    """Blur of an edge.

    Attributes
    ----------
    sigma_px, u_sigma_px
        Sigma of the Gaussian whose step the edge is, pixel's own width included, and its standard uncertainty.
    edge_px, u_edge_px
        Place of the edge along the profile, px.
    step
        Brightness step, same unit as the picture.
    values
        Grey values used.
    """

    sigma_px: float
    u_sigma_px: float
    edge_px: float
    u_edge_px: float
    step: float
    values: int

    @property
    def mtf50_cycles_per_px(self) -> float:
        """Spatial frequency at which the contrast is half."""
        return MTF50_TIMES_SIGMA / self.sigma_px

    @property
    def rise_px(self) -> float:
        """Width of the edge from 10 to 90 % of its step, px."""
        return RISE_TIMES_SIGMA * self.sigma_px


def edge_blur(distance: NDArray[np.floating], brightness: NDArray[np.floating]) -> Sharpness:
    """Blur of one edge from brightness as a function of distance across it: a least-squares error function.

    Parameters
    ----------
    distance
        Distances across the edge, px, shape (n,), in any order, at least 8.
    brightness
        Brightness there, shape (n,).

    Raises
    ------
    MeasurementError
        No step stands out of the noise, or it is not within the distances.
    """
    from scipy.optimize import least_squares
    from scipy.special import erf

    x = np.asarray(distance, dtype=np.float64).ravel()
    y = np.asarray(brightness, dtype=np.float64).ravel()
    if x.shape != y.shape:
        raise ValueError(f"distance and brightness must have one shape, got {x.shape} and {y.shape}")
    good = np.isfinite(x) & np.isfinite(y)
    x, y = x[good], y[good]
    if x.size < 8 or np.ptp(x) <= 0:
        raise MeasurementError(f"an edge needs at least 8 values across it, got {x.size}")

    def residuals(p: NDArray[np.float64]) -> NDArray[np.float64]:
        ground, step, edge, sigma = p
        return np.asarray(ground + step / 2 * (1 + erf((x - edge) / (math.sqrt(2) * sigma))) - y)

    order = np.argsort(x, kind="stable")
    tenth = max(2, x.size // 10)
    low, high = float(y[order[:tenth]].mean()), float(y[order[-tenth:]].mean())
    # Start where the smoothed profile crosses the middle, or in the middle where noise hides that.
    smooth = np.convolve(y[order], np.ones(tenth) / tenth, mode="same")[tenth:-tenth]
    crossing = x[order][tenth:-tenth][np.argmin(np.abs(smooth - (low + high) / 2))]
    fits = [
        least_squares(residuals, (low, high - low, edge, sigma), method="lm")
        for edge in (float(crossing), float(np.median(x)))
        for sigma in (1.0, float(np.ptp(x)) / 12)
    ]
    fit = min(fits, key=lambda one: float(one.cost))
    step, edge, sigma = (float(value) for value in fit.x[1:])
    variance = 2 * float(fit.cost) / max(1, x.size - 4)
    try:
        u = np.sqrt(variance * np.diag(np.linalg.inv(fit.jac.T @ fit.jac)))
    except np.linalg.LinAlgError:
        u = np.full(4, np.inf)
    if not np.isfinite(u).all() or abs(step) < 5 * math.sqrt(variance) or not x.min() < edge < x.max():
        raise MeasurementError("no edge stands out of the noise, or it lies outside the profile")
    return Sharpness(abs(sigma), float(u[3]), edge, float(u[2]), step, x.size)


def slanted_edge_blur(picture: NDArray[np.floating], *, reach_px: float = 10.0) -> Sharpness:
    """Blur of the one straight edge in a picture, at any angle.

    Parameters
    ----------
    picture
        Grey values, shape (h, w), with one straight edge through it.
    reach_px
        Distance on each side of the edge that is used, px.

    Raises
    ------
    MeasurementError
        There is no straight edge.

    Notes
    -----
    The idea of the slanted-edge method of ISO 12233 (the standard's content from memory): all pixels
    give one profile sampled far finer than the pixel, by their distance to the edge. Here an error function is
    fitted to it instead of differentiating it, which noise would spoil.
    """
    grey = np.asarray(picture, dtype=np.float64)
    gy, gx = np.gradient(grey)
    weight = gx**2 + gy**2
    # The strongest gradients only: noise in the flat parts would pull the line.
    weight = np.where(weight >= 0.25 * np.percentile(weight, 99.5), weight, 0.0)
    total = float(weight.sum())
    if total <= 0:
        raise MeasurementError("no edge found: the picture is of one brightness")
    y, x = np.mgrid[: grey.shape[0], : grey.shape[1]]
    cx, cy = float((weight * x).sum()) / total, float((weight * y).sum()) / total
    tensor = np.array([[(weight * (x - cx) ** 2).sum(), 0], [0, (weight * (y - cy) ** 2).sum()]])
    tensor[0, 1] = tensor[1, 0] = (weight * (x - cx) * (y - cy)).sum()
    values, vectors = np.linalg.eigh(tensor)
    if values[1] <= 9 * values[0]:
        raise MeasurementError("no straight edge found: choose a part of the picture with one straight edge")
    across = vectors[:, 0]
    angle, shift = math.atan2(across[1], across[0]), 0.0
    for _ in range(3):
        nx, ny = math.cos(angle), math.sin(angle)
        distance = (x - cx) * nx + (y - cy) * ny - shift
        along = (y - cy) * nx - (x - cx) * ny
        near = np.abs(distance) <= reach_px
        result = edge_blur(distance[near], grey[near])
        shift += result.edge_px
        # The edge's place in the two halves along it tells how far the angle is out.
        half = float(np.median(along[near]))
        sides = []
        for side in (near & (along < half), near & (along >= half)):
            if side.sum() >= 40:
                sides.append((float(along[side].mean()), edge_blur(distance[side], grey[side]).edge_px))
        if len(sides) == 2:
            angle -= math.atan2(sides[1][1] - sides[0][1], sides[1][0] - sides[0][0])
    return result
