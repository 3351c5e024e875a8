"""The pool in every frame of a block of illuminated footage."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..coarse import polygon_mean, touches
from ..geometry import VAGUE, area_centroid, extents
from ..outline import Pool
from ..settings import PoolSettings
from .boundary import follow, settle
from .comparing import Pairs, no_pairs
from .evidence import FINER, REACH, SEARCH, MetalLight, weigh
from .facts import IlluminatedLook
from .metal import Box, Grey
from .metal_tone import gain_of, moved_lighting, solid_around
from .region import SHARE, contour_of, liquid_in, margin_of
from .residual import unexplained
from .spot import measure_spot
from .usual import SHRINK, shrunk

_NO_VERTICES = np.empty((0, 2), dtype=np.float32)
# An outline whose place is known no better than this anywhere near is hidden there, px.
_VAGUE_PX = 1.5


def find_illuminated(
    frames: Grey,
    first: int,
    count: int,
    look: IlluminatedLook,
    *,
    forward: tuple[float, float],
    across: tuple[float, float] | None = None,
    settings: PoolSettings,
) -> list[Pool]:
    """Measure the pool in consecutive frames.

    The result of a frame depends on nothing but its window, the frames from `look.before` before to `look.after`
    after it, and on the look. At the ends of the clip the window is what exists.

    Parameters
    ----------
    frames
        Grey values at native depth, shape (n, h, w), the same view that `look` was learned from: the frames
        wanted and those before and after that their windows need.
    first
        Index in `frames` of the first frame wanted.
    count
        Frames wanted.
    look
        What the first look learned.
    forward, across
        What makes of image x and y the coordinates along travel and to its left (`PoolAxes.matrix`); without `across`,
        `forward` is the unit vector along travel in the image (x right, y down) and the view is square.
    settings
        The settings `look` was learned with.
    """
    prints = [hash(f[::8, ::8].tobytes()) for f in frames]
    small = np.array([shrunk(f) for f in frames]) if look.moves else None
    rows = (*forward, *(across or (forward[1], -forward[0])))
    # For another order in memory Numba would compile all anew.
    frames = np.ascontiguousarray(frames)  # type: ignore[assignment]
    # Where the box stays, so does what is expected solid in it.
    still = (
        None if look.moves else Still(_solid(look, 0.0, 0.0, look.box), no_pairs(len(frames), max(look.lags)))
    )
    return [_find(frames, small, prints, i, look, rows, settings, still) for i in range(first, first + count)]


class Still(NamedTuple):
    """What is the same in all frames of a pool that keeps its place: where metal is solid, and pairs of frames."""

    solid: NDArray[np.uint8]
    pairs: Pairs


def _find(
    frames: Grey,
    small: Grey | None,
    prints: list[int],
    i: int,
    look: IlluminatedLook,
    rows: tuple[float, float, float, float],
    settings: PoolSettings,
    still: Still | None,
) -> Pool:
    frame = frames[i]
    others = _others(prints, i, look.lags)
    shape = frame.shape
    box, dx, dy = look.box, 0.0, 0.0
    if small is not None:
        place = _place(small, i, others, look)
        if place is None:
            return Pool(_why_none(frame, look, (0, shape[0], 0, shape[1])), _NO_VERTICES)
        dx, dy = place[0] - look.x, place[1] - look.y
        box = _moved(look, dx, dy, shape)
    trouble = _why_none(frame, look, box)
    if trouble != "no_pool":
        return Pool(trouble, _NO_VERTICES)
    solid, pairs = still or (_solid(look, dx, dy, box), None)
    window, alone, used = unexplained(
        frames, i, others, box, solid, look.metal_px, look.noise, look.veil, pairs
    )
    if used < 2:
        return Pool("broken", _NO_VERTICES)
    lighting = look.lighting
    if look.moves:
        lighting = moved_lighting(lighting, round(dx), round(dy))
    gain = gain_of(frame, box, solid, lighting) / look.level
    contour, area, weight, bright = _coarse(frame, box, window, gain, lighting, look, (dx, dy))
    if area < max(0.2 * look.area_px, settings.smallest_area_px):
        return Pool("no_pool", _NO_VERTICES, gain=gain)
    h, w = window.shape
    if touches(contour, h, w) and box != (0, shape[0], 0, shape[1]):
        # The crop was too tight for this frame: take the whole picture.
        box = (0, shape[0], 0, shape[1])
        solid = _solid(look, dx, dy, box)
        window, alone, used = unexplained(frames, i, others, box, solid, look.metal_px, look.noise, look.veil)
        contour, area, weight, bright = _coarse(frame, box, window, gain, lighting, look, (dx, dy))
    if len(contour) == 0 or touches(contour, *window.shape):
        return Pool("cut_off", _NO_VERTICES, gain=gain)
    evidence = look.evidence
    x, y = follow(
        weight,
        bright,
        evidence.wide,
        contour[:, 0].copy(),
        contour[:, 1].copy(),
        settings.vertices,
        float(look.neck),
        look.tips,
    )
    x, y, spread, _ = settle(
        alone,
        bright,
        evidence.edge,
        x,
        y,
        SEARCH,
        FINER,
        SEARCH + REACH,
        float(look.neck),
    )
    if np.count_nonzero(spread > _VAGUE_PX) > settings.hidden_share * spread.size:
        return Pool("hidden", _NO_VERTICES, gain=gain)
    x += box[2]
    y += box[0]
    left, top, right, low = _bounds(x, y)
    left_right, up_down = look.blind_px
    if min(left, shape[1] - 1 - right) < left_right or min(top, shape[0] - 1 - low) < up_down:
        return Pool("cut_off", _NO_VERTICES, gain=gain)
    middle = 0.5 * (left + right), 0.5 * (top + low)
    front, rear, left, right = extents(x, y, *rows, VAGUE)
    area, cx, cy = area_centroid(x, y)
    if not 0.3 * look.area_px < area < 3.0 * look.area_px:
        return Pool("broken", _NO_VERTICES, gain=gain)
    if look.moves:
        dx, dy = middle[0] - look.x, middle[1] - look.y
    keyhole, keyhole_area, keyhole_clipped = measure_spot(
        frame, look.keyhole, look.keyhole_dark, dx, dy, look.full_scale
    )
    return Pool(
        status="ok",
        vertices=np.column_stack((x, y)).astype(np.float32),
        front=front,
        rear=rear,
        left=left,
        right=right,
        area=area,
        x=cx,
        y=cy,
        brightness=polygon_mean(frame, x, y),
        gain=gain,
        keyhole=keyhole,
        keyhole_area=keyhole_area,
        keyhole_clipped=keyhole_clipped,
    )


def _others(prints: list[int], i: int, lags: tuple[int, ...]) -> list[int]:
    """Frames to compare with: those of the window that exist and are not the same picture again."""
    seen = {prints[i]}
    out = []
    for lag in lags:
        for other in (i - lag, i + lag):
            if 0 <= other < len(prints) and prints[other] not in seen:
                seen.add(prints[other])
                out.append(other)
    return out


def _why_none(frame: Grey, look: IlluminatedLook, box: Box) -> str:
    """Why nothing can be found in a frame: ``dark``, ``blown``, or ``no_pool`` where neither is so."""
    r0, r1, c0, c1 = box
    plane = look.lighting.plane
    middle = plane[0] + plane[1] * (c0 + c1) / 2 + plane[2] * (r0 + r1) / 2
    mean, clipped = _thinned(frame, box, 0.998 * look.full_scale)
    if mean < 0.2 * middle:
        return "dark"
    return "blown" if clipped > 0.35 + 1.3 * look.clipped else "no_pool"


@njit(cache=True, nogil=True)
def _thinned(frame: NDArray[np.generic], box: Box, top: float) -> tuple[float, float]:
    """Mean of every fourth row and column of a box, and the share of them that reaches `top`; 0 if there are none."""
    total = 0.0
    clipped = 0
    count = 0
    for i in range(box[0], box[1], 4):
        for j in range(box[2], box[3], 4):
            total += frame[i, j]
            clipped += 1 if frame[i, j] >= top else 0
            count += 1
    return (total / count, clipped / count) if count else (0.0, 0.0)


def _moved(look: IlluminatedLook, dx: float, dy: float, shape: tuple[int, ...]) -> Box:
    """Box round the pool at its place in this frame."""
    margin = margin_of(look.size_px)
    c0, r0 = look.outline.min(axis=0) - margin + (dx, dy)
    c1, r1 = look.outline.max(axis=0) + margin + (dx, dy)
    return (
        min(max(int(r0), 0), shape[0] - 1),
        max(min(int(r1) + 2, shape[0]), 1),
        min(max(int(c0), 0), shape[1] - 1),
        max(min(int(c1) + 2, shape[1]), 1),
    )


def _solid(look: IlluminatedLook, dx: float, dy: float, box: Box) -> NDArray[np.uint8]:
    return solid_around(look.outline + (dx, dy), (look.x + dx, look.y + dy), box)


@njit(cache=True, nogil=True)
def _bounds(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """Least x and y, and greatest."""
    return x.min(), y.min(), x.max(), y.max()


def _coarse(
    frame: Grey,
    box: Box,
    window: NDArray[np.float32],
    gain: float,
    lighting: MetalLight,
    look: IlluminatedLook,
    place: tuple[float, float],
) -> tuple[NDArray[np.float64], float, NDArray[np.float32], NDArray[np.float32]]:
    """Coarse contour and area of the pool, the weight of evidence, and relative brightness."""
    evidence = look.evidence
    weight, bright = weigh(frame, box, window, gain, lighting, evidence.by_both)
    near = look.x + place[0] - box[2], look.y + place[1] - box[0]
    wet = liquid_in(weight + look.usual.odds(*place, box))
    contour, area = contour_of(wet, look.neck, near, look.pointed)
    return contour, area, weight, bright


def _place(small: Grey, i: int, others: list[int], look: IlluminatedLook) -> tuple[float, float] | None:
    """Middle of a wandering pool, from shrunk pictures; None where nothing looks like it or moves against the metal."""
    h, w = small.shape[1:]
    solid = np.ones((h, w), dtype=np.uint8)
    metal = look.metal_px[0] / SHRINK, look.metal_px[1] / SHRINK
    # Averaging leaves the rounding and a sixteenth of the noise; texture is read between pixels.
    noise = look.noise[0] / 16 + 1.0, look.noise[1] / 16
    # The longest distances: there the pool has changed and moved most.
    window, _, used = unexplained(small, i, others[-4:], (0, h, 0, w), solid, metal, noise)
    found = look.usual.find(small[i], np.minimum(window, np.float32(1.0)) if used >= 2 else None)
    if found is not None or used < 2:
        return found
    mask = ((window > SHARE) & (window <= 1.0)).astype(np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    largest = max(contours, key=cv2.contourArea).reshape(-1, 2)
    if cv2.contourArea(largest) * SHRINK**2 < 0.15 * look.area_px:
        return None
    x, y = (0.5 * (largest.min(axis=0) + largest.max(axis=0)) + 0.5) * SHRINK - 0.5
    return float(x), float(y)
