"""The motion of the solid metal over a stretch of a clip, however slow it is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..model.axes import Size
from ..model.errors import MeasurementError, UsageError
from .motion import Motion, rigid_motion

# Values held at once while looking for the motion, and frames looked at.
_PIXELS_AT_ONCE = 20_000_000
_FRAMES = (24, 160)
# Travel (share of the view) over the frames looked at that fixes the speed best.
_TRAVEL_SHARE = 0.6

_NOTHING = "no common motion of solid metal found between frames {} and {}: light the metal, or mask what is not metal"


def motion_in_clip(
    read: Callable[[Sequence[int]], NDArray[np.generic]],
    start: int,
    stop: int,
    mask: NDArray[np.bool_] | None = None,
    *,
    tile_px: int | None = None,
) -> Motion:
    """Find the motion of the solid metal in a stretch of a clip, px per frame of the clip.

    Parameters
    ----------
    read
        Gives frames (n, h, w) by their numbers, such as `frames` of an open clip.
    start, stop
        Stretch of the clip in which the beam travels steadily; `stop` is not in it.
    mask
        Shape (h, w), True on what is to be left out.
    tile_px
        Side of a tile, px; by the frame's size if None.

    Raises
    ------
    UsageError
        The stretch is too short.
    MeasurementError
        No common motion was found.

    Notes
    -----
    Consecutive frames from the middle are looked at first. Where they hold only a small part of a view's
    travel, frames spaced further apart are looked at instead, so that slow travel is measured as well as fast.
    """
    if stop - start < 8:
        raise UsageError(
            f"frames {start} to {stop} are too few to find the motion of the metal; give at least 8"
        )
    height, width = read([start]).shape[1:]
    frames = min(max(_FRAMES[0], min(_FRAMES[1], _PIXELS_AT_ONCE // (height * width))), stop - start)
    motion, used = None, 1
    try:
        motion = rigid_motion(read(_middle(start, stop, frames, 1)), mask, tile_px=tile_px)
    except MeasurementError:
        if stop - start < 2 * frames:
            raise
    spacing = _spacing(motion, (width, height), frames, widest=max(1, (stop - start) // frames))
    if spacing > 1:
        try:
            spaced = rigid_motion(read(_middle(start, stop, frames, spacing)), mask, tile_px=tile_px)
        except MeasurementError:
            spaced = None
        if spaced is not None:
            found = _per_frame(spaced, spacing)
            if motion is None or found.moving != motion.moving or found.u_speed < motion.u_speed:
                motion, used = found, spacing
    if motion is None:
        raise MeasurementError(_NOTHING.format(start, stop))
    seen = _middle(start, stop, frames, used)
    return replace(motion, first=seen[0], last=seen[-1])


def _spacing(motion: Motion | None, view: Size, frames: int, *, widest: int) -> int:
    """How far apart so many frames must be for the metal to pass the share of the view that fixes its speed best."""
    if motion is None or not motion.moving:
        # Too slow to be seen in that many frames, or standing: the whole stretch tells.
        return widest
    width, height = view
    reach = _TRAVEL_SHARE * min(
        width * motion.speed / max(abs(motion.dx), 1e-9), height * motion.speed / max(abs(motion.dy), 1e-9)
    )
    return min(widest, max(1, int(reach / (motion.speed * frames))))


def _middle(start: int, stop: int, frames: int, spacing: int) -> list[int]:
    first = start + (stop - start - ((frames - 1) * spacing + 1)) // 2
    return list(range(first, first + frames * spacing, spacing))


def _per_frame(motion: Motion, spacing: int) -> Motion:
    return replace(
        motion,
        dx=motion.dx / spacing,
        dy=motion.dy / spacing,
        u_dx=motion.u_dx / spacing,
        u_dy=motion.u_dy / spacing,
        lag=motion.lag * spacing,
        gradient=motion.gradient / spacing,
    )
