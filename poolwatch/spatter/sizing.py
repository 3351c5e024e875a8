"""Diameters: what all sightings of a track say together, blur and streak taken out."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .estimates import imaging_of
from .facts import SpatterLook
from .fitting import blur_of
from .leverage import Particle, blur_leverage
from .linking import Tracks
from .records import BORDER, CROWDED, RIM, SATURATED, UNFITTED

# What tables and a Gaussian for the square pixel leave of T, as a share of the blur's variance: without noise 0.0003 to
# 0.0018 (rms of groups by size and streak, 59 particles, blurs of 0.9 and 1.6 px), whatever the size.
_MODEL = 0.0008
# Sightings of a track and tracks of a clip that tell how sightings scatter; and the largest error of T of one that is
# small enough for errors to be linear in noise, as a share of the variance of its picture.
SEVERAL = 5
_CLEAR = 0.03
# Rounds until a correlation agrees with what the mean of each track takes from it; the largest that is believed.
_ROUNDS, _MOST_ALIKE = 8, 0.95
# Degrees of freedom with the scatter of the clip's other tracks that are added to that of each over metal, for with few
# sightings the scatter itself is chancy.
_PRIOR = 4.0


@dataclass(frozen=True)
class Exposure:
    """Share of the time between two frames that a frame's exposure takes.

    Attributes
    ----------
    share2, u_share2
        The share squared and its standard uncertainty.
    source
        ``given``, ``found`` (from the streaks of the clip) or ``unknown``.
    """

    share2: float
    u_share2: float
    source: str


@dataclass(frozen=True)
class Sizes:
    """Diameters by track.

    Attributes
    ----------
    diameter, u_diameter
        Shape (tracks,), px; NaN where no sighting shows the whole particle or could be fitted.
    u_own
        The part of `u_diameter` that the track's own sightings make, by their noise and their scatter, px.
    sightings
        Diameter in each sighting, shape (sightings,), px; NaN where it could not be fitted.
    exposure
        What was used for the streak.
    """

    diameter: NDArray[np.float64]
    u_diameter: NDArray[np.float64]
    u_own: NDArray[np.float64]
    sightings: NDArray[np.float64]
    exposure: Exposure


def _sum(values: NDArray[np.float64], starts: NDArray[np.int64]) -> NDArray[np.float64]:
    if len(starts) < 2:
        return np.zeros(0)
    return np.add.reduceat(np.append(values, 0.0), starts[:-1])


def whole(tracks: Tracks, size: tuple[int, int]) -> NDArray[np.bool_]:
    """Sightings that show all of the particle's exposure, shape (sightings,).

    What touches the border or the pool's rim may be cut off. It is whole if its centre lies in the picture and its
    streak is as long as those of the same track that touch nothing (or as the longest, where all touch).
    """
    s, starts = tracks.sightings, tracks.starts
    touches = (s["mark"] & (BORDER | RIM)) != 0
    length2 = np.hypot(s["streak_m"], s["streak_n"]).astype(np.float64)
    if not len(s):
        return np.zeros(0, dtype=np.bool_)
    counts = np.diff(starts)
    free = np.maximum.reduceat(np.where(touches, -1.0, length2), starts[:-1])
    longest = np.maximum.reduceat(length2, starts[:-1])
    usual = np.repeat(np.where(free >= 0, free, longest), counts)
    slack = 2.0 * s["u_streak"].astype(np.float64) + 1.0
    inside = (s["x"] >= 0) & (s["y"] >= 0) & (s["x"] <= size[1] - 1) & (s["y"] <= size[0] - 1)
    fitted = (s["mark"] & UNFITTED) == 0
    # A doubtful streak tells nothing: its slack must not exceed half of what it is held against.
    certain = slack < 0.5 * usual + 4.0
    return np.asarray(fitted & (~touches | (inside & certain & (length2 > 0.85 * usual - slack))))


def streaks(tracks: Tracks, velocity: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Squared streak length along the flight of each sighting, signed, and its standard uncertainty, px²."""
    s = tracks.sightings
    each = np.repeat(velocity, np.diff(tracks.starts), axis=0)
    v2 = np.maximum((each**2).sum(axis=1), 1e-12)
    cos2, sin2 = (each[:, 0] ** 2 - each[:, 1] ** 2) / v2, 2 * each[:, 0] * each[:, 1] / v2
    along = s["streak_m"] * cos2 + s["streak_n"] * sin2
    return along.astype(np.float64), np.maximum(s["u_streak"].astype(np.float64), 1e-3)


def find_exposure(
    tracks: Tracks, velocity: NDArray[np.float64], good: NDArray[np.bool_], given: float | None
) -> Exposure:
    """Exposure as given, or as the clip's own streaks tell: L² against v² over all tracks, through the origin."""
    if given is not None:
        return Exposure(given**2, 0.0, "given")
    if len(tracks) == 0:
        return Exposure(0.0, 0.0, "unknown")
    along, u = streaks(tracks, velocity)
    v2 = (velocity**2).sum(axis=1)
    weight = np.where(good, 1.0 / (u**2 + 0.05**2), 0.0)
    total = _sum(weight, tracks.starts)
    known = (total > 0) & (v2 > 1.0)
    if known.sum() < 3:
        return Exposure(0.0, 0.0, "unknown")
    mean = np.where(total > 0, _sum(weight * along, tracks.starts) / np.maximum(total, 1e-12), 0.0)
    share2 = mean[known] / v2[known]
    trust = 1.0 / (1.0 / (total[known] * v2[known] ** 2) + 0.02**2)
    # Weighted median, and the scatter about it.
    order = np.argsort(share2, kind="stable")
    cumulated = np.cumsum(trust[order])
    middle = float(share2[order][np.searchsorted(cumulated, 0.5 * cumulated[-1])])
    near = np.abs(share2 - middle) < 4.0 / np.sqrt(trust)
    if near.sum() < 3:
        return Exposure(0.0, 0.0, "unknown")
    w = trust[near]
    value = float((w * share2[near]).sum() / w.sum())
    scatter = float((w * (share2[near] - value) ** 2).sum() / w.sum())
    u_value = float(np.sqrt(max(1.0 / w.sum(), scatter / max(near.sum() - 1, 1))))
    return Exposure(float(np.clip(value, 0.0, 1.0)), u_value, "found")


def find_sizes(
    tracks: Tracks,
    velocity: NDArray[np.float64],
    look: SpatterLook,
    exposure_frames: float | None,
    *,
    over_metal: bool = False,
) -> Sizes:
    """Weighted mean over each track of the squared diameter, given the streak that its speed makes.

    With d²/16 = T - L²/24 (see `records`), each sighting's T is first moved to the streak L² = (v · exposure)²
    along its own covariance, so that no sighting's chance streak biases its size.

    `over_metal`: sightings scatter by the marks that the particle passes, not by compression.
    """
    s = tracks.sightings
    bad = BORDER | RIM | CROWDED | UNFITTED
    good = (s["mark"] & bad) == 0
    exposure = find_exposure(tracks, velocity, good, exposure_frames)
    along, u_along = streaks(tracks, velocity)
    counts = np.diff(tracks.starts)
    v2 = (velocity**2).sum(axis=1)
    some = _sum(good.astype(np.float64), tracks.starts) > 0
    entire = whole(tracks, look.background.shape)
    any_entire = _sum(entire.astype(np.float64), tracks.starts) > 0
    # Where no sighting is clean, those that touch something but seem whole must do. Failing these, all tell how well
    # the track holds together, but no size: what the border or the rim cuts off is missing.
    use = np.where(
        np.repeat(some, counts),
        good,
        np.where(np.repeat(any_entire, counts), entire, s["mark"] & UNFITTED == 0),
    )
    w_along = np.where(use, 1.0 / u_along**2, 0.0)
    total = np.maximum(_sum(w_along, tracks.starts), 1e-300)
    length2 = _sum(w_along * along, tracks.starts) / total
    var_length2 = 1.0 / total
    share = np.zeros(len(total))
    if exposure.source != "unknown":
        prior = exposure.share2 * v2
        var_prior = (exposure.u_share2 * v2) ** 2
        share = var_length2 / (var_length2 + var_prior)
        length2 = share * prior + (1 - share) * length2
        var_length2 = share * var_prior
    length2 = np.maximum(length2, 0.0)
    slope = s["slope"].astype(np.float64)
    # The fit's own streak, whatever its direction: noise draws a picture out some way, and what it takes from the disc
    # goes by that length, not by the part of it that happens to lie along the flight.
    drawn_out = np.hypot(s["streak_m"], s["streak_n"]).astype(np.float64)
    moved = s["spread"] + slope * (np.repeat(length2, counts) - drawn_out)
    u_spread = np.maximum(s["u_spread"].astype(np.float64), 1e-4)
    weight = np.where(use, 1.0 / u_spread**2, 0.0)
    total = _sum(weight, tracks.starts)
    known = total > 0
    sized = known & (some | any_entire)
    total = np.maximum(total, 1e-300)
    spread = _sum(weight * moved, tracks.starts) / total
    used = _sum(use.astype(np.float64), tracks.starts)
    chi = _sum(weight * (moved - np.repeat(spread, counts)) ** 2, tracks.starts) / np.maximum(used - 1, 1)
    mean_slope = _sum(weight * slope, tracks.starts) / total
    disc = spread - length2 / 24.0
    var = np.maximum(chi, 1.0) / total + (mean_slope - 1 / 24.0) ** 2 * var_length2
    one = used / total
    clear = (used >= SEVERAL) & (np.sqrt(one) < _CLEAR * (spread + blur_of(look.psf_sigma_px) ** 2))
    own = np.sqrt(var)
    if over_metal:
        off = np.where(use, (moved - np.repeat(spread, counts)) / u_spread, np.nan)
        var += over_marks(off, tracks.starts, clear) / total - np.maximum(chi, 1.0) / total
    elif (beyond := beyond_noise(chi[clear], used[clear] - 1)) > 0.0:
        var += np.where(used >= SEVERAL, np.maximum(chi - 1.0, 0.0), beyond) * one
    # All tracks of a clip share the error of its point spread.
    fall, streak_falls = _leverage(tracks, weight, look)
    fall += (mean_slope - 1 / 24.0) * (1.0 - share) * streak_falls
    var += (fall * 2 * look.psf_sigma_px * look.psf_u_px) ** 2
    var += (_MODEL * blur_of(look.psf_sigma_px) ** 2) ** 2
    u = np.sqrt(np.where(some, var, 4 * var))
    diameter = 4.0 * np.sqrt(_positive_mean(disc, u))
    u_diameter = 8.0 * u / np.maximum(diameter, 1e-6)
    # d follows its square: below two standard uncertainties the linear law overstates.
    u_diameter = np.minimum(u_diameter, 4.0 * np.sqrt(u))
    single = 16.0 * (moved - np.repeat(length2, counts) / 24.0)
    each = np.where((s["mark"] & UNFITTED) == 0, np.sqrt(np.maximum(single, 0.0)), np.nan)
    nothing = np.nan
    return Sizes(
        diameter=np.where(sized, diameter, nothing),
        u_diameter=np.where(sized, u_diameter, nothing),
        u_own=np.where(
            known, np.minimum(8.0 * own / np.maximum(diameter, 1e-6), 4.0 * np.sqrt(own)), nothing
        ),
        sightings=each,
        exposure=exposure,
    )


def beyond_noise(chi: NDArray[np.float64], freedom: NDArray[np.float64]) -> float:
    """By how much sightings of a clip's clear tracks scatter more than noise, in variances of noise; 0 for few tracks.

    That is compression above all, which bends each picture of a particle a little. As much as the bends of a track
    differ they are taken to be alike: that part does not shrink with the number of sightings. Only what is clear of
    chance counts, two standard errors of the median.
    """
    if len(chi) < SEVERAL:
        return 0.0
    # The median of chi-square over its degrees of freedom (Wilson and Hilferty 1931, doi:10.1073/pnas.17.12.684).
    ratio = chi / (1.0 - 2.0 / (9.0 * freedom)) ** 3
    error = 1.2533 * float(np.sqrt(np.mean(2.0 / freedom) / len(chi)))
    return max(float(np.median(ratio)) - 1.0 - 2.0 * error, 0.0)


def over_marks(
    off: NDArray[np.float64], starts: NDArray[np.int64], clear: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Variance of each track's mean over that of as many sightings with the errors stated and nothing in common.

    Sightings scatter by as much as they do, whatever their fits state. Those that follow each other err alike, for the
    particle passes over the same marks: of n of them so many of the same variance are worth n/τ (Sokal 1997), and their
    squares about their own mean sum to n - τ variances.

    Parameters
    ----------
    off
        Errors of the sightings in their own uncertainties, shape (sightings,); NaN where there is none.
    starts, clear
        Where each track starts, and which of them tell what is usual in the clip.
    """
    squares = _sum(np.where(np.isfinite(off), off, 0.0) ** 2, starts)
    seen = _sum(np.isfinite(off).astype(np.float64), starts)
    alike = running_on(off, starts, clear)
    freedom = np.maximum(seen - alike, 0.0)
    usual = 1.0
    if clear.sum() >= SEVERAL:
        usual = float(np.median(squares[clear] / np.maximum(freedom[clear], 1.0)))
    scatter = (squares + _PRIOR * usual) / (freedom + _PRIOR)
    return np.asarray(scatter * np.clip(alike, 1.0, np.maximum(seen, 1.0)))


def running_on(off: NDArray[np.float64], starts: NDArray[np.int64], clear: NDArray[np.bool_]) -> float:
    """How many sightings that follow each other are worth one: τ = (1 + φ)/(1 - φ), φ the correlation of neighbours.

    Parameters
    ----------
    off, starts, clear
        See `over_marks`.
    """
    parts = [off[a:b] for k, (a, b) in enumerate(itertools.pairwise(starts)) if clear[k]]
    if len(parts) < SEVERAL:
        return 1.0
    known = np.concatenate([part[np.isfinite(part)] for part in parts])
    products = np.concatenate([part[1:] * part[:-1] for part in parts])
    products = products[np.isfinite(products)]
    if len(products) < SEVERAL:
        return 1.0
    seen, worth = float(products.mean() / np.mean(known**2)), 1.0
    for _ in range(_ROUNDS):
        # The mean of a track is taken out of its errors: what it scatters by is missing in all of them.
        lowered = min(worth * len(parts) / len(known), 0.5)
        alike = min(max(seen * (1.0 - lowered) + lowered, 0.0), _MOST_ALIKE)
        worth = (1.0 + alike) / (1.0 - alike)
    return worth


def _leverage(
    tracks: Tracks, weight: NDArray[np.float64], look: SpatterLook
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """See `blur_leverage`, for the sighting of each track that weighs most, shape (tracks,) each."""
    s, starts = tracks.sightings, tracks.starts
    imaging = imaging_of(look)
    h, w = look.background.shape
    out = np.zeros((len(tracks), 2))
    for i in range(len(tracks)):
        k = int(starts[i] + np.argmax(weight[starts[i] : starts[i + 1]]))
        one = s[k]
        x, y = min(max(round(float(one["x"])), 0), w - 1), min(max(round(float(one["y"])), 0), h - 1)
        particle = Particle(*(float(one[name]) for name in Particle._fields))
        out[i] = blur_leverage(imaging, particle, float(look.background[y, x]), float(look.full_level))
    # What cannot be told is taken for a point's.
    known = np.isfinite(out).all(axis=1)
    out[~known] = 1.0, 0.0
    return out[:, 0], out[:, 1]


def _positive_mean(mean: NDArray[np.float64], sd: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of a normal variable known to be positive."""
    from scipy.special import erfcx

    z = np.clip(mean / sd, -30.0, 30.0)
    # Ratio of density to probability, stable in the lower tail.
    hazard = np.sqrt(2 / np.pi) / erfcx(-z / np.sqrt(2))
    return np.where(z > 6, mean, sd * (np.clip(z, -30, 6) + hazard))


def saturated(tracks: Tracks) -> NDArray[np.int64]:
    """1 where any sighting of a track reached full scale."""
    hit = (tracks.sightings["mark"] & SATURATED) != 0
    return (_sum(hit.astype(np.float64), tracks.starts) > 0).astype(np.int64)
