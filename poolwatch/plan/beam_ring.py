"""A core with a ring around it: found in the profile over the radius, shares split where the two overlap."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .beam_moments import Moments

Floats = NDArray[np.float64]
# A ring goes all the way round: mean light in each of twelve sectors over the mean of all.
_LEAST_SECTOR, _MOST_SECTOR = 0.5, 1.6


@dataclass(frozen=True)
class Ring:
    """A ring that was found; lengths in px."""

    core_share: float
    core_diameter: float
    diameter: float
    width: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Fit:
    """Core ``height exp(-(r/size)^steep)`` and a ring of one of two kinds.

    Bell: ``height exp(-|(r - middle)/half|^form)``. Flat: ``height`` between two edges, each blurred over ``form``.
    """

    flat: bool
    core_height: float
    core_size: float
    core_steep: float
    ring_height: float
    middle: float
    half: float
    form: float
    cost: float = 0.0

    @property
    def parts(self) -> list[float]:
        """What is fitted."""
        core = [self.core_height, self.core_size, self.core_steep]
        return [*core, self.ring_height, self.middle, self.half, self.form]

    def core(self, radius: Floats) -> Floats:
        """Light of the core at each radius."""
        depth = np.minimum((radius / self.core_size) ** self.core_steep, 700)
        return np.asarray(self.core_height * np.exp(-depth))

    def ring(self, radius: Floats) -> Floats:
        """Light of the ring at each radius."""
        from scipy.special import erf

        height, middle, half, form = self.ring_height, self.middle, self.half, self.form
        light: Floats
        if self.flat:
            light = height / 2 * (erf((radius - middle + half) / form) - erf((radius - middle - half) / form))
        else:
            light = height * np.exp(-np.minimum(np.abs((radius - middle) / half) ** form, 700))
        return light

    @property
    def band(self) -> float:
        """Half of the ring's width at half of its height."""
        return self.half if self.flat else self.half * math.log(2) ** (1 / self.form)

    @property
    def end(self) -> float:
        """Radius beyond which the ring has less than a thousandth of its height."""
        half, form = self.half, self.form
        return self.middle + (half + 2.2 * form if self.flat else half * math.log(1000) ** (1 / form)) + 1


def radii(shape: tuple[int, ...], moments: Moments) -> Floats:
    """Distance of each pixel from the centroid, px; for a beam that is not round, along circles stretched like it."""
    height, width = shape
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float64)
    dx, dy = xx - moments.x, moments.y - yy
    if moments.round:
        return np.asarray(np.hypot(dx, dy))
    angle = math.radians(moments.angle_deg)
    stretch = math.sqrt(moments.major / moments.minor)
    along = dx * math.cos(angle) + dy * math.sin(angle)
    across = dy * math.cos(angle) - dx * math.sin(angle)
    return np.asarray(np.hypot(along / stretch, across * stretch))


def radial_profile(light: Floats, r: Floats, reach: float) -> tuple[Floats, Floats, Floats]:
    """Mean over circles: radius, mean and number of pixels, one a pixel of radius that has any.

    Parameters
    ----------
    light
        Picture without background.
    r
        From `radii`.
    reach
        Largest radius, px.
    """
    keep = r <= reach
    place = np.rint(r[keep]).astype(int)
    count = np.bincount(place)
    some = count > 0
    mean = np.bincount(place, light[keep])[some] / count[some]
    return np.bincount(place, r[keep])[some] / count[some], mean, count[some].astype(np.float64)


def find_ring(light: Floats, moments: Moments) -> Ring | None:
    """Look for a ring about the centroid.

    A core and a ring of free height, size and steepness are fitted to the radial profile; where both shine the
    light is shared between them as the fit has it, everywhere else the picture alone counts.

    Parameters
    ----------
    light
        Picture without background.
    moments
        Of this picture.

    Returns
    -------
    Ring or None
        None where there is no ring.
    """
    r = radii(light.shape, moments)
    reach = 1.5 * math.sqrt(moments.major * moments.minor)
    radius, profile, pixels = radial_profile(light, r, reach)
    error = np.maximum(moments.noise / np.sqrt(pixels), 1e-4 * profile.max())
    fit = _best_fit(radius, profile, pixels, error)
    if fit is None or not _shoulder(fit) or not _all_round(light, moments, r, fit):
        return None
    if fit.ring_height < 4 * np.interp(fit.middle, radius, error):
        return None
    end = min(reach, fit.end)
    inside = r <= end
    of_core = np.interp(r[inside], radius, _share(radius, fit))
    z = light[inside]
    total, mine = float(z.sum()), float((z * of_core).sum())
    share = min(max(mine / total, 0.0), 1.0)
    square = float((z * of_core * r[inside] ** 2).sum()) / mine if mine > 0.005 * total else 0.0
    notes = []
    beyond = moments.power / total - 1
    within = float(moments.window.sum())
    # Noise in the window, and of the level that was taken off all of it.
    unsure = moments.noise * math.sqrt(within + within**2 / max(light.size - within, 1.0)) / total
    if beyond > max(0.01, 4 * unsure):
        notes.append(f"{100 * beyond:.1f} % of the power is beyond the ring and is not counted")
    if moments.cut:
        notes.append("the beam reaches beyond the picture; the ring's share may be too small")
    core, ring = fit.core(radius), fit.ring(radius)
    under = float((ring * pixels)[(core > ring) & (radius < fit.middle)].sum()) / total
    if under > 0.005:
        notes.append(
            f"core and ring overlap: {100 * under:.1f} % of the power is taken for ring light under the core; "
            "the split is no better known than that"
        )
    core_diameter = 2 * math.sqrt(2 * square) if square > 0 else math.nan
    return Ring(share, core_diameter, 2 * fit.middle, 2 * fit.band, tuple(notes))


def _best_fit(radius: Floats, profile: Floats, pixels: Floats, error: Floats) -> _Fit | None:
    """Best of several fits, begun with cores and rings of different sizes."""
    from scipy.ndimage import gaussian_filter1d

    smooth = gaussian_filter1d(profile, max(1.0, len(profile) / 150))
    lit = np.flatnonzero(smooth > 4 * error)
    if lit.size == 0 or lit[-1] < 4:
        return None
    end = float(radius[lit[-1]])
    fits = []
    for core_end in (0.12, 0.25, 0.45):
        for ring_end in (0.7, 1.0):
            inner, outer = core_end * end, ring_end * end
            band = (radius > inner * 1.2) & (radius < outer)
            plateau = max(float(smooth[band].mean()) if band.any() else 0.0, float(error.min()))
            core_height = max(float(smooth[0]) - plateau, 0.1 * plateau)
            start = [core_height, inner, 3.0, plateau, (inner + outer) / 2, (outer - inner) / 2.5, 3.0]
            fits += [_fit(radius, profile, pixels, start, flat, 15) for flat in (False, True)]
    fits.sort(key=lambda fit: fit.cost)
    # A few steps sort the beginnings; the best three go on to the end.
    ended = [_fit(radius, profile, pixels, fit.parts, fit.flat, 150) for fit in fits[:3]]
    return min(ended, key=lambda fit: fit.cost)


def _fit(radius: Floats, profile: Floats, pixels: Floats, start: list[float], flat: bool, steps: int) -> _Fit:
    from scipy.optimize import least_squares

    top, far = float(profile.max()), float(radius[-1])
    low = [0.0, 0.5, 1.2, 0.0, 1.0, 0.7, 0.3 if flat else 1.2]
    high = [3 * top, far, 40.0, 3 * top, far, far, far / 3 if flat else 40.0]
    begin = np.clip(start, np.array(low) * 1.0001 + 1e-12, np.array(high) * 0.9999)
    # All pixels count alike, so each circle by their number.
    weight = np.sqrt(pixels) / top

    def residual(parts: Floats) -> Floats:
        fit = _Fit(flat, *parts)
        return (fit.core(radius) + fit.ring(radius) - profile) * weight

    found = least_squares(residual, begin, bounds=(low, high), x_scale=np.maximum(begin, 0.1), max_nfev=steps)
    return replace(_Fit(flat, *found.x.tolist()), cost=float(found.cost))


def _shoulder(fit: _Fit) -> bool:
    """Whether there is a valley before the ring, or the fall over the radius eases off on it.

    A spot with wide wings only falls ever faster on a double logarithmic scale; a flat top does not fall at all.
    """
    radius = np.linspace(fit.middle / 400, fit.middle, 400)
    light = fit.core(radius) + fit.ring(radius)
    top = float(light[-1])
    if float(light.min()) < 0.9 * top:
        return True
    fall = -np.gradient(np.log(np.maximum(light, 1e-12 * light.max())), np.log(radius))
    eased = fall < 0.5 * np.maximum.accumulate(fall)
    return bool(light[0] > 1.25 * top and eased[1:].any())


def _share(radius: Floats, fit: _Fit) -> Floats:
    """Share of the core in the light at each radius; where neither shines, the nearer one has it."""
    core, ring = fit.core(radius), fit.ring(radius)
    both = core + ring
    dark = both < 1e-6 * both.max()
    share = np.where(dark, 0.0, core / np.maximum(both, 1e-300))
    inner = radius < fit.middle
    # The core does not come back outside the ring, whatever the tail of its fit says.
    share = np.where(inner, share, np.minimum(share, 0.5) * (core > ring))
    if dark.any():
        lit_core = radius[(~dark) & inner & (share > 0.5)]
        edge = float(lit_core.max()) if lit_core.size else 0.0
        lit_ring = radius[(~dark) & (share <= 0.5)]
        begin = float(lit_ring.min()) if lit_ring.size else fit.middle
        share = np.where(dark & (radius < (edge + begin) / 2), 1.0, share)
    return np.asarray(share)


def _all_round(light: Floats, moments: Moments, r: Floats, fit: _Fit) -> bool:
    """Whether the ring goes all the way round."""
    height, width = light.shape
    yy, xx = np.mgrid[0:height, 0:width]
    on = np.abs(r - fit.middle) <= max(fit.band, 1.0)
    turn = np.arctan2(yy[on] - moments.y, xx[on] - moments.x)
    sector = ((turn + np.pi) / (2 * np.pi) * 12).astype(int) % 12
    mean = np.bincount(sector, light[on], minlength=12) / np.maximum(np.bincount(sector, minlength=12), 1)
    return bool(mean.min() > _LEAST_SECTOR * mean.mean() > 0 and mean.max() < _MOST_SECTOR * mean.mean())
