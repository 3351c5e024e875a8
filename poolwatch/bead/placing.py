"""Where in the mean across a followed edge the edge lies: tone and texture together, over all that is possible.

The mean tone is a step spread by the camera, with sloping sides and perhaps a dark or bright line along its inside,
which can hide the step. The texture changes from that of the sheet to that of the bead at the same place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import erf, logsumexp

from .facts import Floats

# Places tried, px from where columns were aligned; point spreads; reaches of a line along the inside, px (0 = none).
_PLACES = np.arange(-6.0, 4.01, 0.2)
_BLURS = np.array([0.5, 0.65, 0.8, 0.95, 1.1, 1.25, 1.4, 1.6, 1.8, 2.1, 2.5])
_REACHES = (0.0, 1.2, 2.0, 3.2, 5.0, 8.0)
# Chances of a line before the photo is seen, as logarithms: a dark one, in the shade of the toe, and a bright one.
_DARK_LINE, _BRIGHT_LINE = -6.0, -10.0
# Lenses, sharpening and JPEG bend a step by up to this share of its height; colours, which JPEG keeps at half the
# resolution, more, and spread them further, px.
_BENT, _BENT_COLOUR, _COLOUR_BLUR = 0.02, 0.11, 1.2
# Shapes of point spreads differ by this, as if places differed by so many px.
_BENT_STEEP, _BENT_STEEP_COLOUR = 0.07, 0.55
# What the variance of a texture may differ by from a model, as a share.
_UNEVEN = 0.15
# Step of the fine places that a texture is spread over, px.
_FINE = 0.25


class Profile(NamedTuple):
    """The mean across an edge, what it is known to, and the variance of the texture there.

    Attributes
    ----------
    mean
        Shape (k, channels): brightness, then what colours add.
    covariance
        Shape (channels, k, k): of that mean.
    variance
        Shape (k,): of the grain of the brightness.
    pieces
        Independent values that each variance was taken from.
    sizes
        Correlation lengths of the grain of sheet and bead as they show, px (standard deviation of a spread).
    unsteady
        What the course that columns were aligned on is known to, px.
    """

    mean: Floats
    covariance: Floats
    variance: Floats
    pieces: float
    sizes: tuple[float, float]
    unsteady: float


@dataclass(frozen=True)
class EdgePlace:
    """Where an edge lies.

    Attributes
    ----------
    offset, offset_u
        Px from where columns were aligned, positive into the bead, and its standard uncertainty.
    blur
        Standard deviation of its spread, px.
    """

    offset: float
    offset_u: float
    blur: float


def place_edges(x: Floats, profiles: Sequence[Profile]) -> tuple[EdgePlace, ...]:
    """Posterior means over places, spreads and lines; the edges share one point spread.

    Parameters
    ----------
    x
        Places across, px, positive into the bead.
    profiles
        One of each edge.
    """
    chances = [-_misfit(x, one) for one in profiles]
    blurs = [logsumexp(one, axis=0) for one in chances]
    together = np.sum(blurs, axis=0)
    placed = []
    for own, mine in zip(chances, blurs, strict=True):
        joint = own + (together - mine)[None, :]
        weight = np.exp(joint - logsumexp(joint))
        at = weight.sum(axis=1)
        offset = float(at @ _PLACES)
        u = math.sqrt(max(float(at @ (_PLACES - offset) ** 2), 0.0) + (_PLACES[1] - _PLACES[0]) ** 2 / 12)
        placed.append(EdgePlace(offset, u, float(weight.sum(axis=0) @ _BLURS)))
    return tuple(placed)


def step(x: Floats, blur: float) -> Floats:
    """A step from 0 to 1 at 0, spread by a Gaussian."""
    return np.asarray(0.5 * (1 + erf(x / (math.sqrt(2) * blur))))


def _misfit(x: Floats, profile: Profile) -> Floats:
    """Negative log likelihood of every place and spread, shape (places, blurs)."""
    total = np.empty((len(_PLACES), len(_BLURS)))
    whitened = _whitened(x, profile)
    for k, blur in enumerate(_BLURS.tolist()):
        tone = np.stack([_tone(x, whitened, blur, reach) for reach in _REACHES])
        tone[1:] += math.log(len(_REACHES) - 1)
        total[:, k] = -logsumexp(-tone, axis=0) + _texture(x, profile, blur)
    return total


def _whitened(x: Floats, profile: Profile) -> list[tuple[Floats, Floats]]:
    """For each channel the matrix that makes errors of the mean alike and independent, and the mean times it."""
    out = []
    for channel, (mean, covariance) in enumerate(zip(profile.mean.T, profile.covariance, strict=True)):
        bent = (_BENT_COLOUR if channel else _BENT) * float(np.ptp(mean)) + 1e-6
        steep = (_BENT_STEEP_COLOUR if channel else _BENT_STEEP) * np.gradient(mean, x)
        whiten = np.linalg.inv(np.linalg.cholesky(covariance + np.diag(bent**2 + steep**2)))
        out.append((whiten, whiten @ mean))
    return out


def _tone(x: Floats, whitened: list[tuple[Floats, Floats]], blur: float, reach: float) -> Floats:
    """Half the squared misfit of the mean at every place, for one spread and one reach of a line; see `_whitened`."""
    cost = np.zeros(len(_PLACES))
    for channel, (whiten, wanted) in enumerate(whitened):
        spread = math.hypot(blur, _COLOUR_BLUR) if channel else blur
        bases = whiten @ np.stack([_basis(x - place, spread, reach) for place in _PLACES.tolist()])
        # Projections on orthonormal bases.
        q, r = np.linalg.qr(bases)
        along = wanted @ q
        cost += 0.5 * (wanted @ wanted - np.sum(along**2, axis=1))
        if reach and not channel:
            cost -= np.where(along[:, -1] * r[:, -1, -1] > 0, _BRIGHT_LINE, _DARK_LINE)
    return cost


def _basis(off: Floats, blur: float, reach: float) -> Floats:
    """A step whose sides slope; with a line, if any, that fades from the edge into the bead as half a Gaussian."""
    share = step(off, blur)
    parts = [1 - share, (1 - share) * np.minimum(off, 0), share, share * np.maximum(off, 0)]
    if reach:
        total = math.hypot(blur, reach)
        # A half Gaussian through a Gaussian spread: product of a Gaussian and an error function.
        parts.append(np.exp(-0.5 * (off / total) ** 2) * step(off, blur * total / reach))
    return np.column_stack(parts)


def _texture(x: Floats, profile: Profile, blur: float) -> Floats:
    """Half the squared misfit of the variance at every place."""
    u = profile.variance * math.sqrt(2 / profile.pieces + _UNEVEN**2)
    # An edge whose course is known with some error shows as noise, or hides it, where the tone is steep.
    u = np.hypot(u, (profile.unsteady * np.gradient(profile.mean[:, 0], x)) ** 2)
    fine = np.arange(x[0] - _PLACES[-1] - 1, x[-1] - _PLACES[0] + 1, _FINE)
    sheet, bead = (_risen(fine, blur, size) for size in profile.sizes)
    off = x[None, :] - _PLACES[:, None]
    rise, fall = np.interp(off, fine, bead), np.interp(-off, fine, sheet)
    within = np.clip(off / x[-1], 0, 1)
    bases = np.stack([fall, rise * (1 - within), rise * within], axis=2) / u[:, None]
    wanted = profile.variance / u
    along = wanted @ np.linalg.qr(bases)[0]
    cost = 0.5 * (wanted @ wanted - np.sum(along**2, axis=1))
    neighbours = max(1.0, sum(profile.sizes))
    return np.asarray(cost / neighbours)


def _risen(x: Floats, blur: float, size: float) -> Floats:
    """Variance, over that far inside, of a texture that begins at 0, spread by the camera; `size` is as it shows."""
    own = math.sqrt(max(size**2 - blur**2, 0.05**2))
    u = np.arange(0, 5 * blur + 3 * own + _FINE, _FINE) + _FINE / 2
    alike = np.exp(-(((u[:, None] - u[None, :]) / (2 * own)) ** 2))
    seen = np.exp(-0.5 * ((x[:, None] - u[None, :]) / blur) ** 2)
    variance = np.einsum("ij,jk,ik->i", seen, alike, seen)
    whole = np.concatenate([-u[::-1], u])
    full = np.exp(-0.5 * (whole / blur) ** 2)
    total = full @ np.exp(-(((whole[:, None] - whole[None, :]) / (2 * own)) ** 2)) @ full
    return np.asarray(np.where(x > 4 * blur, 1.0, np.minimum(variance / total, 1.0)))
