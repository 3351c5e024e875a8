"""The keyhole in illuminated footage: a spot, bright or dark, that stands out of the pool in its median picture."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..keyhole import Keyhole, core_of, keyhole_in, learn_keyhole, measure_keyhole
from .metal import Grey
from .region import filled

# A spot stands out of the median picture by this many of its standard deviations over the pool.
_STANDS_OUT = 4.0
# And by this share of the pool's brightness.
_LEAST_CONTRAST = 0.15


def learn_spot(
    frames: list[Grey],
    places: NDArray[np.float64],
    outlines: list[NDArray[np.float64]],
    place: tuple[float, float],
    full_scale: float,
    forward: tuple[float, float],
    radius_px: float | None,
) -> tuple[Keyhole, bool]:
    """Find the keyhole in the median of pictures brought to one place; also whether it is darker than the pool.

    Waves and highlights move, the keyhole stays: the median of some pictures keeps it alone.

    Parameters
    ----------
    frames
        Grey values, each of shape (h, w).
    places
        Middle of each outline, shape (m, 2), px.
    outlines
        Each of shape (k, 2), px.
    place
        Where the pool is brought to, px.
    full_scale
        Grey value of brightness 1.
    forward
        Unit vector along travel in the image.
    radius_px
        Radius of the region, px; None: found.
    """
    h, w = frames[0].shape
    moved, inside = [], np.zeros((h, w))
    wander = np.ptp(places, axis=0).max() if len(places) > 1 else 0.0
    size = np.sqrt(float(cv2.contourArea(outlines[0].astype(np.float32))))
    for frame, middle, outline in zip(frames, places, outlines, strict=True):
        # A riding camera keeps the beam in its place, while the tail pulls the outline's middle about.
        shift = np.asarray(place) - middle if wander > 0.25 * size else np.zeros(2)
        move = np.column_stack([np.eye(2), shift])
        moved.append(cv2.warpAffine(frame.astype(np.float32), move, (w, h), borderMode=cv2.BORDER_REPLICATE))
        inside += filled(outline + shift, (h, w))
    median = np.median(np.array(moved), axis=0)
    pool = inside > 0.5 * len(frames)
    core = core_of(pool, 0.08 * size)
    smooth = cv2.GaussianBlur(median.astype(np.float32), (0, 0), max(0.02 * size, 1.0))
    base = float(np.median(smooth[core]))
    spread = 1.4826 * float(np.median(np.abs(smooth[core] - base)))
    up, down = float(smooth[core].max()) - base, base - float(smooth[core].min())
    dark = down > up and down > 0.5 * base
    needed = max(_STANDS_OUT * spread, _LEAST_CONTRAST * base)
    seen = len(frames) >= 5 and max(up, down if dark else 0.0) > needed
    picture = np.where(core, full_scale - median, 0.0) if dark else np.where(core, median, base)
    keyhole = learn_keyhole(picture, core, full_scale, forward=forward, radius_px=radius_px, dark=False)
    if not (seen and keyhole.seen):
        return replace(keyhole, seen=False, level=float("nan")), False
    # A spot is compact: what is wider than a third of the pool is shading.
    if keyhole.extent_px > 0.55 * size:
        return replace(keyhole, seen=False, level=float("nan")), False
    return (replace(keyhole, level=full_scale - keyhole.level), True) if dark else (keyhole, False)


def measure_spot(
    frame: Grey, keyhole: Keyhole, dark: bool, dx: float, dy: float, full_scale: float
) -> tuple[float, float, float]:
    """Mean grey value, area beyond the level and share at full scale; NaN where no keyhole is seen.

    Parameters
    ----------
    frame
        Grey values, shape (h, w).
    keyhole, dark
        See `learn_spot`.
    dx, dy
        Place of the pool against its usual, px.
    full_scale
        Grey value of brightness 1.
    """
    if not keyhole.seen:
        return float("nan"), float("nan"), float("nan")
    x, y, radius = keyhole.x + dx, keyhole.y + dy, keyhole.radius_px
    mean, area, clipped = keyhole_in(frame, keyhole, dx, dy, full_scale)
    if dark and mean == mean:
        reach = int(keyhole.reach_px) + 3
        r0, c0 = max(int(y) - reach, 0), max(int(x) - reach, 0)
        part = full_scale - frame[r0 : int(y) + reach, c0 : int(x) + reach].astype(np.float32)
        _, area, _ = measure_keyhole(
            part,
            x - c0,
            y - r0,
            radius,
            full_scale - keyhole.level,
            keyhole.soft,
            keyhole.reach_px,
            2 * full_scale,
        )
    return mean, area, clipped
