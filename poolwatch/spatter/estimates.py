"""Regions fitted and judged, each by itself: what makes them rows of the table of sightings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .facts import SpatterLook
from .fitting import blur_of, fit_sighting, soft_edge
from .parameters import (
    FLUX,
    GROUND,
    PARAMETERS,
    SPREAD,
    STREAK_M,
    STREAK_N,
    Imaging,
    Pixels,
    Record,
    X,
    Y,
    along_streak,
    pixels_at,
    pixels_for,
)
from .profile import disc_table
from .records import BORDER, CROWDED, RIM, SHADED, SIGHTING, SOFT, UNFITTED
from .settings import SpatterSettings

# A sighting as the kernels work it out: the fields of `records.SIGHTING` after the frame, in full precision.
ESTIMATE = np.dtype([(name, "f8") for name in SIGHTING.names[1:]])  # type: ignore[index]

# What is known of a region before its fit.
REGION = np.dtype(
    [
        # Start of the fit, as its parameters; the ground starts at 0.
        ("x", "f8"),
        ("y", "f8"),
        ("flux", "f8"),
        ("spread", "f8"),
        ("streak_m", "f8"),
        ("streak_n", "f8"),
        # Standard deviation of a pixel of the ground, grey values.
        ("noise", "f8"),
        # Centre of its light, px.
        ("centre_x", "f8"),
        ("centre_y", "f8"),
        # Low end along its direction, from the centre, and half its extent, px.
        ("low", "f8"),
        ("half", "f8"),
        # Its light, grey values, and the variances of that, px².
        ("light", "f8"),
        ("xx", "f8"),
        ("xy", "f8"),
        ("yy", "f8"),
        # Peak over full scale, signal and mark as in `records`.
        ("height", "f8"),
        ("signal", "f8"),
        ("mark", "i8"),
    ]
)
# A place outside the picture by more than this, px, is no answer of a fit.
_OUTSIDE = 5.0
# A disc is judged soft or sharp from this many blurs of diameter on.
_WIDE = 3.0
# What a sighting that is not fitted is taken to be known to: place, px; light, share; its spread and streak, px².
_ROUGH_PLACE, _ROUGH_LIGHT, _ROUGH_SPREAD, _ROUGH_STREAK = 1.0, 0.5, 1.0, 12.0


class EstimateLimits(NamedTuple):
    """Largest extents of a particle's picture, px: its diameter, and its length with the streak."""

    max_diameter: float
    max_length: float


@dataclass(frozen=True)
class Regions:
    """Regions before their fit, and all that it needs.

    Attributes
    ----------
    known
        What is known of each beforehand, shape (m,), dtype `REGION`.
    pixels
        The pixels of all, side by side, as `window.window` gives them.
    starts
        Where the pixels of each begin, shape (m + 1,).
    """

    known: NDArray[np.void]
    pixels: Pixels
    starts: NDArray[np.int64]

    @classmethod
    def none(cls) -> Regions:
        """No region."""
        return cls(np.zeros(0, dtype=REGION), pixels_for(0), np.zeros(1, dtype=np.int64))

    @classmethod
    def joined(cls, parts: Sequence[Regions]) -> Regions:
        """Several in one."""
        if len(parts) == 1:
            return parts[0]
        counts = np.concatenate([np.diff(one.starts) for one in parts])
        return cls(
            np.concatenate([one.known for one in parts]),
            Pixels(*(np.concatenate(each) for each in zip(*(one.pixels for one in parts), strict=True))),
            np.append(0, np.cumsum(counts)),
        )

    def __len__(self) -> int:
        return len(self.known)

    def chosen(self, which: NDArray[np.bool_]) -> Regions:
        """Some of them, in order."""
        counts = np.diff(self.starts)
        return Regions(
            self.known[which],
            pixels_at(self.pixels, np.repeat(which, counts)),
            np.append(0, np.cumsum(counts[which])),
        )

    def since(self, first: int) -> Regions:
        """Those from `first` on."""
        begin = self.starts[first]
        return Regions(
            self.known[first:], pixels_at(self.pixels, slice(begin, None)), self.starts[first:] - begin
        )


def conclude(
    regions: Regions, wanted: NDArray[np.bool_], look: SpatterLook, settings: SpatterSettings
) -> tuple[NDArray[np.void], NDArray[np.bool_]]:
    """Fit regions and judge each by itself.

    Parameters
    ----------
    regions
        As `searching.search` gives them.
    wanted
        Which of them are fitted, shape (n,), for the first n; the others get a row from their moments alone.
    look, settings
        What `learn` learned, and the settings given to it.

    Returns
    -------
    tuple
        Estimates, shape (n,), dtype `ESTIMATE`, and which of them are not too large for a particle.
    """
    imaging = imaging_of(look)
    rows, fits = np.zeros(len(wanted), dtype=ESTIMATE), np.zeros(len(wanted), dtype=np.bool_)
    h, w = look.background.shape
    _conclude_all(
        regions.known,
        regions.pixels,
        regions.starts,
        wanted,
        _Bounds(imaging, limits_of(settings, imaging.blur), h, w, bool(np.isfinite(look.below))),
        (rows, fits),
    )
    return rows, fits


def imaging_of(look: SpatterLook) -> Imaging:
    """How the camera of a clip pictures particles."""
    read, shot = look.working_noise
    return Imaging(disc_table(), float(blur_of(look.psf_sigma_px)), float(read), float(shot))


def limits_of(settings: SpatterSettings, blur: float) -> EstimateLimits:
    """Largest extents of a particle's picture."""
    diameter = float(settings.max_diameter_px)
    return EstimateLimits(diameter, float(diameter + settings.max_step_px + 4 * blur))


class _Bounds(NamedTuple):
    """What an estimate is judged by: the camera, the largest particle, and the picture's height and width, px.

    `certain`: all of the ground is known to lie behind the particle.
    """

    imaging: Imaging
    limits: EstimateLimits
    height: int
    width: int
    certain: bool


@njit(cache=True, nogil=True)
def _unfitted(known: Record, blur: float, row: Record) -> None:
    """Estimate of a region without a fit, from its moments alone, into `row`."""
    row.x, row.y, row.flux = known.centre_x, known.centre_y, known.light
    row.spread = max(0.5 * (known.xx + known.yy) - blur * blur, 0.0)
    row.streak_m, row.streak_n = 12.0 * (known.xx - known.yy), 24.0 * known.xy
    row.u_x = row.u_y = _ROUGH_PLACE
    row.u_flux = _ROUGH_LIGHT
    row.peak = known.height
    row.u_spread = 0.5 * row.spread + _ROUGH_SPREAD
    row.u_streak = math.hypot(row.streak_m, row.streak_n) + _ROUGH_STREAK
    row.slope = row.misfit = 0.0
    row.signal = known.signal
    row.mark = known.mark | UNFITTED


@njit(cache=True, nogil=True)
def _conclude(known: Record, pixels: Pixels, bounds: _Bounds, row: Record) -> bool:
    """Fit a region to its pixels and fill its `row`.

    False where it is too large for a particle; the row is not filled then.
    """
    imaging, blur, n = bounds.imaging, bounds.imaging.blur, pixels.x.size
    p, covariance = np.empty(PARAMETERS), np.empty((PARAMETERS, PARAMETERS))
    p[X], p[Y], p[FLUX], p[GROUND] = known.x, known.y, known.flux, 0.0
    p[SPREAD], p[STREAK_M], p[STREAK_N] = known.spread, known.streak_m, known.streak_n
    mark = known.mark
    reduced = -1.0
    if n > PARAMETERS:
        reduced, _n = fit_sighting(imaging, pixels, known.noise, p, covariance)
    disc = 16.0 * p[SPREAD] - 2.0 / 3.0 * math.hypot(p[STREAK_M], p[STREAK_N])
    if reduced >= 0 and disc > bounds.limits.max_diameter * bounds.limits.max_diameter:
        return False
    doubt = 1.0 + 4.0 * math.sqrt(2.0 / max(n, 1))
    if bounds.certain and reduced > doubt:
        mark |= SHADED
    judged = reduced > doubt and disc > (_WIDE * blur) ** 2 and mark & (BORDER | RIM | CROWDED) == 0
    if judged and soft_edge(imaging, pixels, known.noise, p):
        mark |= SOFT
    w, h = bounds.width, bounds.height
    inside = known.low <= 0.0 and -_OUTSIDE - w < p[X] < 2 * w and -_OUTSIDE - h < p[Y] < 2 * h
    moved = math.hypot(p[X] - known.centre_x, p[Y] - known.centre_y)
    if reduced < 0 or p[FLUX] <= 0.0 or not inside or moved > bounds.limits.max_length:
        _unfitted(known, blur, row)
        row.mark = mark | UNFITTED
        return True
    row.peak, row.signal, row.mark = known.height, known.signal, mark
    pull = (0.0, 0.0) if bounds.certain else _pull(pixels, p, blur)
    _fitted(p, covariance, reduced, pull, row)
    return True


@njit(cache=True, nogil=True)
def _fitted(
    p: NDArray[np.float64],
    covariance: NDArray[np.float64],
    reduced: float,
    pull: tuple[float, float],
    row: Record,
) -> None:
    """Write the answer of a fit and its uncertainties into `row`; `pull` is the doubt about the centre beyond them."""
    pull_x, pull_y = pull
    row.x, row.y, row.flux = p[X], p[Y], p[FLUX]
    row.spread, row.streak_m, row.streak_n = p[SPREAD], p[STREAK_M], p[STREAK_N]
    inflate = max(1.0, reduced)
    _cm, _cn, v_streak, c_streak = along_streak(p[STREAK_M], p[STREAK_N], covariance)
    slope = c_streak / v_streak if v_streak > 0.0 else 0.0
    row.u_x = math.sqrt(inflate * covariance[X, X] + pull_x * pull_x)
    row.u_y = math.sqrt(inflate * covariance[Y, Y] + pull_y * pull_y)
    row.u_flux = math.sqrt(inflate * covariance[FLUX, FLUX]) / p[FLUX]
    row.u_spread = math.sqrt(inflate * max(covariance[SPREAD, SPREAD] - slope * c_streak, 0.0))
    row.u_streak = math.sqrt(inflate * v_streak)
    row.slope = slope
    row.misfit = math.sqrt(reduced)


@njit(cache=True, nogil=True)
def _conclude_all(
    known: NDArray[np.void],
    pixels: Pixels,
    starts: NDArray[np.int64],
    wanted: NDArray[np.bool_],
    bounds: _Bounds,
    out: tuple[NDArray[np.void], NDArray[np.bool_]],
) -> None:
    """`_conclude` for the regions `wanted`, `_unfitted` for the others; writes rows and which are not too large."""
    rows, fits = out
    for k in range(wanted.size):
        fits[k] = True
        if wanted[k]:
            a, b = starts[k], starts[k + 1]
            own = Pixels(
                pixels.x[a:b], pixels.y[a:b], pixels.value[a:b], pixels.ground[a:b], pixels.limit[a:b]
            )
            fits[k] = _conclude(known[k], own, bounds, rows[k])
        else:
            _unfitted(known[k], bounds.imaging.blur, rows[k])


@njit(cache=True, nogil=True)
def _pull(pixels: Pixels, p: NDArray[np.float64], blur: float) -> tuple[float, float]:
    """Doubt about a centre from the slope of the ground, px: which part of it lies behind, which before the particle?

    Half of the shift that hiding the ground makes: slope of the ground over surface brightness times variance.
    """
    x, y, ground = pixels.x, pixels.y, pixels.ground
    n = x.size
    sx = sy = sg = sxx = syy = sxg = syg = 0.0
    for i in range(n):
        dx, dy, g = x[i] - p[X], y[i] - p[Y], ground[i]
        sx, sy, sg = sx + dx, sy + dy, sg + g
        sxx, syy, sxg, syg = sxx + dx * dx, syy + dy * dy, sxg + dx * g, syg + dy * g
    slope_x = (sxg - sx * sg / n) / max(sxx - sx * sx / n, 1e-9)
    slope_y = (syg - sy * sg / n) / max(syy - sy * sy / n, 1e-9)
    disc = max(p[SPREAD] - math.hypot(p[STREAK_M], p[STREAK_N]) / 24.0, 0.0)
    # The disc's area over the flux is 1 over its surface brightness above the ground.
    share = 0.5 * 4.0 * math.pi * disc / max(p[FLUX], 1e-9) * (disc + blur * blur)
    return abs(slope_x) * share, abs(slope_y) * share
