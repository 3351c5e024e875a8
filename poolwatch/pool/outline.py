"""The pool in every frame of a block: status, outline, extents, keyhole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .coarse import Grey, bright_statistics, largest_region, polygon_mean, sixteen, smoothed, touches
from .edge import refine
from .geometry import area_centroid, extents
from .keyhole import keyhole_in
from .lobes import cut_lobes
from .look import _CLIPPING, _QUANTILE, PoolLook
from .settings import PoolSettings

# A lobe of the outline no wider than this, relative to the pool's size or in px, and higher than this is a particle.
_LOBE_WIDTH = 0.25
_LOBE_PX = 8.0
_LOBE_RISE_PX = 0.8
# Vertices that may see but a weak step before the contour is looked for at higher levels, and these levels: shares of
# the way from the usual one to the brightness of the pool. A puff of plume at the rim outshines the usual level.
_WEAK_VERTICES = 4
_HIGHER = (0.25, 0.45)


@dataclass(frozen=True)
class Pool:
    """The pool in one frame; lengths in px along the travel direction and to its left, from the image's origin.

    Attributes
    ----------
    status
        ``ok`` or why there is no outline (see `poolwatch.model.flags.STATUSES`).
    vertices
        Outline, shape (k, 2), image x and y in px; shape (0, 2) unless ok.
    front, rear, left, right
        Reach of the outline, px; NaN unless ok.
    area
        Area inside the outline, px²; NaN unless ok.
    x, y
        Centroid of that area in the image, px; NaN unless ok.
    brightness
        Mean grey value inside the outline; NaN unless ok.
    gain
        Brightness of the glowing pixels relative to the clip's usual; NaN in a dark frame.
    keyhole
        Mean grey value of the keyhole region; NaN unless ok.
    keyhole_area
        Area above the keyhole level in the region's surroundings, px²; NaN unless ok and a keyhole is seen.
    keyhole_clipped
        Share of the keyhole region at full scale; NaN unless ok.
    """

    status: str
    vertices: NDArray[np.float32]
    front: float = float("nan")
    rear: float = float("nan")
    left: float = float("nan")
    right: float = float("nan")
    area: float = float("nan")
    x: float = float("nan")
    y: float = float("nan")
    brightness: float = float("nan")
    gain: float = float("nan")
    keyhole: float = float("nan")
    keyhole_area: float = float("nan")
    keyhole_clipped: float = float("nan")


_NO_VERTICES = np.empty((0, 2), dtype=np.float32)


def find_pool(
    frame: Grey,
    look: PoolLook,
    *,
    forward: tuple[float, float],
    across: tuple[float, float] | None = None,
    settings: PoolSettings,
) -> Pool:
    """Measure the pool in one frame; depends on nothing but the frame and the first look.

    Parameters
    ----------
    frame
        Grey values at native depth, shape (h, w), the same view that `look` was learned from.
    look
        What the first look learned.
    forward, across
        What makes of image x and y the coordinates along travel and to its left (`PoolAxes.matrix`); without `across`,
        `forward` is the unit vector along travel in the image (x right, y down) and the view is square.
    settings
        The settings `look` was learned with.
    """
    r0, r1, c0, c1 = (0, frame.shape[0], 0, frame.shape[1]) if look.moves else look.box
    view = sixteen(frame[r0:r1, c0:c1])
    step = 2 if look.area_px > 800 else 1
    count, bright, clipped = bright_statistics(view, look.full_scale, look.low, _QUANTILE, step)
    count *= step * step
    clipped *= step * step
    if clipped > 0.5 * look.area_px + 1.3 * look.clipped * look.area_px:
        return Pool("blown", _NO_VERTICES)
    if count < 0.25 * look.area_px:
        # A pool far below the clip's usual brightness may still be there.
        low = look.background + 0.25 * (look.low - look.background)
        if low < look.background + 5 * look.noise:
            return Pool("dark", _NO_VERTICES)
        count, bright, clipped = bright_statistics(view, look.full_scale, low, _QUANTILE, step)
        count *= step * step
        if count < 0.25 * look.area_px:
            return Pool("dark", _NO_VERTICES)
    gain = (bright - look.background) / (look.reference - look.background)
    level = look.background + look.fraction * (bright - look.background)
    near = None if look.moves else (look.x - c0, look.y - r0)
    smooth = smoothed(view)
    contour, area = largest_region(smooth, level, look.neck, near)
    if area < max(0.2 * look.area_px, settings.smallest_area_px):
        return Pool("no_pool", _NO_VERTICES, gain=gain)
    h, w = view.shape
    if touches(contour, h, w) and touches(contour + (c0, r0), *frame.shape):
        return Pool("cut_off", _NO_VERTICES, gain=gain)
    if touches(contour, h, w):
        # The crop was too tight for this frame: take the whole picture.
        view, r0, c0 = sixteen(frame), 0, 0
        smooth, near = smoothed(view), None if near is None else (look.x, look.y)
        contour, area = largest_region(smooth, level, look.neck, near)
        if touches(contour, *view.shape):
            return Pool("cut_off", _NO_VERTICES, gain=gain)
    x, y, found, outside, weak = _refined(view, contour, look, settings)
    # Where the pool is at full scale its steps are cut off, and tell nothing.
    seen = not outside and bright < _CLIPPING * look.full_scale
    for higher in _HIGHER if seen and weak >= _WEAK_VERTICES else ():
        raised = level + higher * (bright - level)
        contour, inner = largest_region(smooth, raised, look.neck, near)
        if inner < 0.5 * area or touches(contour, *view.shape):
            break
        other = _refined(view, contour, look, settings)
        if other[4] <= weak // 2 and other[2] >= found and not other[3]:
            x, y, found, outside, weak = other
        if weak < _WEAK_VERTICES:
            break
    if outside:
        return Pool("cut_off", _NO_VERTICES, gain=gain)
    if found < (1.0 - settings.hidden_share) * settings.vertices:
        return Pool("hidden", _NO_VERTICES, gain=gain)
    cut_lobes(x, y, max(_LOBE_WIDTH * look.size_px, _LOBE_PX), max(_LOBE_RISE_PX, 0.8 * look.sigma))
    mean = polygon_mean(view, x, y)
    x += c0
    y += r0
    front, rear, left, right = extents(x, y, *forward, *(across or (forward[1], -forward[0])))
    area, cx, cy = area_centroid(x, y)
    if not 0.3 * look.area_px < area < 3.0 * look.area_px:
        return Pool("broken", _NO_VERTICES, gain=gain)
    dx, dy = (cx - look.x, cy - look.y) if look.moves else (0.0, 0.0)
    keyhole, keyhole_area, keyhole_clipped = keyhole_in(view, look.keyhole, dx - c0, dy - r0, look.full_scale)
    return Pool(
        status="ok",
        vertices=np.array((x, y), dtype=np.float32).T,
        front=front,
        rear=rear,
        left=left,
        right=right,
        area=area,
        x=cx,
        y=cy,
        brightness=mean,
        gain=gain,
        keyhole=keyhole,
        keyhole_area=keyhole_area,
        keyhole_clipped=keyhole_clipped,
    )


def _refined(
    view: Grey, contour: NDArray[np.float64], look: PoolLook, settings: PoolSettings
) -> tuple[NDArray[np.float64], NDArray[np.float64], int, int, int]:
    """Outline from a coarse contour; see `refine`."""
    found: tuple[NDArray[np.float64], NDArray[np.float64], int, int, int] = refine(
        view,
        contour[:, 0].copy(),
        contour[:, 1].copy(),
        settings.vertices,
        look.reach,
        look.sigma,
        _CLIPPING * look.full_scale,
        look.step,
        look.noise,
    )
    return found
