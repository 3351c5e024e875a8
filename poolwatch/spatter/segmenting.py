"""From a frame to the numbered regions that stand out of it."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..model.pixels import Frames
from .facts import Residual, SpatterFacts, Work
from .filtering import overall_gain, pool_spans, residual_at, slow_ground, smooth_block
from .regions import grow, part
from .sieve import (
    BLOCK,
    LOWEST_NARROW,
    LOWEST_WIDE,
    WEIGHTS,
    block_sums,
    fold,
    highest_in_blocks,
    most_in_sight,
)


@njit(cache=True, nogil=True)
def prepare(frames: Frames, k: int, outline: NDArray, facts: SpatterFacts, work: Work) -> float:  # type: ignore[type-arg]
    """What is hidden in frame `k`, its ground, and which blocks may hold something; returns its overall gain."""
    narrow, wide = frames
    canvas, ground = work.canvas, facts.ground
    pool_spans(outline, facts.margin, canvas.left, canvas.right)
    learned, left, right = ground.background, canvas.left, canvas.right
    rows = len(work.means)
    for i in range(rows):
        # Both depths share all but the loops over pixels: what the compiler sees twice takes it twice as long.
        if len(narrow) > 0:
            total_8 = work.narrow[0]
            any_hidden = block_sums(narrow[k], learned, left, right, i, total_8, work.hidden, work.shade)
            fold(total_8, work.light[i])
        else:
            total_16 = work.wide[0]
            any_hidden = block_sums(wide[k], learned, left, right, i, total_16, work.hidden, work.shade)
            fold(total_16, work.light[i])
        if any_hidden:
            fold(work.hidden, work.gone[i])
            fold(work.shade, work.dark[i])
        else:
            gone, dark = work.gone[i], work.dark[i]
            for j in range(gone.size):
                gone[j] = dark[j] = 0.0
    # Only now, when the frame lies at hand.
    gain = 1.0
    if facts.light.size > 0:
        gain = (
            overall_gain(narrow[k], facts, left, right)
            if len(narrow) > 0
            else overall_gain(wide[k], facts, left, right)
        )
    _means(facts, work, gain)
    if ground.even:
        # The arrays may have served another clip.
        for i in range(rows):
            calm = canvas.calm[i]
            for j in range(calm.size):
                calm[j] = 0.0
    else:
        slow_ground(work.means, canvas.calm)
    sign = np.int64(ground.sign)
    for i in range(rows):
        if len(narrow) > 0:
            limits_8, room_8, lowest = facts.sieve.narrow, work.narrow[1], LOWEST_NARROW
            highest_in_blocks(narrow[k], limits_8, left, right, sign, i, room_8, lowest, work.highest[i])
        else:
            limits_16, room_16, lowest = facts.sieve.wide, work.wide[1], LOWEST_WIDE
            highest_in_blocks(wide[k], limits_16, left, right, sign, i, room_16, lowest, work.highest[i])
    _mark(facts, work, gain)
    return gain


@njit(cache=True, nogil=True)
def _means(facts: SpatterFacts, work: Work, gain: float) -> None:
    """Mean residual of each block; NaN where too little is in sight."""
    ground, sums = facts.ground, facts.sieve.sums
    h, w = ground.background.shape
    rows, cols = work.means.shape
    rest = ground.offset - ground.black * (1.0 - gain)
    for i in range(rows):
        high = min(h - i * BLOCK, BLOCK)
        for j in range(cols):
            area = high * min(w - j * BLOCK, BLOCK)
            seen = area - work.gone[i, j]
            above = ground.sign * work.light[i, j] - gain * (sums[i, j] - work.dark[i, j])
            work.means[i, j] = above / seen + rest if 4 * seen >= area else np.nan


@njit(cache=True, nogil=True)
def _mark(facts: SpatterFacts, work: Work, gain: float) -> None:
    """Mark the blocks that may hold something: where the frame is above its limit by more than its ground is."""
    sieve, ground, canvas, calm = facts.sieve, facts.ground, work.canvas, work.canvas.calm
    rows, cols = calm.shape
    lowest = np.empty(cols, dtype=np.float32)
    for i in range(rows):
        above, here, below = calm[max(i - 1, 0)], calm[i], calm[min(i + 1, rows - 1)]
        for j in range(cols):
            lowest[j] = min(min(above[j], here[j]), below[j])
        for j in range(cols):
            # Between the middles of blocks the ground lies between their values.
            slow = min(min(lowest[max(j - 1, 0)], lowest[j]), lowest[min(j + 1, cols - 1)])
            extreme = sieve.least[i, j] if gain > 1.0 else sieve.most[i, j]
            over = work.highest[i, j] + sieve.slack - WEIGHTS * slow
            canvas.ready[i, j] = False
            work.flags[i, j] = over > WEIGHTS * (gain - 1.0) * extreme
            if work.flags[i, j] and gain < 1.0:
                # Beside the pool the brightest of the learned ground is hidden.
                most = most_in_sight(sieve.smoothed, canvas.left, canvas.right, i, j) - ground.black
                work.flags[i, j] = over > WEIGHTS * (gain - 1.0) * most


@njit(cache=True, nogil=True)
def clear(owner: NDArray, pixels: NDArray, used: int) -> None:  # type: ignore[type-arg]
    """Forget a frame's regions."""
    _h, w = owner.shape
    for i in range(used):
        owner[pixels[i] // w, pixels[i] % w] = 0


@njit(cache=True, nogil=True)
def find_regions(
    frames: Frames,
    first: int,
    outlines: NDArray,  # type: ignore[type-arg]
    starts: NDArray,  # type: ignore[type-arg]
    facts: SpatterFacts,
    work: Work,
) -> tuple[int, float, int, int]:
    """The next frame from `first` with regions above the threshold, which are numbered from 1 in `work.owner`.

    The outline of frame i is `outlines[starts[i]:starts[i + 1]]`. Returns the frame (their number where none has any),
    its overall gain (where none has any, that of the last one), how many regions there are, and how many pixels are
    used.
    """
    gain = 1.0
    for k in range(first, starts.size - 1):
        gain = prepare(frames, k, outlines[starts[k] : starts[k + 1]], facts, work)
        residual = Residual(frames, k, facts.ground, gain)
        count, used = _regions(residual, facts, work)
        if count > 0:
            if not facts.ground.even:
                _ground_again(residual, work, used)
            return k, gain, count, used
        clear(work.owner, work.pixels, used)
    return starts.size - 1, gain, 0, 0


@njit(cache=True, nogil=True)
def _regions(residual: Residual, facts: SpatterFacts, work: Work) -> tuple[int, int]:
    """Number the regions of a frame, from the top, in `work.owner`; their pixels go into `work.pixels`.

    Returns how many there are, and how many pixels they use.
    """
    h, w = facts.ground.background.shape
    rows, cols = work.flags.shape
    picture, threshold, owner = work.canvas.picture, facts.threshold, work.owner
    used = count = 0
    for i in range(rows):
        wanted = False
        for j in range(cols):
            if work.flags[i, j]:
                # Again if a region above has reached here; the same values.
                smooth_block(residual, work.canvas, i, j)
                wanted = True
        if not wanted:
            continue
        for y in range(i * BLOCK, min(h, (i + 1) * BLOCK)):
            for j in range(cols):
                if not work.flags[i, j]:
                    continue
                for x in range(j * BLOCK, min(w, (j + 1) * BLOCK)):
                    if picture[y, x] > threshold[y, x] and owner[y, x] == 0:
                        n = grow(residual, threshold, work.canvas, (y, x), owner, work.pixels[used:])
                        found = work.pixels[used : used + n]
                        count += part(picture, threshold, facts.level_sigmas, found, owner, count + 1)
                        used += n
    return count, used


@njit(cache=True, nogil=True)
def _ground_again(residual: Residual, work: Work, used: int) -> None:
    """The ground without the light of what was found: no pixel with an owner and none of the two on either side."""
    rows, cols = work.means.shape
    _h, w = residual.ground.background.shape
    touched = np.zeros((rows, cols), dtype=np.bool_)
    for i in range(used):
        y, x = work.pixels[i] // w, work.pixels[i] % w
        touched[y // BLOCK, max(x - 2, 0) // BLOCK] = True
        touched[y // BLOCK, min(x + 2, w - 1) // BLOCK] = True
    for i in range(rows):
        for j in range(cols):
            if touched[i, j]:
                work.means[i, j] = mean_without(residual, work, i, j)
    slow_ground(work.means, work.canvas.calm)


@njit(cache=True, nogil=True)
def mean_without(residual: Residual, work: Work, i: int, j: int) -> float:
    """Mean residual of a block without what is hidden or has an owner near; NaN where too little is left."""
    frames, k, ground, gain = residual
    left, right, owner = work.canvas.left, work.canvas.right, work.owner
    h, w = ground.background.shape
    high, wide = min(h - i * BLOCK, BLOCK), min(w - j * BLOCK, BLOCK)
    total, n = 0.0, 0
    for y in range(i * BLOCK, i * BLOCK + high):
        for x in range(j * BLOCK, j * BLOCK + wide):
            if left[y] <= x <= right[y]:
                continue
            near = False
            for at in range(max(x - 2, 0), min(x + 3, w)):
                near |= owner[y, at] != 0
            if not near:
                total += residual_at(frames, k, ground, gain, y, x)
                n += 1
    return total / n if 4 * n >= high * wide else np.nan
