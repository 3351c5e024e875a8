"""Is a track a particle that left the pool? The reasons against it, one by one."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from .facts import SpatterLook
from .fitting import blur_of
from .linking import Tracks
from .paths import distance_outside, trace_back
from .records import BORDER, CROWDED, RIM, SOFT, UNFITTED
from .settings import SpatterSettings
from .sizing import SEVERAL, Sizes, find_exposure

# A sighting tells of a particle where its light is known to this share, and its place to a pixel and this share of its
# streak; or where it stands out by this many standard deviations, for a bright streak that the border cuts off is one.
_TOLD, _PLACED, _BRIGHT = 0.5, 0.05, 20.0
# Sightings of a track are drawn out alike if their squared lengths differ by this share and their uncertainty.
_ALIKE = 0.15

REASONS: dict[str, str] = {
    "slow": "hardly moves in the picture: a hot mark, a reflection, a flicker of the pool's rim",
    "with_metal": "moves with the metal: a mark or a landed particle on the sheet",
    "not_straight": "scatters about a straight line by more than a flying particle can",
    "unsteady": "changes its size from sighting to sighting by more than its uncertainty: plume",
    "doubtful": "fewer than three of its sightings are clear enough to be a particle: rim of the pool, noise, marks",
    "odd_streak": "its sightings are not drawn out as its flight would draw them: marks and flickers in line by chance",
    "diffuse": "a soft patch without the edge of a particle: plume or glare",
    "toward_pool": "flies toward the pool, not away from it",
    "not_from_pool": "its path does not lead back to the outline within its uncertainty",
    "late": "should have been seen for long on its way from the pool, but was not",
    "shadow": "runs beside another that is brighter or darker: its shadow on the metal, or its own dark side",
    "no_size": "in illuminated or lossy footage: its size does not differ from 0, as that of flickers and blocks",
    "bounced": "goes on where another track ended: a particle that bounced, counted once already",
}


def judge(
    k: int,
    tracks: Tracks,
    path: np.void,
    sizes: Sizes,
    look: SpatterLook,
    outlines: Callable[[int], NDArray[np.floating]] | None,
    metal_px: tuple[float, float] | None,
    settings: SpatterSettings,
) -> tuple[str, float]:
    """Reason for which a track does not count ("" if it counts), and the frame at which it left the pool."""
    s = tracks.sightings[tracks.starts[k] : tracks.starts[k + 1]]
    diameter = float(sizes.diameter[k])
    if not np.isfinite(diameter):
        diameter = 4.0 * float(np.sqrt(max(np.median(s["spread"]), 0)))
    reason = _unlike_a_particle(s, path, diameter, metal_px, settings)
    if reason:
        return reason, np.nan
    blur = blur_of(look.psf_sigma_px)
    if diameter > 4.0 * blur and not sizes.u_own[k] < 0.15 * diameter:
        return "unsteady", np.nan
    if outlines is None:
        return "", np.nan
    reason, frame = _left_pool(s, path, outlines, 0.5 * diameter + 2.0 * blur, len(tracks.measured))
    if reason or not np.isfinite(frame):
        return reason, np.nan
    speed = float(np.hypot(path["vx"], path["vy"]))
    hidden = (settings.pool_margin_px + 3 * blur + diameter) / speed
    since = max(int(np.ceil(max(frame, 0.0) + hidden)), 0)
    seeable = int(tracks.measured[since : int(s["frame"][0])].sum())
    return ("late", np.nan) if seeable > 3 + len(s) else ("", frame)


def _unlike_a_particle(
    s: NDArray[np.void],
    path: np.void,
    diameter: float,
    metal_px: tuple[float, float] | None,
    settings: SpatterSettings,
) -> str:
    """Reason for which sightings along a path are no flying particle's, wherever it came from; "" if there is none."""
    vx, vy = path["vx"], path["vy"]
    u_v = float(np.hypot(path["u_vx"], path["u_vy"]))
    speed = float(np.hypot(vx, vy))
    length = speed * (int(s["frame"][-1]) - int(s["frame"][0]))
    if speed < settings.min_speed_px or speed < 5 * u_v or length < 2.0:
        return "slow"
    if metal_px is not None:
        metal_x, metal_y = metal_px
        apart = float(np.hypot(vx - metal_x, vy - metal_y))
        if apart < 3 * u_v + 0.15 + 0.3 * float(np.hypot(metal_x, metal_y)):
            return "with_metal"
    if path["rms"] > max(1.0, 0.04 * length, 0.1 * diameter) or path["used"] < 2.5:
        return "not_straight"
    if _doubtful(s, settings):
        return "doubtful"
    return "diffuse" if _diffuse(s) else ""


def _left_pool(
    s: NDArray[np.void],
    path: np.void,
    outlines: Callable[[int], NDArray[np.floating]],
    extent: float,
    frames: int,
) -> tuple[str, float]:
    """Reason for which a path does not lead away from the pool, and the frame at which it left; NaN where not known.

    `extent` is how far from its middle a particle is seen, px, `frames` how many the clip has.
    """
    t0, x0, y0, vx, vy = (path[name] for name in ("t0", "x0", "y0", "vx", "vy"))
    first, last = int(s["frame"][0]), int(s["frame"][-1])
    outline = np.ascontiguousarray(outlines(first), dtype=np.float64)
    if len(outline) < 3:
        return "", np.nan
    fx, fy = x0 + vx * (first - t0), y0 + vy * (first - t0)
    back, near, near_at = trace_back(outline, fx, fy, vx, vy)
    lx, ly = x0 + vx * (last - t0), y0 + vy * (last - t0)
    if distance_outside(outline, lx, ly) <= distance_outside(outline, fx, fy):
        return "toward_pool", np.nan
    # What crosses the pool between its sightings did not fly away from it: puffs of plume on either side.
    steps = np.linspace(0.0, 1.0, 9)[1:-1]
    if min(distance_outside(outline, fx + t * (lx - fx), fy + t * (ly - fy)) for t in steps) < -2.0:
        return "toward_pool", np.nan
    u_v = float(np.hypot(path["u_vx"], path["u_vy"]))
    perpendicular = float(np.hypot(path["u_x0"], path["u_y0"])) + u_v * (t0 - first + near_at)
    allowed = extent + 1.0 + 4.0 * perpendicular
    if not np.isfinite(back) or back < -2.0:
        if near > allowed:
            return "not_from_pool", np.nan
        back = near_at
    frame = first - back
    # The outline moves: look again at the frame in which the path crossed it.
    at = int(np.clip(round(frame), 0, frames - 1))
    if at != first:
        then = np.ascontiguousarray(outlines(at), dtype=np.float64)
        if len(then) >= 3:
            again, _near, _at = trace_back(then, fx, fy, vx, vy)
            if np.isfinite(again):
                frame = first - again
    return "", frame


def _doubtful(s: NDArray[np.void], settings: SpatterSettings) -> bool:
    """Fewer sightings than a particle needs have a light and a place of their own.

    What is cut off by the pool's rim fits anything, anywhere: with marks on either side of the pool it makes straight
    lines by chance.
    """
    streak = np.sqrt(np.hypot(s["streak_m"], s["streak_n"]))
    told = ((s["mark"] & UNFITTED) == 0) & (s["u_flux"] < _TOLD)
    told &= np.hypot(s["u_x"].astype(np.float64), s["u_y"]) < 1.0 + _PLACED * streak
    told |= s["signal"] >= _BRIGHT
    return int(told.sum()) < settings.min_sightings


def odd_streaks(
    tracks: Tracks,
    velocity: NDArray[np.float64],
    counted: NDArray[np.bool_],
    exposure_frames: float | None,
    *,
    lit: bool = False,
) -> NDArray[np.bool_]:
    """Tracks among `counted` most of whose clean sightings are drawn out otherwise than their flight would do.

    A streak must agree with the exposure as told or as the counted tracks themselves show it, so that an exposure told
    wrongly rejects nothing; where there is neither, the sightings of a track must agree with each other.

    In `lit` footage a particle that touches its shadow, or is lit from one side, is not round: there a track of several
    sightings that are all drawn out alike is none of marks and flickers.
    """
    s, starts = tracks.sightings, tracks.starts
    clean = (s["mark"] & (BORDER | RIM | CROWDED | UNFITTED)) == 0
    shares2 = [] if exposure_frames is None else [exposure_frames**2]
    found = find_exposure(tracks, velocity, clean & np.repeat(counted, np.diff(starts)), None)
    if found.source == "found":
        shares2.append(found.share2)
    return np.array(
        [
            bool(counted[k])
            and _odd_streak(s[a:b][clean[a:b]], float(velocity[k, 0]), float(velocity[k, 1]), shares2)
            and not (lit and _alike(s[a:b][clean[a:b]]))
            for k, (a, b) in enumerate(itertools.pairwise(starts))
        ],
        dtype=np.bool_,
    )


def _odd_streak(c: NDArray[np.void], vx: float, vy: float, shares2: list[float]) -> bool:
    """Whether fewer than half of the clean sightings `c` have the streak that one of the exposures would give."""
    v2 = vx * vx + vy * vy
    if len(c) < 2 or v2 <= 0:
        return False
    cos2, sin2 = (vx * vx - vy * vy) / v2, 2.0 * vx * vy / v2
    m, n = c["streak_m"].astype(np.float64), c["streak_n"].astype(np.float64)
    along, across = m * cos2 + n * sin2, n * cos2 - m * sin2
    # Particles need not be round: a tenth of the squared diameter.
    slack = c["u_streak"].astype(np.float64) + 1.6 * np.maximum(c["spread"].astype(np.float64), 0.0) + 4.0
    agree = np.zeros(len(c), dtype=np.bool_)
    for due in [share2 * v2 for share2 in shares2] or [max(float(np.median(along)), 0.0)]:
        agree |= np.hypot(along - due, across) < 2.5 * (slack + 0.15 * due)
    # What a sighting has to say goes with how well its streak is known: a shapeless one agrees with anything.
    return bool(np.average(agree, weights=1.0 / slack) < 0.5)


def _alike(c: NDArray[np.void]) -> bool:
    """Whether the clean sightings `c` are several, and most of them drawn out by the same in the same direction."""
    if len(c) < SEVERAL:
        return False
    m, n = c["streak_m"].astype(np.float64), c["streak_n"].astype(np.float64)
    middle = float(np.median(m)), float(np.median(n))
    slack = c["u_streak"].astype(np.float64) + _ALIKE * float(np.hypot(*middle))
    return bool(np.mean(np.hypot(m - middle[0], n - middle[1]) < 2.5 * slack) >= 0.5)


def _diffuse(s: NDArray[np.void]) -> bool:
    """Most sightings have soft edges, and the whole is faint or flickers: plume or glare, no particle out of focus."""
    judged = (s["mark"] & (BORDER | RIM | CROWDED | UNFITTED)) == 0
    if not judged.any():
        return False
    soft = (s["mark"][judged] & SOFT) != 0
    if soft.mean() < 0.5:
        return False
    if float(np.median(s["signal"][judged])) < _BRIGHT:
        return True
    if judged.sum() < 4:
        return True
    light = np.log(np.maximum(s["flux"][judged].astype(np.float64), 1e-6))
    steps = np.diff(light)
    # Differences from one sighting to the next: a steady fading does not count.
    return float(np.median(np.abs(steps - np.median(steps)))) > 0.05
