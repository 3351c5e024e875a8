"""The steps of the first look at illuminated footage."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ...model.errors import MeasurementError
from ..coarse import touches
from ..settings import PoolSettings
from .alignment import Path, UsualPool, moved
from .comparing import WINDOW
from .metal import Field, Grey
from .motion import find_motion, refine_motion
from .noise import Region
from .over_time import rim_over_time, usual_picture
from .region import SHARE, box_around, contour_of, distances, hull_of
from .residual import unexplained

# Share of the picture that must follow a motion for no other to be looked for, and for it to need no more proof.
FOLLOWED = 0.6
# Standard deviations of what noise leaves unexplained, for a place to be liquid at first.
_CLEAR = 8.0
# Metal slower than this over half a window stands still as far as looking for the pool goes, px.
STILL_PX = 0.5
_NO_POOL = (
    "no pool found: rigid motion of the metal explains the picture everywhere but for less than {:.0f} px², or all of "
    "it is cut by the border. Check that the beam is on and the whole pool in view"
)


def motion_of(
    windows: Grey,
    given: tuple[float, float] | None,
    solid: NDArray[np.uint8],
    noise: tuple[float, float],
    half: int,
) -> tuple[tuple[float, float], tuple[float, float], float]:
    """Motion of the metal, its uncertainty and the share that follows it: as given or at rest, or else found by vote.

    Who gives a travel speed does not say whether the camera rides or stands. Where marks are faint, noise hides much of
    what a wrong motion leaves, and its share is high, too: the higher one counts.
    """
    starts = [] if given is None else [given, (0.0, 0.0)]
    tried = [refine_motion(windows, start, solid, noise, half) for start in starts]
    if not tried or max(share for *_, share in tried) <= FOLLOWED:
        tried.append(refine_motion(windows, find_motion(windows), solid, noise, half))
    return max(tried, key=lambda one: one[2])


def neck_of(size: float) -> int:
    """Width of the widest neck or bump that may hang on a pool without belonging to it, px."""
    # Judged by its surroundings, everything is seen wider by them; but a small pool must not be shaved away.
    return max(round(min(0.15 * size + WINDOW - 1, 0.3 * size)), 4)


def lags_of(unit: int, half: int) -> tuple[int, ...]:
    """Up to five distances from `unit` to `half`, evenly spread in proportion."""
    unit = min(unit, half)
    return tuple(sorted({round(unit * (half / unit) ** (i / 4)) for i in range(5)}))


def regions_of(
    windows: Grey,
    metal: tuple[float, float],
    noise: tuple[float, float],
    lags: tuple[int, ...],
    veil: bool,
    settings: PoolSettings,
    paths: list[Path],
    forward: tuple[float, float],
    shown: UsualPool | None = None,
) -> tuple[list[Region], UsualPool | None]:
    """What windows whose middle frame shows a whole pool leave unexplained; and the pool as seen over time.

    `paths` are those that the pool may have; `shown` is the pool as seen over time where it is known already.
    """
    half = (windows.shape[1] - 1) // 2
    h, w = windows.shape[2:]
    everywhere = np.ones((h, w), dtype=np.uint8)
    found: list[Region] = []
    areas = []
    maps = []
    for i, run in enumerate(windows):
        others = [half + sign * lag for lag in lags for sign in (-1, 1)]
        window, alone, used = unexplained(run, half, others, (0, h, 0, w), everywhere, metal, noise, veil)
        if used < len(others) / 2:
            continue
        maps.append((i, window, alone))
        contour, area = hull_of((window > share_level(window)) & (window <= 1.0))
        if area < settings.smallest_area_px or area > 0.7 * h * w or touches(contour, h, w):
            continue
        found.append((i, contour, window, alone))
        areas.append(area)
    if not maps:
        raise MeasurementError(_NO_POOL.format(settings.smallest_area_px))
    if shown is None:
        seen = [_over_time(windows, maps, path, forward) for path in paths]
        shown = max((s for s in seen if s is not None), key=lambda s: s.step, default=None)
    if shown is not None:
        placed = [(i, shown.contour + shown.path.shift(i, half), window, alone) for i, window, alone in maps]
        inside = [p for p in placed if not touches(p[1], h, w)]
        if len(inside) >= 0.5 * len(maps):
            return inside, shown
    if not found:
        raise MeasurementError(_NO_POOL.format(settings.smallest_area_px))
    middle = np.median(areas)
    together = np.mean([np.minimum(window, 1.0) for _, window, _ in maps], axis=0)
    contour, area = contour_of(together > share_level(together), 0)
    riding = math.hypot(*metal) * half > STILL_PX
    if riding and 2.0 * middle < area < 0.6 * h * w and not touches(contour, h, w):
        # Where contrast is poor a single picture shows highlights alone, all together show the pool; where the
        # camera stands the pool wanders, and they do not.
        return [(i, contour, window, alone) for i, window, alone in maps], None
    return [f for f, a in zip(found, areas, strict=True) if 0.5 * middle < a < 1.7 * middle], None


def _over_time(
    windows: Grey, maps: list[tuple[int, Field, Field]], path: Path, forward: tuple[float, float]
) -> UsualPool | None:
    """The pool in frames laid on one another, if it has a rim there."""
    half = (windows.shape[1] - 1) // 2
    laid = []
    for i, window, _ in maps:
        dx, dy = path.shift(i, half)
        laid.append(np.minimum(moved(window, -dx, -dy), 1.0))
    # A particle is at a place in few of them.
    together = np.mean(np.sort(laid, axis=0)[: max(len(laid) * 3 // 4, 1)], axis=0)
    tone, change = usual_picture(windows, path)
    rim = rim_over_time(tone, change, together > share_level(together), forward)
    return UsualPool(tone, rim.contour, rim.step, path) if rim is not None and rim.seen else None


def share_level(window: NDArray[np.float32]) -> float:
    """Unexplained share above which surroundings are liquid: clear of what noise leaves over most of the picture."""
    known = window[window <= 1.0]
    if known.size == 0:
        return SHARE
    middle = float(np.median(known))
    spread = 1.4826 * float(np.median(np.abs(known - middle)))
    return min(middle + _CLEAR * spread, SHARE)


def unit_of(
    windows: Grey,
    pools: list[Region],
    metal: tuple[float, float],
    noise: tuple[float, float],
    veil: bool,
    half: int,
) -> int:
    """Shortest distance, frames, at which the liquid has changed about as much as it ever does."""
    h, w = windows.shape[2:]
    everywhere = np.ones((h, w), dtype=np.uint8)
    tried = sorted({1, 2, 3, 4, 6, 8, 12, 16} & set(range(1, half + 1)))
    changed = []
    for lag in tried:
        shares = []
        for i, contour, *_ in pools[:6]:
            depth = distances(contour, (h, w))
            # A thin region has no place 3 px inside.
            inside = depth > min(3.0, 0.5 * float(depth.max()))
            box = box_around(contour, 2, (h, w))
            r0, r1, c0, c1 = box
            for other in (half - lag, half + lag):
                window, _, _ = unexplained(
                    windows[i], half, [other], box, everywhere[r0:r1, c0:c1], metal, noise, veil
                )
                shares.append(float(np.median(window[inside[r0:r1, c0:c1]])))
        changed.append(float(np.median(shares)))
    # 0.09 is what noise alone leaves.
    enough = 0.09 + 0.55 * (max(changed) - 0.09)
    return next((lag for lag, c in zip(tried, changed, strict=True) if c >= enough), tried[-1])
