"""What short runs of frames spread over a clip tell about its metal and its pool, before every frame is measured."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from ...model.errors import MeasurementError
from ..settings import PoolSettings
from .alignment import paths_of
from .appearance import evidence_of
from .bumps import tips_of
from .evidence import MetalLight
from .facts import IlluminatedLook
from .learning import (
    FOLLOWED,
    STILL_PX,
    lags_of,
    motion_of,
    neck_of,
    regions_of,
    unit_of,
)
from .metal import Grey
from .metal_tone import gain_of, moved_lighting, solid_around
from .motion import noise_of, refine_motion
from .noise import explained_by, noise_of_pairs, rest_against, veil_of
from .region import box_around, filled, margin_of, middle_of, pointed_of
from .spot import learn_spot
from .usual import usual_of

# Sides below which there is no room for a pool and for metal around it to be registered, px.
_LEAST_PX = 12


def window_length(rate_hz: float, frames: int | None = None) -> int:
    """Frames of one run for `learn_illuminated`, an odd number; `frames` is how many the clip has.

    3.2 ms each way, in which metal at 60 mm/s moves 0.2 mm, further than most tails: what a short pool leaves bare can
    then be seen bare again. At most 16 frames, for memory's sake, and a quarter of the clip; but never less than
    0.8 ms, of which 4 to 32 frames are taken.
    """
    long = min(round(3.2e-3 * rate_hz), 16, 16 if frames is None else frames // 4)
    return 2 * max(long, min(max(round(8e-4 * rate_hz), 4), 32)) + 1


def learn_illuminated(
    windows: Grey,
    full_scale: float,
    *,
    forward: tuple[float, float],
    metal_px: tuple[float, float] | None = None,
    starts: tuple[int, ...] | None = None,
    settings: PoolSettings,
) -> IlluminatedLook:
    """Learn what metal and liquid look like from short runs of frames spread over a clip.

    Parameters
    ----------
    windows
        Grey values at native depth, shape (m, k, h, w): m runs of k consecutive frames, k odd and at least 9;
        see `window_length`.
    full_scale
        Grey value of brightness 1.
    forward
        Unit vector along travel in the image (x right, y down).
    metal_px
        Motion of the metal in the image, px per frame, if it is known: where the search starts; what the clip shows
        counts.
    starts
        Numbers of the runs' first frames: where they are known, with the metal's motion, the pool that crosses the view
        of a standing camera is seen in the mean picture, too.
    settings
        What the user fixed.

    Raises
    ------
    ValueError
        The runs have not the shape (m, k, h, w).
    MeasurementError
        The frames are too small, no rigid motion explains the surroundings, or nothing stands out that it does not
        explain.
    """
    if windows.ndim != 4:
        raise ValueError(f"the runs must have shape (m, k, h, w), got {windows.shape}")
    h, w = windows.shape[2:]
    if min(h, w) < _LEAST_PX:
        raise MeasurementError(
            f"no pool found: frames of {w} x {h} px are too small to separate moving metal from a pool; "
            "check how the recording is read"
        )
    # For another order in memory Numba would compile all anew.
    windows = np.ascontiguousarray(windows)  # type: ignore[assignment]
    half = (windows.shape[1] - 1) // 2
    everywhere = np.ones((h, w), dtype=np.uint8)
    (metal, u, share), noise = _metal_of(windows, metal_px, everywhere)
    paths = paths_of(
        metal,
        metal_px,
        starts,
        windows.shape[1],
        lambda: rest_against(windows, metal, everywhere, half),
    )
    for _ in range(2):
        # Marks along travel follow any motion along it: where the camera stands, so does metal.
        if paths[0].contradicts(metal):
            metal, u, share = refine_motion(windows, (0.0, 0.0), everywhere, noise, half)
            noise = noise_of_pairs(windows, metal, everywhere, half)
        veil = veil_of(windows, metal, everywhere, noise, half)
        pools, shown = regions_of(windows, metal, noise, lags_of(1, half), veil, settings, paths, forward)
        if shown is None or not shown.path.contradicts(metal):
            break
        paths = [shown.path]
    if not veil and veil_of(windows, metal, everywhere, noise, half, pools):
        veil = True
        pools, shown = regions_of(windows, metal, noise, lags_of(1, half), veil, settings, paths, forward)
    # Two distances at least: near an end of the clip there are frames on one side alone.
    unit = min(unit_of(windows, pools, metal, noise, veil, half), max(half // 2, 1))
    lags = lags_of(unit, half)
    if unit > 1:
        pools, _ = regions_of(windows, metal, noise, lags, veil, settings, paths, forward, shown)
    solid = 1 - cv2.dilate(
        np.max([filled(c, (h, w)) for _, c, *_ in pools], axis=0), np.ones((9, 9), np.uint8)
    )
    if solid.mean() > 0.2:
        metal, u, share = motion_of(windows, metal, solid, noise, half)
    chosen = [p[0] for p in pools]
    centres = [windows[i, half] for i in chosen]
    fields = [p[2:] for p in pools]
    outlines = [p[1] for p in pools]
    shifts = [(0, 0) if shown is None else shown.path.shift(i, half) for i in chosen]
    evidence, lightings, outlines = evidence_of(
        centres, fields, outlines, noise, forward, settings, shown, shifts
    )
    areas = [abs(float(cv2.contourArea(o.astype(np.float32)))) for o in outlines]
    area = float(np.median(areas))
    size = math.sqrt(area)
    places = np.array([middle_of(o) for o in outlines])
    x, y = np.median(places, axis=0)
    moves = bool(np.ptp(places, axis=0).max() > 0.25 * size)
    typical = outlines[int(np.argmin(np.abs(np.array(areas) - area)))]
    typical = typical - middle_of(typical) + (x, y)
    level = _level(centres, outlines, typical, lightings)
    # What is known of the metal's places lies about the pool in its usual place.
    usual = np.round(np.median(places - np.array(shifts), axis=0) - (x, y)).astype(int)
    lighting = moved_lighting(lightings[0], -shifts[0][0] - int(usual[0]), -shifts[0][1] - int(usual[1]))
    margin = margin_of(size)
    box = box_around(np.concatenate(outlines), margin, (h, w))
    keyhole, dark = learn_spot(
        centres, places, outlines, (float(x), float(y)), full_scale, forward, settings.keyhole_radius_px
    )
    r0, r1, c0, c1 = box
    clipped = float(np.median([(f[r0:r1, c0:c1] >= 0.998 * full_scale).mean() for f in centres]))
    return IlluminatedLook(
        metal_px=metal,
        metal_u_px=u,
        metal_share=share,
        standing=math.hypot(*metal) * half < STILL_PX,
        moves=moves,
        lags=lags,
        noise=noise,
        veil=veil,
        lighting=lighting,
        level=level,
        usual=usual_of(shown, (float(x), float(y)), (h, w), moves),
        evidence=evidence,
        outline=typical,
        area_px=area,
        size_px=size,
        x=float(x),
        y=float(y),
        neck=neck_of(size),
        pointed=pointed_of(outlines, neck_of(size), forward),
        tips=tips_of(typical, neck_of(size), forward),
        box=box,
        clipped=clipped,
        keyhole=keyhole,
        keyhole_dark=dark,
        full_scale=float(full_scale),
    )


def _metal_of(
    windows: Grey, given: tuple[float, float] | None, everywhere: NDArray[np.uint8]
) -> tuple[tuple[tuple[float, float], tuple[float, float], float], tuple[float, float]]:
    """Motion of the metal, see `motion_of`, and the variance of registered differences, see `noise_of_pairs`."""
    half = (windows.shape[1] - 1) // 2
    noise = (2.0 * float(np.median([noise_of(run[half]) for run in windows])) ** 2, 0.0)
    metal, u, share = motion_of(windows, given, everywhere, noise, half)
    noise = noise_of_pairs(windows, metal, everywhere, half)
    if share < FOLLOWED:
        # A codec with loss leaves the calmest places without noise: judged by what its texture shows, metal follows.
        metal, u, share = motion_of(windows, given, everywhere, noise, half)
        share = min(share, explained_by(windows, metal, everywhere, half))
        noise = noise_of_pairs(windows, metal, everywhere, half)
    if share < 0.3:
        raise MeasurementError(
            f"no pool found, and no rigid motion of the metal found: the best, {metal[0]:+.2f}, {metal[1]:+.2f} px per "
            f"frame, explains {share:.0%} of the picture. Check that the clip shows a pool, check travel speed and "
            "scale, and record more of the plate beside the weld. "
            'If the clip glows, set footage = "glowing" in [pool] of the settings'
        )
    return (metal, u, share), noise


def _level(
    centres: list[Grey],
    outlines: list[NDArray[np.float64]],
    typical: NDArray[np.float64],
    lightings: list[MetalLight],
) -> float:
    """Brightness of the metal around the pool against the lighting: other metal than that of the whole view."""
    levels = []
    for frame, outline, lighting in zip(centres, outlines, lightings, strict=True):
        place = middle_of(outline)
        box = box_around(
            outline, margin_of(math.sqrt(float(cv2.contourArea(typical.astype(np.float32))))), frame.shape
        )
        solid = solid_around(typical - middle_of(typical) + place, (float(place[0]), float(place[1])), box)
        levels.append(gain_of(frame, box, solid, lighting))
    return float(np.median(levels))
