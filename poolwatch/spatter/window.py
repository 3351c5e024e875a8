"""The pixels around one region that its fit sees."""

from __future__ import annotations

import math

from numba import njit
from numpy.typing import NDArray

from ..model.pixels import Frames
from .facts import FIT_PIXELS, Ground, Work
from .filtering import level_at, residual_at, smoothed_at

# From this many times as many, the edge is taken more densely than the rest. Not before: which pixels lie at the
# edge goes by their values, and to choose by values what is fitted is fair only far above the noise.
_HUGE = 4


@njit(cache=True, nogil=True)
def window(
    frames: Frames,
    frame: int,
    ground: Ground,
    gain: float,
    work: Work,
    number: int,
    box: NDArray,  # type: ignore[type-arg]
    top: float,
    hollow: bool,
) -> tuple[int, int]:
    """Pixels for the fit of one region, into the rows of `work.values`: x, y, value, ground, limit.

    `box` is centre x, y, direction (cos, sin), and reach along (low, high) and across (low, high).
    Of a huge region mostly the edge is taken, where the picture is between a tenth and nine tenths of `top`:
    that is where its size is told; of a `hollow` one (a shadow with a light spot in it) the inside is left out.
    Returns how many pixels there are and how many of them are full.
    """
    h, w = ground.background.shape
    left, right, calm = work.canvas.left, work.canvas.right, work.canvas.calm
    owner, values = work.owner, work.values
    x0, y0, c, s = box[0], box[1], box[2], box[3]
    bound_x = max(abs(box[4]), abs(box[5])) * abs(c) + max(abs(box[6]), abs(box[7])) * abs(s)
    bound_y = max(abs(box[4]), abs(box[5])) * abs(s) + max(abs(box[6]), abs(box[7])) * abs(c)
    area = (box[5] - box[4]) * (box[7] - box[6])
    # One pixel in `thin` (in `edge` at the edge), on slanted lattices, so that no direction is favoured.
    thin = max(1, int(math.ceil(area / FIT_PIXELS)))
    edge = thin
    if thin > _HUGE:
        rim = 2.0 * (box[5] - box[4] + box[7] - box[6]) * 3.0
        edge = max(1, min(thin, int(math.ceil(rim / FIT_PIXELS))))
        thin *= 2
    slant, edge_slant = max(1, int(0.618 * thin)), max(1, int(0.618 * edge))
    n = full_count = 0
    mid_along, half_along = 0.5 * (box[4] + box[5]), max(0.5 * (box[5] - box[4]), 1.0)
    mid_across, half_across = 0.5 * (box[6] + box[7]), max(0.5 * (box[7] - box[6]), 1.0)
    y_low, y_high = max(0, int(math.ceil(y0 - bound_y))), min(h - 1, int(math.floor(y0 + bound_y)))
    x_low, x_high = max(0, int(math.ceil(x0 - bound_x))), min(w - 1, int(math.floor(x0 + bound_x)))
    for y in range(y_low, y_high + 1):
        for x in range(x_low, x_high + 1):
            if left[y] <= x <= right[y]:
                continue
            if thin > 1 and (x + slant * y) % thin != 0:
                if edge == thin:
                    continue
                height = smoothed_at(frames, frame, ground, gain, calm, y, x)
                if height < 0.1 * top or height > 0.9 * top or (x + edge_slant * y) % edge != 0:
                    continue
            dx, dy = x - x0, y - y0
            along, across = dx * c + dy * s, dy * c - dx * s
            if along < box[4] or along > box[5] or across < box[6] or across > box[7]:
                continue
            k = owner[y, x]
            if k > 0 and k != number:
                continue
            if hollow:
                inside = ((along - mid_along) / half_along) ** 2 + ((across - mid_across) / half_across) ** 2
                if inside < 0.5:
                    continue
            if n >= values.shape[1]:
                return n, full_count
            slow = level_at(calm, y, x)
            base = gain * ground.background[y, x] + ground.black * (1.0 - gain)
            values[0, n], values[1, n] = x, y
            values[2, n] = residual_at(frames, frame, ground, gain, y, x) - slow
            values[3, n] = base + slow
            values[4, n] = ground.full - base - slow
            if values[2, n] >= values[4, n]:
                full_count += 1
            n += 1
    return n, full_count
