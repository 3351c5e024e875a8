"""The pool in every frame of a block: status, outline, extents, keyhole."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .coarse import Grey, bright_statistics, largest_region, polygon_mean, sixteen, smoothed, touches
from .curve import normals_curvature
from .edge import profiles, refine
from .geometry import area_centroid, extents
from .keyhole import keyhole_in
from .lobes import cut_lobes
from .look import _CLIPPING, _QUANTILE, PoolLook, top_of
from .puffs import with_tips, without_puffs
from .settings import PoolSettings

# A lobe of the outline no wider than this, relative to the pool's size or in px, and higher than this is a particle.
_LOBE_WIDTH = 0.25
_LOBE_PX = 8.0
_LOBE_RISE_PX = 0.8
# A step smaller than this, relative to the usual one of the outline, is weak: soft light or a shadow, not the rim. One
# smaller than the other may be a ripple's, behind which the pool goes on.
_WEAK = 0.15
_FEEBLE = 0.3
_LOWEST = 6
_CLEARER = 1.2
# So many vertices of this kind, and the outline is looked at again: less what is dimmer than higher levels, for a puff of
# plume at the rim outshines the usual one; and, where its lowest steps are feeble and become clearer by it, with what is
# brighter than a lower one, for a tip may be dimmer. Levels are shares of the way from the usual one to the brightness of
# the pool, and to the background.
_WEAK_VERTICES = 4
_HIGHER = (0.25, 0.7)
_LOWER = 0.25
# In a pool dimmed as a whole the rim's step and the brightest part are dimmed alike, within these factors.
_SAME_STEP = 0.5
_SAME_TOP = 1.5
# Largest tip that is put on, relative to the pool's area.
_MOST_TIP = 0.15


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
    low = look.low
    dim = count < 0.25 * look.area_px
    if dim:
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
    outline = _refined(view, contour, look, settings)
    # Where the pool is at full scale its steps are cut off, and tell nothing.
    if not outline.outside and bright < _CLIPPING * look.full_scale:
        outline = _mended(view, smooth, outline, level, bright, look, settings)
    x, y, found, outside = outline.x, outline.y, outline.found, outline.outside
    if dim and not _dimmed(view, outline, gain, low, look):
        # It is no dim pool, but what still glows around a small one or none: plume, a hot plate.
        return Pool("no_pool", _NO_VERTICES, gain=gain)
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


@dataclass(frozen=True)
class _Outline:
    """An outline, the coarse contour that it comes from, and what `refine` says of it."""

    contour: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    found: int
    outside: int
    tall: NDArray[np.float64]

    @property
    def weak(self) -> NDArray[np.bool_]:
        """Vertices that may see no step of the rim at all."""
        return self.tall < _WEAK

    @property
    def feeble(self) -> NDArray[np.bool_]:
        """Vertices that may see a ripple and not the rim."""
        return self.tall < _FEEBLE

    @property
    def lowest(self) -> float:
        """Mean height of its lowest steps, relative to its usual one."""
        return float(np.partition(self.tall, _LOWEST)[:_LOWEST].mean())


def _refined(view: Grey, contour: NDArray[np.float64], look: PoolLook, settings: PoolSettings) -> _Outline:
    """Outline from a coarse contour; see `refine`."""
    return _Outline(
        contour,
        *refine(
            view,
            contour[:, 0].copy(),
            contour[:, 1].copy(),
            settings.vertices,
            look.reach,
            look.sigma,
            _CLIPPING * look.full_scale,
            look.step,
            look.noise,
        ),
    )


def _dimmed(view: Grey, outline: _Outline, gain: float, low: float, look: PoolLook) -> bool:
    """Whether an outline far dimmer than usual is the whole pool's, and not that of light around a small one."""
    top = top_of(view, look.full_scale, low, look.area_px)
    if top - look.background > _SAME_TOP * gain * (look.top - look.background):
        return False
    reach = math.ceil(2.0 * look.sigma + 1.0)
    x, y, nx, ny, _ = normals_curvature(outline.x, outline.y, 2.0)
    profile, _, _ = profiles(view, x, y, nx, ny, reach, look.full_scale)
    return float(np.median(profile[:, 0] - profile[:, -1])) > _SAME_STEP * gain * look.step


def _mended(
    view: Grey,
    smooth: Grey,
    outline: _Outline,
    level: float,
    bright: float,
    look: PoolLook,
    settings: PoolSettings,
) -> _Outline:
    """The outline after puffs of plume are taken off it and dim tips put on, where that gives it clearer steps."""
    start = area_centroid(outline.x, outline.y)[0]
    for higher in _HIGHER:
        if outline.weak.sum() < _WEAK_VERTICES:
            break
        raised = level + higher * (bright - level)
        less, area = without_puffs(smooth, outline.contour, raised, outline.x, outline.y, outline.weak)
        if area < 0.5 * start or touches(less, *view.shape):
            break
        other = _refined(view, less, look, settings)
        if other.weak.sum() < outline.weak.sum() and not other.outside:
            outline = other
    if outline.lowest > _FEEBLE:
        return outline
    lowered = level - _LOWER * (level - look.background)
    more, area = with_tips(smooth, outline.contour, lowered, outline.x, outline.y, outline.feeble)
    if not 0 < area < _MOST_TIP * start or touches(more, *view.shape):
        return outline
    other = _refined(view, more, look, settings)
    return other if other.lowest > _CLEARER * outline.lowest and not other.outside else outline
