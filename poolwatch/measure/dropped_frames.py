"""Frames that are missing although the file does not tell: what moves smoothly jumps by whole steps there."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..pool.coarse import Grey
from ..pool.illuminated import IlluminatedLook
from .look import ClipLook

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
# A step counts as so many steps more within this, in steps.
_NEAR = 0.25
# Particles slower than this say little in a step, px; metal slower than this says nothing, px.
_LEAST_STEP_PX, _LEAST_METAL_PX = 1.5, 0.12
# Steps of a track on either side that tell how far it goes in one frame; so many must be alike within `_NEAR`, for
# a wisp of plume that was followed for a while stumbles.
_SIDE, _ALIKE = 2, 3
# So many particles must jump at once, and this share of all that pass there.
_WITNESSES, _SHARE = 2, 0.6
# Most frames missing at one place that are looked for in moving metal.
_MOST = 6
# Pixels, about, that take part in registering two frames whose metal moves by this, px; the slower, the more. Where the
# metal is out of step, every so many rows and columns.
_ROUGHLY, _ROUGHLY_PX, _CLOSELY = 2000, 0.5, 2


@dataclass(frozen=True)
class DroppedFrames:
    """Places where frames are missing.

    Attributes
    ----------
    judged_by
        What tells: ``particles``, ``metal``, or nothing that moves (empty): then none can be seen.
    after
        Frames behind which frames are missing.
    count
        How many at each of these places.
    """

    judged_by: str = ""
    after: tuple[int, ...] = ()
    count: tuple[int, ...] = ()


def find_drops(look: ClipLook, tracks: pd.DataFrame, ways: Floats, skip: NDArray[np.bool_]) -> DroppedFrames:
    """Look for frames that the camera or a converter left out without a trace in the file.

    Parameters
    ----------
    look
        What the first look learned.
    tracks
        Sightings of particles, columns of `poolwatch.model.tables.TRACKS`.
    ways
        What `metal_ways` gave for each frame, shape (frames,).
    skip
        True for frames that are damaged or repeat the one before, shape (frames,).

    Notes
    -----
    A pool's own motion is too restless to show one missing frame. In glowing footage particles tell, at moments when
    two or more are in flight; in illuminated footage the metal tells at every frame, unless it stands still.
    """
    if isinstance(look.pool, IlluminatedLook):
        if look.pool.standing or math.hypot(*look.pool.metal_px) < _LEAST_METAL_PX:
            return DroppedFrames()
        onward = np.append(ways[1:], np.nan)
        return by_ways(np.where(skip | np.append(skip[1:], True), np.nan, onward))
    ordered = tracks.sort_values(["particle", "frame"], kind="stable")
    places = ordered[["x_px", "y_px"]].to_numpy(dtype=np.float64)
    return by_particles(ordered["particle"].to_numpy(), ordered["frame"].to_numpy(dtype=np.int64), places)


def by_particles(particle: NDArray[np.generic], frame: NDArray[np.int64], places: Floats) -> DroppedFrames:
    """Places where particles in flight all jump by the same whole number of steps.

    Parameters
    ----------
    particle, frame
        Track and frame of each sighting, sorted by track, then frame, shape (n,).
    places
        x and y, px, shape (n, 2).
    """
    if len(frame) < 2:
        return DroppedFrames()
    same = particle[1:] == particle[:-1]
    gap = np.where(same, np.diff(frame), 1)
    length = np.where(same, np.hypot(*np.diff(places, axis=0).T), np.nan)
    usual = _usual(length / gap, np.cumsum(~same))
    with np.errstate(invalid="ignore", divide="ignore"):
        more = length / usual - gap
        tells = same & (gap == 1) & (usual >= _LEAST_STEP_PX)
        steps = np.rint(more)
        jumps = tells & (steps >= 1) & (np.abs(more - steps) < _NEAR)
    if not tells.any():
        return DroppedFrames()
    passing = np.bincount(frame[:-1][tells])
    after, count = [], []
    for place in np.unique(frame[:-1][jumps]):
        votes = steps[jumps & (frame[:-1] == place)]
        most = int(np.median(votes))
        alike = int((votes == most).sum())
        if alike >= _WITNESSES and alike >= _SHARE * passing[place]:
            after.append(int(place))
            count.append(most)
    return DroppedFrames("particles", tuple(after), tuple(count))


def _usual(step: Floats, track: NDArray[np.int64]) -> Floats:
    """Middle of the steps of the same track around each, itself left out; NaN where fewer than three are alike."""
    n = len(step)
    near = np.full((2 * _SIDE, n), np.nan)
    row = 0
    for shift in range(-_SIDE, _SIDE + 1):
        if shift == 0:
            continue
        here = slice(max(-shift, 0), n - max(shift, 0))
        there = slice(max(shift, 0), n - max(-shift, 0))
        near[row, here] = np.where(track[there] == track[here], step[there], np.nan)
        row += 1
    middle = np.full(n, np.nan)
    enough = np.isfinite(near).sum(axis=0) >= _ALIKE
    middle[enough] = np.nanmedian(near[:, enough], axis=0)
    with np.errstate(invalid="ignore"):
        alike = (np.abs(near - middle) < _NEAR * middle).sum(axis=0)
    middle[alike < _ALIKE] = np.nan
    return middle


def metal_ways(frames: Grey, first: int, good: NDArray[np.bool_], pool: IlluminatedLook) -> Floats:
    """How far the metal moves to each frame from the one before, in steps of the clip; NaN where not known.

    Parameters
    ----------
    frames
        Consecutive frames, shape (m, h, w).
    first
        Place of the first that is asked about.
    good
        Shape (n,): which of the frames from there on show something new.
    pool
        What the first look learned.
    """
    step = math.hypot(*pool.metal_px)
    ways = np.full(len(good), np.nan)
    if not pool.standing and step >= _LEAST_METAL_PX:
        for k in np.flatnonzero(good).tolist():
            if first + k:
                ways[k] = _way(frames[first + k - 1], frames[first + k], pool, step)
    return ways


def by_ways(ways: Floats) -> DroppedFrames:
    """Places where metal moves on by whole frames' ways more than usual, and as usual before and behind.

    Where a dense shower or a puff is taken for metal for some frames, ways are odd one after the other, and some
    come near a whole number by chance.

    Parameters
    ----------
    ways
        How far the metal moves from each frame to the next, in steps of the clip, shape (frames,); NaN: not known.
    """
    known = np.isfinite(ways)
    if known.sum() < 8:
        return DroppedFrames()
    usual = float(np.median(ways[known]))
    spread = 1.4826 * float(np.median(np.abs(ways[known] - usual)))
    more = ways - usual
    with np.errstate(invalid="ignore"):
        # A camera that shakes by as much as the metal moves hides what is missing.
        hit = (np.rint(more) >= 1) & (np.abs(more - np.rint(more)) < _NEAR) & (more > 8 * spread)
        odd = known & ~hit & (np.abs(more) > max(_NEAR, 5 * spread))
    hit[1:] &= ~odd[:-1]
    hit[:-1] &= ~odd[1:]
    after = np.flatnonzero(hit)
    return DroppedFrames("metal", tuple(after.tolist()), tuple(int(round(m)) for m in more[after]))


def _way(here: Grey, there: Grey, pool: IlluminatedLook, step: float) -> float:
    """How far the metal moves from one picture to the next along its way, in steps of the clip; NaN where lost."""
    h, w = here.shape
    solid = np.ones((h, w), dtype=np.uint8)
    if not pool.moves:
        r0, r1, c0, c1 = pool.box
        solid[r0:r1, c0:c1] = 0
        if solid.mean() < 0.2:
            solid[:] = 1
    pixels = _ROUGHLY * max(_ROUGHLY_PX / step, 1.0)
    every = round(math.sqrt(h * w / pixels))
    way = _registered(here, there, pool, solid, step, every) if every > _CLOSELY else math.nan
    if abs(way - 1.0) <= _NEAR:
        return way
    return _registered(here, there, pool, solid, step, _CLOSELY)


def _registered(
    here: Grey, there: Grey, pool: IlluminatedLook, solid: NDArray[np.uint8], step: float, every: int
) -> float:
    """As `_way`, from every so many rows and columns."""
    from ..pool.illuminated.metal import register

    h, w = here.shape
    best, share = math.nan, 0.3
    vx, vy = pool.metal_px
    for k in range(1, _MOST + 2):
        found = register(here, there, (0, h, 0, w), solid, (k * vx, k * vy), pool.noise, every)
        if found.agreement > share:
            best, share = (found.dx * vx + found.dy * vy) / step**2, found.agreement
        if k == 1 and best < 1.5 and share > 0.5:
            break
    return best
