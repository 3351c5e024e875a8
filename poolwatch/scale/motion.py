"""Motion of the solid metal in a clip: how many px a frame the rigid sheet moves, and which way."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError, UsageError
from .texture import textures
from .tiles import LEAST_TILES, Shift, Template
from .vote import vote

# Pairs of frames solved on the way to longer lags, and at the lag taken.
_PAIRS_ON_THE_WAY = 10
_PAIRS = 24
# What interpolation leaves in one pair's shift, px; all pairs may share it.
_SYSTEMATIC_PX = 0.02
# Less than this over the whole run (px) is drift of a standing camera, not travel.
_LEAST_TRAVEL_PX = 2.5
# A camera stands still when at least this share of the tiles rests; less may be dirt before moving metal.
_LEAST_AT_REST = 1 / 3


@dataclass(frozen=True)
class Motion:
    """Motion of the rigid sheet in the image.

    Attributes
    ----------
    dx, dy
        Motion of the metal, px per frame, x right and y down; 0 for a standing camera.
    u_dx, u_dy
        Standard uncertainties, px per frame.
    moving
        Whether the metal moves in the picture (the camera rides with the head) or stands still.
    lag
        Frames between the pictures compared.
    pairs
        Pairs of frames solved.
    tiles_used
        Tiles that follow the motion, mean over pairs.
    tiles_considered
        Tiles that could be compared, mean over pairs.
    explained
        Share of the compared tiles that follow: 1 for solid metal throughout.
    gradient
        Shape (2, 2): change of (dx, dy) per px to the right and down: perspective and rotation. NaN where
        too few tiles show it.
    centre_x, centre_y
        Mean place of the tiles outside the mask, px: where (dx, dy) holds.
    first, last
        Frames of the clip that were looked at; 0 where it is not known.
    """

    dx: float
    dy: float
    u_dx: float
    u_dy: float
    moving: bool
    lag: int
    pairs: int
    tiles_used: float
    tiles_considered: float
    explained: float
    gradient: NDArray[np.float64]
    centre_x: float
    centre_y: float
    first: int = 0
    last: int = 0

    @property
    def speed(self) -> float:
        """Speed of the metal, px per frame."""
        return math.hypot(self.dx, self.dy)

    @property
    def u_speed(self) -> float:
        """Standard uncertainty of the speed, px per frame."""
        if self.speed == 0:
            return math.hypot(self.u_dx, self.u_dy)
        return math.hypot(self.dx * self.u_dx, self.dy * self.u_dy) / self.speed

    @property
    def direction_deg(self) -> float:
        """Direction in which the metal moves, degrees counter-clockwise as seen, 0 = right; NaN when it stands."""
        return math.degrees(math.atan2(-self.dy, self.dx)) if self.moving else math.nan

    @property
    def u_direction_deg(self) -> float:
        """Standard uncertainty of the direction, degrees."""
        if not self.moving:
            return math.nan
        return math.degrees(math.hypot(self.dy * self.u_dx, self.dx * self.u_dy) / self.speed**2)

    @property
    def travel_direction_deg(self) -> float:
        """Travel direction of a riding camera: against the metal's motion, in (-180, 180]; NaN when it stands."""
        turned = self.direction_deg + 180.0
        return turned - 360.0 if turned > 180.0 else turned

    def at(self, x: float, y: float) -> tuple[float, float]:
        """(dx, dy) at an image place, px per frame, with the gradient over the view where it is known."""
        if not np.isfinite(self.gradient).all():
            return self.dx, self.dy
        ddx, ddy = (self.gradient @ (x - self.centre_x, y - self.centre_y)).tolist()
        return self.dx + ddx, self.dy + ddy


def rigid_motion(
    frames: NDArray[np.generic], mask: NDArray[np.bool_] | None = None, *, tile_px: int | None = None
) -> Motion:
    """Find the motion of the solid metal from a run of frames, at even spacing.

    Parameters
    ----------
    frames
        Grey values, shape (n, h, w), any depth, n at least 8; some hundreds are better for slow travel.
    mask
        Shape (h, w), True on what is to be left out (pool, fixtures); None for nothing. It stays in place
        in the picture. Tiles that do not follow the common motion are left out in any case.
    tile_px
        Side of a tile, px; a fifth of the frame's smaller side, between 16 and 32, if None.

    Returns
    -------
    Motion in px per step of `frames`.

    Raises
    ------
    UsageError
        The arrays do not fit.
    MeasurementError
        Too few tiles agree on any motion: too little texture, or nothing solid in view.

    Notes
    -----
    1. Whole-picture cross-correlations at lags 1, 2, 4 … averaged over many pairs vote for a speed that holds
       at all lags; once as they are, once with what stands still in the picture (lighting, dirt, a nozzle)
       taken out by subtracting the mean.
    2. Tile-wise least squares (`tiles`) follows each candidate to ever longer lags, as long as enough tiles
       agree, so that the error of one shift is spread over many frames.
    3. The tiles that stand still are counted against those that move; the larger number decides `moving`.
    """
    if tile_px is None:
        tile_px = int(np.clip(min(frames.shape[1:], default=0) // 5, 16, 32))
    solid = _check(frames, mask, tile_px)
    pictures = textures(frames)
    moving, most = None, 0.0
    for start in vote(pictures, solid, _LEAST_TRAVEL_PX):
        candidate = _follow(pictures, solid, tile_px, start)
        if candidate is not None and candidate.most > most:
            moving, most = candidate
    standing = _standing(pictures, solid, tile_px)
    count, height, width = frames.shape
    if moving is not None and (standing is None or most >= standing.tiles_used):
        return moving
    if standing is not None:
        return standing
    raise MeasurementError(
        f"no common motion of solid metal found in {count} frames of {width}x{height} px:"
        " too little texture, too few frames, or nothing solid in view. Give more frames, light the metal, or"
        " mask what is not metal"
    )


def _check(
    frames: NDArray[np.generic], mask: NDArray[np.bool_] | None, tile_px: int
) -> NDArray[np.bool_] | None:
    if frames.ndim != 3 or len(frames) < 8:
        raise UsageError(f"motion needs at least 8 frames as (n, h, w), got shape {frames.shape}")
    _, height, width = frames.shape
    if not 12 <= tile_px <= min(height, width) // 2:
        raise UsageError(
            f"tiles of {tile_px} px do not suit frames of {width}x{height} px;"
            " give at least 12 and at most half the frame"
        )
    if mask is None:
        return None
    if mask.shape != frames.shape[1:]:
        raise UsageError(f"the mask's shape {mask.shape} is not the frames' {frames.shape[1:]}")
    return ~mask.astype(bool)


class _Followed(NamedTuple):
    """A candidate followed: its motion at the lag that fixes it best, and the most tiles that agreed at any lag."""

    motion: Motion
    most: float


def _follow(
    pictures: NDArray[np.float32], solid: NDArray[np.bool_] | None, tile_px: int, start: tuple[float, float]
) -> _Followed | None:
    """Follow a candidate speed (dx, dy) to the lag that fixes it best; None where it does not hold."""
    n, height, width = pictures.shape
    speed = np.array(start)
    reach = 0.45 * np.array([width, height])
    gradient = np.zeros((2, 2))
    best: Motion | None = None
    most = clearest = 0.0
    # A quarter of the run is left to start pairs from, so that their scatter (shake, noise) is seen at every lag.
    longest = max(1, (3 * (n - 1)) // 4)
    # Below some px of shift what stands still in the picture would pull the shift towards 0.
    lag = max(1, math.ceil(3.0 / max(math.hypot(*start), 1e-9)))
    lag = min(lag, longest)
    while (np.abs(speed) * lag <= reach).all():
        solved = _solve(pictures, solid, tile_px, speed, gradient, lag, _PAIRS_ON_THE_WAY)
        if solved is None or solved.explained < 0.35 * clearest:
            break
        most, clearest = max(most, solved.tiles_used), max(clearest, solved.explained)
        if best is None or solved.u_speed < best.u_speed:
            best = solved
        speed = np.array([solved.dx, solved.dy])
        gradient = np.nan_to_num(solved.gradient)
        if lag == longest:
            break
        lag = min(longest, max(lag + 1, round(lag * 1.6)))
    if best is not None and best.pairs >= _PAIRS_ON_THE_WAY // 2:
        start_again, gradient = np.array([best.dx, best.dy]), np.nan_to_num(best.gradient)
        final = _solve(pictures, solid, tile_px, start_again, gradient, best.lag, _PAIRS)
        best = best if final is None else final
    if best is None or best.speed * (n - 1) < _LEAST_TRAVEL_PX or best.speed < 5 * best.u_speed:
        return None
    return _Followed(best, most)


def _solve(
    pictures: NDArray[np.float32],
    solid: NDArray[np.bool_] | None,
    tile_px: int,
    speed: NDArray[np.float64],
    gradient: NDArray[np.float64],
    lag: int,
    pairs: int,
) -> Motion | None:
    """Tile-wise shifts of many pairs at one lag, averaged; None where most pairs find no agreement."""
    n = len(pictures)
    firsts = np.unique(np.linspace(0, n - 1 - lag, min(pairs, n - lag)).astype(int))
    dx, dy = (speed * lag).tolist()
    found: list[Shift] = []
    seen_at: list[int] = []
    failures = 0
    for first in firsts:
        template = Template.cut(pictures[first], solid, tile_px)
        if len(template.corners) < LEAST_TILES:
            return None
        shift = template.search(pictures[first + lag], (dx, dy), gradient=gradient * lag)
        if shift.found:
            found.append(shift)
            seen_at.append(int(first))
        else:
            failures += 1
            if failures > len(firsts) // 2 or (failures == 4 and not found):
                return None
    if _is_one_thing(found, seen_at, template, lag):
        return None
    return _average(found, template, gradient * lag, lag, n / lag)


def _is_one_thing(found: list[Shift], seen_at: list[int], template: Template, lag: int) -> bool:
    """Whether the tiles that follow wander over the view with the motion: a thing that crosses it, no sheet.

    A pool that crosses the view of a standing camera moves as one, too.
    """
    if len(found) < 5:
        return False
    speed = np.mean([(s.dx, s.dy) for s in found], axis=0) / lag
    along = speed / max(float(np.linalg.norm(speed)), 1e-9)
    centroid = np.array([template.centres[s.followed].mean(axis=0) for s in found]) @ along
    travelled = np.array(seen_at) * float(speed @ along)
    if np.ptp(travelled) < 1.5 * template.size:
        return False
    return bool(np.polyfit(travelled, centroid, 1)[0] > 0.5)


def _average(
    found: list[Shift], template: Template, gradient: NDArray[np.float64], lag: int, disjoint: float
) -> Motion:
    """Mean over pairs; `disjoint` of them share no metal, so that their tiles' errors are independent."""
    shifts = np.array([[s.dx, s.dy] for s in found])
    middle = np.median(shifts, axis=0)
    spread = 1.4826 * np.median(np.abs(shifts - middle), axis=0)
    kept = (np.abs(shifts - middle) <= 4 * spread + 0.1).all(axis=1)
    shifts = shifts[kept]
    found = [s for s, keep in zip(found, kept, strict=True) if keep]
    within = np.mean([np.diag(s.covariance) for s in found], axis=0)
    between = shifts.var(axis=0, ddof=1) if len(found) > 2 else within
    offset, lever, gradient = _with_gradient(found, template, gradient)
    mean = shifts.mean(axis=0) + offset
    lever = lever * max(1.0, len(found) / max(1.0, disjoint))
    u = np.sqrt(np.maximum(within, between) / _independent(shifts) + lever + _SYSTEMATIC_PX**2) / lag
    return _motion(
        found,
        template,
        mean / lag,
        u,
        moving=True,
        lag=lag,
        gradient=gradient / lag,
    )


def _motion(
    found: list[Shift],
    template: Template,
    speed: NDArray[np.float64],
    u: NDArray[np.float64],
    *,
    moving: bool,
    lag: int,
    gradient: NDArray[np.float64],
) -> Motion:
    """A speed (dx, dy) and its uncertainty as a `Motion`, with the tiles of the shifts that it was found from."""
    dx, dy = speed.tolist()
    u_dx, u_dy = u.tolist()
    x, y = template.centre.tolist()
    used = float(np.mean([s.followed.sum() for s in found]))
    considered = float(np.mean([s.considered.sum() for s in found]))
    explained = used / max(1.0, considered)
    return Motion(
        dx,
        dy,
        u_dx,
        u_dy,
        moving,
        lag,
        len(found),
        used,
        considered,
        explained,
        gradient,
        centre_x=x,
        centre_y=y,
    )


def _with_gradient(
    found: list[Shift], template: Template, gradient: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """What the tiles' scatter over the view adds to the mean shift (2,), its variance (2,); and the gradient (2, 2).

    The gradient is NaN, and nothing is added to the mean, where too few tiles show it.
    """
    from_centre = template.centres - template.centre
    place = np.concatenate([from_centre[s.followed] + (s.dx / 2, s.dy / 2) for s in found])
    own = np.concatenate([s.tile_shifts[s.followed] - (s.dx, s.dy) for s in found])
    tiles = len(np.unique(np.concatenate([np.flatnonzero(s.followed) for s in found])))
    design = np.column_stack([np.ones(len(place)), place / 100.0])
    if tiles < 6 or np.linalg.cond(design) > 50:
        return np.zeros(2), np.zeros(2), np.full((2, 2), np.nan)
    solution, *_ = np.linalg.lstsq(design, own, rcond=None)
    residual = ((own - design @ solution) ** 2).sum(axis=0) / max(1, len(own) - 3)
    # The variance that the intercept has beyond that of the plain mean, which `between` and `within` hold.
    beyond = np.linalg.inv(design.T @ design)[0, 0] - 1 / len(own)
    offset, *slopes = solution
    return offset, residual * max(0.0, float(beyond)), gradient + np.transpose(slopes) / 100.0


def _independent(shifts: NDArray[np.float64]) -> NDArray[np.float64]:
    """How many of a series of 2-D values are independent, a direction each, from its lag-1 autocorrelation."""
    n = len(shifts)
    if n < 4:
        return np.ones(2)
    offset = shifts - shifts.mean(axis=0)
    power = np.maximum((offset**2).sum(axis=0), 1e-18)
    memory = np.clip((offset[1:] * offset[:-1]).sum(axis=0) / power, 0.0, 0.9)
    return np.asarray(np.maximum(1.0, n * (1 - memory) / (1 + memory)))


def _standing(pictures: NDArray[np.float32], solid: NDArray[np.bool_] | None, tile_px: int) -> Motion | None:
    """The sheet at rest, up to shake and slow drift; None where the later pictures do not agree with the first."""
    template = Template.cut(pictures[0], solid, tile_px)
    if len(template.corners) < LEAST_TILES:
        return None
    later = np.unique(np.linspace(len(pictures) // 2, len(pictures) - 1, 12).astype(int))
    good: dict[int, Shift] = {}
    for i in later:
        shift = template.find(pictures[i], fixed_mask=False)
        if shift.found and math.hypot(shift.dx, shift.dy) < _LEAST_TRAVEL_PX:
            good[int(i)] = shift
    if len(good) < len(later) // 2:
        return None
    rates = np.array([[s.dx / i, s.dy / i] for i, s in good.items()])
    u = np.sqrt((rates**2).mean(axis=0) + (_SYSTEMATIC_PX / len(pictures)) ** 2)
    unknown = np.full((2, 2), np.nan)
    motion = _motion(
        list(good.values()),
        template,
        np.zeros(2),
        u,
        moving=False,
        lag=max(good, default=0),
        gradient=unknown,
    )
    return None if motion.tiles_used < _LEAST_AT_REST * motion.tiles_considered else motion
