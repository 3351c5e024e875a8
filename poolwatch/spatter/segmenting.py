"""From a frame to the numbered regions that stand out of it."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .filtering import BLOCK, block_means, ground, overall_gain, pool_spans, residual, smooth
from .regions import grow, part


@njit(cache=True, nogil=True)
def prepare(
    frame: NDArray,  # type: ignore[type-arg]
    outline: NDArray,  # type: ignore[type-arg]
    background: NDArray,  # type: ignore[type-arg]
    threshold: NDArray,  # type: ignore[type-arg]
    places: NDArray,  # type: ignore[type-arg]
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
    owner: NDArray,  # type: ignore[type-arg]
) -> float:
    """Residual, its slow part and the smoothed picture of one frame; returns the frame's overall gain."""
    pool_spans(outline, margin, left, right)
    gain = 1.0
    if places.size > 0:
        gain = overall_gain(frame, background, places, black, sign, offset, left, right)
    h = frame.shape[0]
    hits[:] = 0
    for i in range(means.shape[0]):
        residual(frame, background, black, gain, sign, offset, i * BLOCK, min(h, (i + 1) * BLOCK), res)
        if not even:
            # While these rows are at hand.
            block_means(res, left, right, owner, hits, i, means)
    if even:
        level[:] = np.float32(0.0)
    else:
        ground(means, level)
    smooth(res, level, threshold, left, right, picture, hits)
    return gain


@njit(cache=True, nogil=True)
def find_regions(
    frame: NDArray,  # type: ignore[type-arg]
    outline: NDArray,  # type: ignore[type-arg]
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
) -> tuple[float, int, int]:
    """Regions above the threshold, numbered from 1 in `owner`; the overall gain, their count, and pixels used."""
    h, w = frame.shape
    gain = prepare(
        frame, outline, background, threshold, places, black, sign, offset, even, margin,
        left, right, res, means, level, picture, hits, owner,
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
    if count > 0 and not even:
        # The ground again, without the light of what was found.
        hits[:] = 0
        for i in range(used):
            y = pixels[i] // w
            hits[max(y - 1, 0)], hits[y], hits[min(y + 1, h - 1)] = 1, 1, 1
        for i in range(means.shape[0]):
            if hits[i * BLOCK : (i + 1) * BLOCK].any():
                block_means(res, left, right, owner, hits, i, means)
        ground(means, level)
    return gain, count, used


@njit(cache=True, nogil=True)
def clear(owner: NDArray, pixels: NDArray, used: int) -> None:  # type: ignore[type-arg]
    """Forget a frame's regions."""
    w = owner.shape[1]
    for i in range(used):
        owner[pixels[i] // w, pixels[i] % w] = 0
