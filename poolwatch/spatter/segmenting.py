"""From a frame to the numbered regions that stand out of it."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ..model.pixels import Frames, whole
from .filtering import (
    BLOCK,
    block_means,
    ground,
    light_at,
    overall_gain,
    pool_spans,
    residual,
    smooth,
    sums_again,
)
from .regions import grow, part


@njit(cache=True, nogil=True)
def prepare(
    frame: NDArray,  # type: ignore[type-arg]
    outline: NDArray,  # type: ignore[type-arg]
    background: NDArray,  # type: ignore[type-arg]
    threshold: NDArray,  # type: ignore[type-arg]
    places: NDArray,  # type: ignore[type-arg]
    light: NDArray,  # type: ignore[type-arg]
    black: float,
    sign: float,
    offset: float,
    even: bool,
    margin: float,
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
    res: NDArray,  # type: ignore[type-arg]
    means: NDArray,  # type: ignore[type-arg]
    level: NDArray,  # type: ignore[type-arg]
    picture: NDArray,  # type: ignore[type-arg]
    hits: NDArray,  # type: ignore[type-arg]
) -> float:
    """Residual, its slow part and the smoothed picture of one frame; returns the frame's overall gain."""
    pool_spans(outline, margin, left, right)
    gain = 1.0
    if light.size > 0:
        gain = overall_gain(frame, places, light, black, sign, offset, left, right)
    h, w = frame.shape
    scale = np.array((sign, offset, gain, black * (1.0 - gain)), dtype=np.float32)
    total, hidden = np.empty(w, dtype=np.float32), np.empty(w, dtype=np.int32)
    for i in range(means.shape[0]):
        residual(frame, background, scale, left, right, i, res, total, hidden)
        block_means(total, hidden, min(h - i * BLOCK, BLOCK), means[i])
    if even:
        level[:] = np.float32(0.0)
    else:
        ground(means, level)
    smooth(res, level, threshold, left, right, picture, hits)
    return gain


@njit(cache=True, nogil=True)
def clear(owner: NDArray, pixels: NDArray, used: int) -> None:  # type: ignore[type-arg]
    """Forget a frame's regions."""
    w = owner.shape[1]
    for i in range(used):
        owner[pixels[i] // w, pixels[i] % w] = 0


@njit(cache=True, nogil=True)
def find_regions(
    frames: Frames,
    first: int,
    outlines: NDArray,  # type: ignore[type-arg]
    starts: NDArray,  # type: ignore[type-arg]
    background: NDArray,  # type: ignore[type-arg]
    threshold: NDArray,  # type: ignore[type-arg]
    places: NDArray,  # type: ignore[type-arg]
    black: float,
    sign: float,
    offset: float,
    even: bool,
    full: float,
    level_sigmas: float,
    margin: float,
    left: NDArray,  # type: ignore[type-arg]
    right: NDArray,  # type: ignore[type-arg]
    res: NDArray,  # type: ignore[type-arg]
    means: NDArray,  # type: ignore[type-arg]
    level: NDArray,  # type: ignore[type-arg]
    picture: NDArray,  # type: ignore[type-arg]
    hits: NDArray,  # type: ignore[type-arg]
    owner: NDArray,  # type: ignore[type-arg]
    pixels: NDArray,  # type: ignore[type-arg]
) -> tuple[int, float, int, int]:
    """The next frame from `first` with regions above the threshold, which are numbered from 1 in `owner`.

    The outline of frame i is `outlines[starts[i]:starts[i + 1]]`. Returns the frame (their number where none has any),
    its overall gain, how many regions there are, and how many pixels are used.
    """
    h, w = frames[0].shape[1:]
    number = starts.size - 1
    room = np.empty((h, w), dtype=np.uint16)
    light = light_at(background, places, black)
    for k in range(first, number):
        gain = prepare(
            whole(frames, k, room), outlines[starts[k] : starts[k + 1]], background, threshold, places, light, black, sign, offset,
            even, margin, left, right, res, means, level, picture, hits,
        )  # fmt: skip
        if even:
            # What is deeper than `full` is one flat top: the inside of a shadow does not matter.
            for y in range(h):
                for x in range(w):
                    picture[y, x] = min(picture[y, x], np.float32(full))
        used = 0
        count = 0
        for y in range(h):
            if hits[y] == 0:
                continue
            for x in range(w):
                if owner[y, x] == 0 and picture[y, x] > threshold[y, x]:
                    n = grow(picture, threshold, y, x, owner, pixels[used:])
                    count += part(picture, threshold, level_sigmas, pixels[used : used + n], owner, count + 1)
                    used += n
        if count == 0:
            clear(owner, pixels, used)
            continue
        if not even:
            # The ground again, without the light of what was found.
            hits[:] = 0
            for i in range(used):
                y = pixels[i] // w
                hits[max(y - 1, 0)], hits[y], hits[min(y + 1, h - 1)] = 1, 1, 1
            total, hidden = np.empty(w, dtype=np.float32), np.empty(w, dtype=np.int32)
            for i in range(means.shape[0]):
                if hits[i * BLOCK : (i + 1) * BLOCK].any():
                    sums_again(res, left, right, owner, hits, i, total, hidden)
                    block_means(total, hidden, min(h - i * BLOCK, BLOCK), means[i])
            ground(means, level)
        return k, gain, count, used
    return number, 1.0, 0, 0
