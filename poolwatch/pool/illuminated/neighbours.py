"""Neighbour frames read where the metal of a frame lies in them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .comparing import Pairs, Rigid, motion_between, no_pairs
from .facts import IlluminatedLook
from .metal import Box, Grey, read_at

# Frames before and behind, near and far; each that is missing is read as far below or far above all grey values, by
# turns, so that two that are missing on one side leave the middle to the other.
SLOTS = 4
# At a clip's end one of those missing is replaced by a third on the other side, so many near distances away: where only
# two are left, a slow particle that is in both looks like the ground.
FARTHEST = 3
MISSING = np.array([-1e6, 1e6, 1e6, -1e6], dtype=np.float32)
# Pixels, about, that take part in registering two frames.
_REGISTERED = 600


class Registering(NamedTuple):
    """What registering frames of a window takes.

    Attributes
    ----------
    lag
        Distance of the near neighbours, frames; the far ones are twice as far.
    metal_px
        Motion of the metal, px a frame.
    noise
        Variance of the difference of two frames at brightness 0, and its increase per grey value.
    step
        Every so many rows and columns take part.
    """

    lag: int
    metal_px: tuple[float, float]
    noise: tuple[float, float]
    step: int


def registering(look: IlluminatedLook, lag: int, shape: tuple[int, int]) -> Registering:
    """What registering whole frames of this shape takes."""
    h, w = shape
    step = max(2, round((h * w / _REGISTERED) ** 0.5))
    return Registering(lag, look.metal_px, look.noise, step)


class Window(NamedTuple):
    """Frames of a window, and what is known of pairs of them.

    Attributes
    ----------
    frames
        Grey values, shape (n, h, w), contiguous.
    prints
        A number for each that tells it from others, shape (n,): the same picture again has the same.
    solid
        1 where metal may be solid, shape (h, w).
    pairs
        See `comparing.Pairs`.
    """

    frames: Grey
    prints: NDArray[np.int64]
    solid: NDArray[np.uint8]
    pairs: Pairs


def window_of(frames: Grey, lag: int) -> Window:
    """A window, nothing known of its pairs yet."""
    return Window(
        np.ascontiguousarray(frames),  # type: ignore[arg-type]
        np.array([hash(f[::8, ::8].tobytes()) for f in frames], dtype=np.int64),
        np.ones(frames.shape[1:], dtype=np.uint8),
        no_pairs(len(frames), lag),
    )


@njit(cache=True, nogil=True)
def read_neighbours(window: Window, index: int, how: Registering, values: NDArray[np.float32]) -> int:
    """Read the neighbours of frame `index` where its metal lies in them, as bright as the frame.

    Parameters
    ----------
    values
        Grey values, shape (`SLOTS`, h, w), overwritten; `MISSING` where a neighbour is or shows nothing.

    Returns
    -------
    int
        How many neighbours could be read.
    """
    h, w = values.shape[1:]
    box = (0, h, 0, w)
    rigid = Rigid(window.frames, box, window.solid, how.metal_px, how.noise, how.step, window.pairs)
    used = 0
    replaced = False
    for slot in range(SLOTS):
        side, steps = -1 if slot < 2 else 1, 1 + slot % 2
        if not replaced and not 0 <= index + side * steps * how.lag < window.prints.size:
            side, steps, replaced = -side, FARTHEST, True
        other = index
        dx, dy, gain, alike = 0.0, 0.0, 1.0, True
        # A far neighbour is registered by way of the nearer ones: each pair of frames once.
        for _ in range(steps):
            before, other = other, other + side * how.lag
            alike = alike and 0 <= other < window.prints.size
            if alike:
                x, y, g, alike = motion_between(rigid, before, other)
                dx, dy, gain = dx + x, dy + y, gain * g
        there = values[slot]
        if not alike or window.prints[other] == window.prints[index]:
            _missing(there, (0, 0, 0, 0), MISSING[slot])
            continue
        read, valid = read_at(window.frames[other], box, dx, dy)
        _put(read, valid, np.float32(gain), there)
        if valid != box:
            _missing(there, valid, MISSING[slot])
        used += 1
    return used


@njit(cache=True, nogil=True)
def _put(read: NDArray[np.float32], valid: Box, gain: float, there: NDArray[np.float32]) -> None:
    """Copy what was read, as bright as the frame."""
    g = np.float32(gain)
    top, bottom, left, right = valid
    for i in range(bottom - top):
        row, out = read[i], there[top + i, left:right]
        for j in range(out.size):
            out[j] = g * row[j]


@njit(cache=True, nogil=True)
def _missing(there: NDArray[np.float32], valid: Box, value: float) -> None:
    """Set what is outside the valid rows and columns."""
    h, w = there.shape
    for i in range(h):
        inside = valid[0] <= i < valid[1]
        row = there[i]
        for j in range(valid[2] if inside else w):
            row[j] = value
        for j in range(valid[3] if inside else w, w):
            row[j] = value
