"""Which tracks are particles that left the pool, and what is known of each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .facts import SpatterLook
from .flight import as_the_clip_scatters, find_flights
from .judging import judge, odd_streaks
from .linking import Tracks
from .records import BORDER
from .settings import SpatterSettings
from .sizing import Exposure, Sizes, find_sizes, saturated

if TYPE_CHECKING:
    import pandas as pd

# Standard uncertainties that a diameter in illuminated or lossy footage is above 0.
_SIZED = 2.0
# Share by which a shadow that touches a particle puts its diameter out (rms over 8 clips drawn at random, by two
# generators: 0.026).
_BY_SHADOW = 0.03

ENDS: dict[str, str] = {
    "border": "left the picture",
    "faded": "was no longer seen",
    "landed": "came to rest",
    "bounced": "changed its direction at once; what goes on is among the rejected",
    "merged": "ran into another and was not seen apart again",
    "clip_end": "was still in flight when the clip ended",
}

COLUMNS: dict[str, str] = {
    "particle": "number, from 1, by first frame",
    "first_frame": "first frame in which it was seen",
    "last_frame": "last frame in which it was seen",
    "frames_seen": "frames in which it was seen",
    "first_x_px": "where it was first seen, image px to the right",
    "first_y_px": "where it was first seen, image px down",
    "vx_px": "speed to the right, px/frame",
    "vy_px": "speed down, px/frame",
    "speed_px": "speed in the image, px/frame",
    "speed_u_px": "standard uncertainty of the speed, px/frame",
    "direction_u_deg": "standard uncertainty of the direction, degrees",
    "diameter_px": "diameter, px",
    "diameter_u_px": "standard uncertainty of the diameter, px",
    "left_frame": "frame, with fraction, at which its path left the outline",
    "end": "how its track ended",
    "saturated": "1 where its picture reached full scale",
    "peak": "brightest sighting above the ground, fraction of full scale",
    "reason": "why it does not count; empty where it counts",
}


@dataclass(frozen=True)
class Spatter:
    """Particles of a clip, in px and frames.

    Attributes
    ----------
    particles
        One row a particle that left the pool; columns in `COLUMNS`.
    rejected
        One row a track that does not count, with its `reason` (words in `REASONS`); numbered from 1 as well.
    sightings
        One row a sighting: `particle` (minus its number where rejected), `frame`, `x_px`, `y_px`, `diameter_px`.
    exposure
        Share of the frame time that was used for streaks, and where it came from.
    loose
        Sightings that belong to no track.
    """

    particles: pd.DataFrame
    rejected: pd.DataFrame
    sightings: pd.DataFrame
    exposure: Exposure
    loose: int


def particles(
    tracks: Tracks,
    look: SpatterLook,
    outlines: Callable[[int], NDArray[np.floating]] | None,
    *,
    exposure_frames: float | None = None,
    metal_px: tuple[float, float] | None = None,
    shadows: NDArray[np.bool_] | None = None,
    settings: SpatterSettings | None = None,
) -> Spatter:
    """Judge every track, and measure size, speed and direction of each.

    Parameters
    ----------
    tracks
        From `link`.
    look
        From `learn`.
    outlines
        Gives the pool's outline at a frame, shape (k, 2) px, or shape (0, 2) where it is not known; None: there
        is no pool in the clip, and no path is asked to lead back to one.
    exposure_frames
        Exposure times record rate; None: found from the clip's streaks.
    metal_px
        Velocity of the metal in the image, px/frame (x, y); None: not known or at rest.
    shadows
        Illuminated footage: tracks that are shadows of others, shape (tracks,); None: glowing footage.
    settings
        See `SpatterSettings`.
    """
    settings = settings or SpatterSettings()
    n = len(tracks)
    flights = find_flights(tracks, look)
    path = flights.path
    velocity = np.column_stack([path["vx"], path["vy"]])
    sizes = find_sizes(tracks, velocity, look, exposure_frames, over_metal=shadows is not None)
    reasons, left = np.full(n, "", dtype=object), np.full(n, np.nan)
    for k in range(n):
        reasons[k], left[k] = judge(k, tracks, path[k], sizes, look, outlines, metal_px, settings)
    lit = shadows is not None
    if shadows is not None and shadows.any():
        reasons[(reasons == "") & shadows] = "shadow"
        sizes = replace(sizes, u_diameter=np.hypot(sizes.u_diameter, _BY_SHADOW * sizes.diameter))
    if lit or look.detection_level > settings.detection_level:
        # Against lit metal flickers are many, and compression leaves specks: what has no size is none that counts.
        reasons[(reasons == "") & (sizes.diameter < _SIZED * sizes.u_diameter)] = "no_size"
    reasons[odd_streaks(tracks, velocity, reasons == "", exposure_frames, lit=lit)] = "odd_streak"
    ends = _ends(tracks, path, sizes, look)
    _chains(tracks, path, left, reasons, ends)
    good = reasons == ""
    table = _table(tracks, as_the_clip_scatters(tracks, flights, good), sizes, left, reasons, ends)
    number = np.where(good, np.cumsum(good), -np.cumsum(~good)).astype(np.int64)
    table["particle"] = np.abs(number)
    table = table[list(COLUMNS)]
    return Spatter(
        particles=table[good].reset_index(drop=True),
        rejected=table[~good].reset_index(drop=True),
        sightings=_sightings(tracks, number, sizes),
        exposure=sizes.exposure,
        loose=tracks.loose,
    )


def _sightings(tracks: Tracks, number: NDArray[np.int64], sizes: Sizes) -> pd.DataFrame:
    """Where each track was seen; `number` of a counted one above 0, of a rejected one below."""
    import pandas as pd

    s = tracks.sightings
    return pd.DataFrame(
        {
            "particle": np.repeat(number, np.diff(tracks.starts)),
            "frame": s["frame"].astype(np.int64),
            "x_px": s["x"].astype(np.float64),
            "y_px": s["y"].astype(np.float64),
            "diameter_px": sizes.sightings,
        }
    )


def _chains(
    tracks: Tracks,
    path: NDArray[np.void],
    left: NDArray[np.float64],
    reasons: NDArray[np.object_],
    ends: NDArray[np.object_],
) -> None:
    """Tracks that go on where another ended: landed where they rest, bounced where they fly on elsewhere.

    Changes `reasons` and `ends` in place.
    """
    s, starts = tracks.sightings, tracks.starts
    if len(tracks) < 2:
        return
    a, b = starts[:-1], starts[1:] - 1
    first, last = s["frame"][a], s["frame"][b]
    order = np.argsort(first, kind="stable")
    speed = np.hypot(path["vx"], path["vy"])
    for k in np.flatnonzero((ends == "faded") | (ends == "merged")):
        if reasons[k] in ("slow", "with_metal", "diffuse"):
            continue
        low, high = np.searchsorted(first[order], (last[k] + 1, last[k] + 4))
        for j in order[low:high]:
            gap = float(first[j] - last[k])
            apart = float(np.hypot(s["x"][a[j]] - s["x"][b[k]], s["y"][a[j]] - s["y"][b[k]]))
            if j == k or apart > gap * speed[k] + 3.0:
                continue
            if reasons[j] in ("slow", "with_metal"):
                ends[k] = "landed"
                break
            far = np.isfinite(left[j]) and float(first[j]) - left[j] > 4.0
            if reasons[j] in ("not_from_pool", "toward_pool", "late") or (reasons[j] == "" and far):
                reasons[j], ends[k] = "bounced", "bounced"
                break


def _table(
    tracks: Tracks,
    path: NDArray[np.void],
    sizes: Sizes,
    left: NDArray[np.float64],
    reasons: NDArray[np.object_],
    ends: NDArray[np.object_],
) -> pd.DataFrame:
    import pandas as pd

    s, starts = tracks.sightings, tracks.starts
    a, b = starts[:-1], starts[1:] - 1
    vx, vy = path["vx"], path["vy"]
    speed = np.hypot(vx, vy)
    ux, uy = vx / np.maximum(speed, 1e-12), vy / np.maximum(speed, 1e-12)
    u_speed = np.sqrt((ux * path["u_vx"]) ** 2 + (uy * path["u_vy"]) ** 2)
    u_across = np.sqrt((uy * path["u_vx"]) ** 2 + (ux * path["u_vy"]) ** 2)
    peak = np.maximum.reduceat(s["peak"].astype(np.float64), a) if len(a) else np.zeros(0)
    return pd.DataFrame(
        {
            "first_frame": s["frame"][a].astype(np.int64),
            "last_frame": s["frame"][b].astype(np.int64),
            "frames_seen": np.diff(starts),
            "first_x_px": s["x"][a].astype(np.float64),
            "first_y_px": s["y"][a].astype(np.float64),
            "vx_px": vx,
            "vy_px": vy,
            "speed_px": speed,
            "speed_u_px": u_speed,
            "direction_u_deg": np.degrees(np.minimum(u_across / np.maximum(speed, 1e-12), np.pi)),
            "diameter_px": sizes.diameter,
            "diameter_u_px": sizes.u_diameter,
            "left_frame": left,
            "end": ends,
            "saturated": saturated(tracks),
            "peak": peak,
            "reason": reasons.astype(str),
        }
    )


def _ends(tracks: Tracks, path: NDArray[np.void], sizes: Sizes, look: SpatterLook) -> NDArray[np.object_]:
    """How each track ended (words in `ENDS`)."""
    s, starts = tracks.sightings, tracks.starts
    h, w = look.background.shape
    final = np.flatnonzero(tracks.measured)
    clip_end = int(final[-1]) if final.size else -1
    words = np.full(len(tracks), "faded", dtype=object)
    order = np.argsort(s["frame"], kind="stable")
    frames = s["frame"][order]
    owner = np.repeat(np.arange(len(tracks)), np.diff(starts))
    for k in range(len(tracks)):
        last = s[starts[k + 1] - 1]
        t = int(last["frame"])
        vx, vy = path["vx"][k], path["vy"][k]
        reach = 0.5 * (sizes.diameter[k] if np.isfinite(sizes.diameter[k]) else 0.0) + 2.0
        x, y = float(last["x"]) + 1.5 * vx, float(last["y"]) + 1.5 * vy
        if x < reach or y < reach or x > w - 1 - reach or y > h - 1 - reach or last["mark"] & BORDER:
            words[k] = "border"
        elif t >= clip_end:
            words[k] = "clip_end"
        else:
            low, high = np.searchsorted(frames, (t + 1, t + 2))
            near = order[low:high]
            near = near[owner[near] != k]
            x, y = float(last["x"]) + vx, float(last["y"]) + vy
            if near.size:
                size = 2.0 * np.sqrt(np.maximum(s["spread"][near], 0.0)) + reach
                if (np.hypot(s["x"][near] - x, s["y"][near] - y) < size).any():
                    words[k] = "merged"
    return words
