"""The smallest particle that a clip shows: graded particles are drawn into its own frames and looked for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .detecting import detect
from .facts import SpatterLook
from .fitting import blur_of
from .paths import distance_outside
from .profile import SHAPE, densities, disc_table, shape_of
from .records import SATURATED, UNFITTED
from .settings import SpatterSettings

# Frames of the sample that particles are drawn into, at most.
_FRAMES = 16
# Sizes that are tried: from 0.3 px, each 12 % larger.
_LADDER = 0.3 * 1.12 ** np.arange(45)
# Particles that are drawn of each size, at most.
_DRAWN = 160
# Share of its sightings that must succeed for a particle to be tracked half of the time. Three sightings with at most
# one frame unseen between them are a track: by enumeration 0.51, 0.44, 0.39 for 6, 8 and 10 frames in view; what is
# near the limit comes nearer to it where the ground is brighter or its streak longer, so the upper end is taken.
_SHARE = 0.5
# Times the detection level from which a sighting counts as clear: what a codec leaves hardly passes the level.
_CLEAR = 2.4
# Standard uncertainties of T above 0 from which a diameter can be measured; logarithm to which it is found.
_TOLD, _NEAR = 2.0, 0.06
# Surface brightness of a drawn particle where the clip shows none to go by, of full scale.
_ASSUMED = 0.5


class Smallest(NamedTuple):
    """The smallest particle that a clip shows.

    Attributes
    ----------
    diameter_px
        Diameter at which half of the particles are tracked and a diameter can be measured; NaN where the clip shows not
        even the largest tried, or has no room for any.
    seen_px
        Diameter at which half of them are tracked, whether or not it can be measured.
    brightness
        Surface brightness above the ground that they were drawn with, fraction of full scale.
    """

    diameter_px: float
    seen_px: float
    brightness: float


class _Stage(NamedTuple):
    """Frames that particles are drawn into, outlines and sightings in them, and what is drawn."""

    frames: NDArray[Any]
    around: list[NDArray[np.float64]] | None
    seen: NDArray[np.void]
    look: SpatterLook
    settings: SpatterSettings
    light: float
    streak: float
    rng: np.random.Generator


def smallest_diameter(
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    *,
    settings: SpatterSettings | None = None,
    brightness: float | None = None,
    streak_px: float | None = None,
) -> float:
    """`diameter_px` of `smallest_particle`."""
    return smallest_particle(
        sample, outlines, look, settings=settings, brightness=brightness, streak_px=streak_px
    ).diameter_px


def smallest_particle(
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    *,
    settings: SpatterSettings | None = None,
    brightness: float | None = None,
    streak_px: float | None = None,
) -> Smallest:
    """Diameter at which half of the particles are tracked and can be sized, px.

    Particles of graded size are drawn into frames of the sample, away from the pool and from each other, with
    their own shot noise, and looked for by `detect` as any other. The diameter is read off a logistic curve through
    the shares found, where enough sightings are seen for half of the particles to be tracked. A bright point is seen
    however small it is: no diameter is claimed that cannot be told from 0 (see `_sized`).

    Parameters
    ----------
    sample, outlines
        Frames as given to `learn`, shape (n, h, w), and the outline of each.
    look
        What `learn` learned.
    settings
        As given to `learn`.
    brightness
        Surface brightness of a particle above the ground, fraction of full scale; None: median of the clip's
        own clear particles (saturated ones at full scale), or 0.5 where there are none.
    streak_px
        Length of the exposure streak of a usual particle; None: median of the clip's own sightings.
    """
    settings = settings or SpatterSettings()
    stage = _stage(sample, outlines, look, settings, brightness, streak_px)
    light = stage.light
    low, high = 0, int(np.searchsorted(_LADDER, 0.7 * settings.max_diameter_px)) - 1
    if high < 1:
        return Smallest(math.nan, math.nan, light)
    shares: dict[int, tuple[int, int]] = {}

    def share(step: int) -> float:
        if step not in shares:
            shares[step] = _tried(stage, float(_LADDER[step]))[:2]
        found, drawn = shares[step]
        return found / drawn if drawn else math.nan

    if not share(high) >= 0.5:
        return Smallest(math.nan, math.nan, light)
    largest = high
    # Halve down to the step, then look at its neighbours for the curve.
    while high - low > 1:
        middle = (low + high) // 2
        if share(middle) >= _SHARE:
            high = middle
        else:
            low = middle
    for step in range(max(low - 2, 0), min(high + 3, len(_LADDER))):
        share(step)
    tracked = _passing(shares)
    return Smallest(_sized(stage, tracked, float(_LADDER[largest])), tracked, light)


def _stage(
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    settings: SpatterSettings,
    brightness: float | None,
    streak_px: float | None,
) -> _Stage:
    """Some frames of the sample and what is seen in them, to draw particles into; arguments see `smallest_particle`."""
    chosen = drawn_into(len(sample))
    frames = sample[chosen]
    around = None if outlines is None else [np.asarray(outlines[k], dtype=np.float64) for k in chosen]
    seen = detect(frames, around, look, settings)
    streak = streak_px if streak_px is not None else _usual_streak(seen, look)
    light = brightness if brightness is not None else usual_brightness(seen, look)
    light = _ASSUMED if math.isnan(light) else light
    return _Stage(frames, around, seen, look, settings, light, streak, np.random.default_rng(20_240_229))


def _sized(stage: _Stage, tracked: float, largest: float) -> float:
    """The least diameter from `tracked` on that can be told from 0, px; NaN if none is up to `largest`.

    T = d²/16 of a track of as few sightings as it takes must be two of its standard uncertainties, that of the
    point spread included, above 0.
    """
    look = stage.look
    of_lens = 2.0 * look.psf_sigma_px * look.psf_u_px

    def margin(diameter: float) -> float:
        """Logarithm of T over what it must exceed."""
        u = _tried(stage, diameter, fitted=True).u_spread
        return math.log(diameter**2 / 16.0) - math.log(
            _TOLD * math.hypot(u / math.sqrt(stage.settings.min_sightings), of_lens)
        )

    low, at_low = math.log(tracked), margin(tracked)
    if at_low >= 0:
        return tracked
    # If the uncertainty stayed as it is, T would do there; it falls with size, so that is on the far side.
    high = min(low - 0.5 * at_low, math.log(largest))
    at_high = margin(math.exp(high))
    if at_high < 0:
        return math.nan

    def crossing() -> float:
        # Where nothing was fitted the uncertainty is infinite.
        share = 0.5 if math.isinf(at_low) else at_low / (at_low - at_high)
        return low + share * (high - low)

    for _ in range(2):
        between = crossing()
        if high - between < _NEAR:
            break
        here = margin(math.exp(between))
        if here >= 0:
            high, at_high = between, here
        else:
            low, at_low = between, here
    return math.exp(crossing())


def drawn_into(count: int) -> NDArray[np.intp]:
    """Places of the frames that `smallest_diameter` draws into, of a sample of `count` frames."""
    return np.unique(np.linspace(0, count - 1, min(count, _FRAMES)).astype(np.intp))


def _clear(seen: NDArray[np.void], look: SpatterLook) -> NDArray[np.void]:
    alone = (seen["mark"] & ~np.uint16(SATURATED)) == 0
    return np.asarray(seen[alone & (seen["signal"] > _CLEAR * look.detection_level)])


def usual_brightness(seen: NDArray[np.void], look: SpatterLook) -> float:
    """Median surface brightness of a clip's clear particles above the ground, fraction of full scale; NaN: too few."""
    clear = _clear(seen, look)
    length2 = np.hypot(clear["streak_m"], clear["streak_n"])
    square = 16.0 * clear["spread"] - 2 / 3 * length2
    # The disc must be resolved for its surface to be known.
    sharp = square > (2 * blur_of(look.psf_sigma_px)) ** 2
    if sharp.sum() < 3:
        return math.nan
    surface = clear["flux"][sharp] / (np.pi / 4 * square[sharp]) / look.full_scale
    return float(np.clip(np.median(surface), 0.01, 1.0))


def _usual_streak(seen: NDArray[np.void], look: SpatterLook) -> float:
    """Median streak, px; 0 where it is not seen."""
    clear = _clear(seen, look)
    if len(clear) < 3:
        return 0.0
    length2 = np.hypot(clear["streak_m"], clear["streak_n"]).astype(np.float64)
    # A round picture too has a chance streak, of about its uncertainty in both components.
    told = np.sqrt(np.maximum(length2**2 - 2.0 * clear["u_streak"].astype(np.float64) ** 2, 0.0))
    return float(np.sqrt(np.median(told)))


class _Tried(NamedTuple):
    """How many particles were found, how many drawn, and the median uncertainty of T of those that were fitted, px²."""

    found: int
    drawn: int
    u_spread: float


def _tried(stage: _Stage, diameter: float, *, fitted: bool = False) -> _Tried:
    """Draw particles of one size into the frames, and look for them."""
    frames, around, seen, look, settings, light, streak, rng = stage
    n, h, w = frames.shape
    each = max(1, _DRAWN // n)
    blur = blur_of(look.psf_sigma_px)
    reach = math.ceil(0.5 * diameter + 0.5 * streak + 4 * blur) + 2
    if h <= 2 * reach or w <= 2 * reach:
        return _Tried(0, 0, math.nan)
    table, shape = disc_table(), np.zeros(SHAPE)
    drawn: list[tuple[int, float, float]] = []
    pictures = frames.copy()
    gap = 2.0 * reach + 8.0
    for k in range(n):
        here = seen[seen["frame"] == k]
        taken = list(zip(here["x"].tolist(), here["y"].tolist(), strict=True))
        left = each
        # Drawn at once, for a number alone takes longer than all that is done with it.
        for x, y in rng.uniform((reach, reach), (w - 1 - reach, h - 1 - reach), (20 * each, 2)).tolist():
            if not left:
                break
            if any(abs(x - a) < gap and math.hypot(x - a, y - b) < gap for a, b in taken):
                continue
            if around is not None and len(around[k]) >= 3:
                clearance = distance_outside(np.ascontiguousarray(around[k]), x, y)
                if clearance < reach + settings.pool_margin_px + 3 * blur:
                    continue
            taken.append((x, y))
            drawn.append((k, x, y))
            left -= 1
            turn = rng.uniform(0, 2 * np.pi)
            shape_of(
                table, diameter**2 / 16 + streak**2 / 24,
                streak**2 * math.cos(turn), streak**2 * math.sin(turn), blur, shape,
            )  # fmt: skip
            _draw(pictures[k], look, shape, x, y, reach, light * np.pi / 4 * diameter**2, rng)
    found = detect(pictures, around, look, settings, fitted=fitted)
    hits, spreads = 0, []
    # Sightings are in order of their frames.
    first = np.searchsorted(found["frame"], np.arange(n + 1))
    found_x, found_y = found["x"].astype(np.float64), found["y"].astype(np.float64)
    u_spread = np.where(found["mark"] & UNFITTED, np.nan, found["u_spread"])
    for k, x, y in drawn:
        here = slice(first[k], first[k + 1])
        near = np.hypot(found_x[here] - x, found_y[here] - y) < max(2.0, 0.5 * diameter)
        hits += bool(near.any())
        if fitted:
            spreads.append(u_spread[here][near])
    known = np.concatenate(spreads) if spreads else np.empty(0)
    known = known[~np.isnan(known)]
    return _Tried(hits, len(drawn), float(np.median(known)) if len(known) else math.inf)


def _draw(
    picture: NDArray[Any],
    look: SpatterLook,
    shape: NDArray[np.float64],
    x: float,
    y: float,
    reach: int,
    light: float,
    rng: np.random.Generator,
) -> None:
    """Add one particle of flux `light` (fraction of full scale times px²) with the shot noise it brings."""
    y0, x0 = round(y) - reach, round(x) - reach
    patch = picture[max(y0, 0) : y0 + 2 * reach + 1, max(x0, 0) : x0 + 2 * reach + 1]
    added = np.empty(patch.shape)
    densities(max(x0, 0) - x, max(y0, 0) - y, shape, added)
    added *= light * look.full_scale
    noise = rng.standard_normal(patch.shape) * np.sqrt(look.shot * np.maximum(added, 0.0))
    value = patch + look.sign * added + noise
    patch[:] = np.clip(np.round(value), 0, look.full_scale).astype(picture.dtype)


def _passing(shares: dict[int, tuple[int, int]]) -> float:
    """Where a logistic curve in log diameter through the shares passes `_SHARE` (weighted least squares)."""
    steps = np.array(sorted(shares))
    found = np.array([shares[s][0] for s in steps], dtype=float)
    drawn = np.array([shares[s][1] for s in steps], dtype=float)
    share = (found + 0.5) / (drawn + 1.0)
    x, z = np.log(_LADDER[steps]), np.log(share / (1 - share)) - math.log(_SHARE / (1 - _SHARE))
    weight = drawn * share * (1 - share)
    mean_x, mean_z = np.average(x, weights=weight), np.average(z, weights=weight)
    slope = (weight * (x - mean_x) * (z - mean_z)).sum() / max((weight * (x - mean_x) ** 2).sum(), 1e-12)
    if slope <= 0:
        return float(np.exp(mean_x))
    return float(np.exp(np.clip(mean_x - mean_z / slope, x[0], x[-1])))
