"""What is known of a clip before particles are looked for, the same for kernels, and the arrays that they work in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..model.pixels import Frames
from .parameters import Pixels, pixels_for
from .sieve import BLOCK, Sieve, sieve_of

# A fit sees at most about this many pixels; a larger picture is thinned out evenly.
FIT_PIXELS = 600


@dataclass(frozen=True)
class SpatterLook:
    """What `learn` learned of a clip. Grey values are native, turned over where particles are dark.

    Attributes
    ----------
    background
        Learned ground, shape (h, w), float32, grey values.
    threshold
        Level that the smoothed picture must pass, above the ground, shape (h, w), float32.
    read, shot
        Noise variance of a pixel = read + shot · native grey value, squared grey values.
    psf_sigma_px, psf_u_px
        Standard deviation of the point spread without the pixel, and its standard uncertainty, px.
    psf_source
        ``given``, ``found`` (from particles of the sample) or, with too few of them, ``pool_edge`` or ``assumed``.
    full_scale
        Grey value that is brightness 1.
    full_level
        Working grey value from which a pixel counts as full.
    detection_level
        Standard deviations in `threshold`.
    places
        Rows and columns, shape (2, k), of pixels whose brightness tells a frame's overall gain; none where the clip
        does not flicker.
    black
        Grey value without light.
    sign, offset
        Working grey = sign · native + offset.
    even
        One level of ground for the whole picture; what is deeper than `full_level` is flat.
    flicker
        Relative scatter of the overall gain over the sample.
    below
        Grey values: what is this far below the ground, and its neighbours, are none of it and stay out of fits. Finite
        where particles may be brighter and darker than the ground, beside each other or with a shadow.
    """

    background: NDArray[np.float32]
    threshold: NDArray[np.float32]
    read: float
    shot: float
    psf_sigma_px: float
    psf_u_px: float
    psf_source: str
    full_scale: float
    full_level: float
    detection_level: float
    places: NDArray[np.int64]
    black: float
    sign: float
    offset: float
    even: bool
    flicker: float
    below: float = math.inf

    @cached_property
    def sieve(self) -> Sieve:
        """Limits that tell quickly where nothing stands out."""
        return sieve_of(self.background, self.threshold, self.black, self.offset, self.full_scale)

    @property
    def working_noise(self) -> tuple[float, float]:
        """`read` and `shot` for working grey values: noise goes by the native one, turned over for dark particles."""
        if self.sign < 0:
            return self.read + self.shot * self.full_scale, -self.shot
        return self.read, self.shot

    def noise(self, grey: NDArray[np.floating] | float) -> NDArray[np.float64]:
        """Standard deviation of a pixel at a native grey value."""
        return np.asarray(np.sqrt(self.read + self.shot * np.maximum(grey, 0.0)))


class Ground(NamedTuple):
    """The learned ground and how grey values are worked with; parts of `SpatterLook`.

    Where frames are residuals, `behind` is what they were held against, shape (n, h, w), grey values about
    the usual one of the ground; otherwise it has no frames.
    """

    background: NDArray[np.float32]
    black: float
    sign: float
    offset: float
    even: bool
    full: float
    below: float
    behind: NDArray[np.uint16]


class Residual(NamedTuple):
    """One frame of a block less its ground: what `filtering.residual_at` gives, pixel by pixel.

    Attributes
    ----------
    frames, k
        The block, and which frame of it.
    ground
        The learned ground of the clip.
    gain
        How many times as bright the frame's ground is.
    """

    frames: Frames
    k: int
    ground: Ground
    gain: float


class SpatterFacts(NamedTuple):
    """Parts of `SpatterLook` in types that Numba takes; see there.

    `rows`, `cols` and `light` are its `places` and the learned light there; `margin` is how far around the pool's
    outline nothing is looked at, px.
    """

    ground: Ground
    threshold: NDArray[np.float32]
    sieve: Sieve
    rows: NDArray[np.int64]
    cols: NDArray[np.int64]
    light: NDArray[np.float64]
    level_sigmas: float
    margin: float


class Canvas(NamedTuple):
    """The smoothed picture of a frame and what it is made with.

    Attributes
    ----------
    left, right
        First and last column hidden in each row.
    calm
        Slow part of the residual in each block, shape (rows, cols).
    picture
        Smoothed residual less its slow part, shape (h, w), where it was asked for.
    ready
        Blocks for which it was.
    lines
        Room for three rows of the residual, their sum, and two rows of the slow part.
    """

    left: NDArray[np.int64]
    right: NDArray[np.int64]
    calm: NDArray[np.float32]
    picture: NDArray[np.float32]
    ready: NDArray[np.bool_]
    lines: NDArray[np.float32]


class Work(NamedTuple):
    """Arrays that are overwritten with each frame (h, w) of (rows, cols) blocks.

    Attributes
    ----------
    canvas
        See there.
    light
        Sums of a frame's grey values over what is in sight of each block.
    gone, dark
        How many pixels of each block are hidden, and sums of the learned grey values there.
    means
        Mean residual of each block.
    highest
        See `sieve.highest_in_blocks`.
    flags
        Blocks that may hold something.
    narrow, wide
        Room for rows of whole numbers of 16 and of 32 bits.
    hidden, shade
        See `sieve.block_sums`.
    owner
        Number of the region that each pixel belongs to.
    pixels
        Places of the pixels in regions.
    values
        Room for the pixels of one fit.
    """

    canvas: Canvas
    light: NDArray[np.float64]
    gone: NDArray[np.float64]
    dark: NDArray[np.float64]
    means: NDArray[np.float32]
    highest: NDArray[np.float64]
    flags: NDArray[np.bool_]
    narrow: tuple[NDArray[np.uint16], NDArray[np.int16]]
    wide: tuple[NDArray[np.uint32], NDArray[np.int32]]
    hidden: NDArray[np.uint16]
    shade: NDArray[np.float32]
    owner: NDArray[np.int32]
    pixels: NDArray[np.int32]
    values: Pixels


NOTHING_BEHIND = np.zeros((0, 0, 0), dtype=np.uint16)


def ground_of(look: SpatterLook, behind: NDArray[np.uint16] = NOTHING_BEHIND) -> Ground:
    """The learned ground of a clip; `behind` see `Ground`."""
    return Ground(
        background=look.background,
        black=float(look.black),
        sign=float(look.sign),
        offset=float(look.offset),
        even=bool(look.even),
        full=float(look.full_level),
        below=float(look.below),
        behind=behind,
    )


def facts_of(look: SpatterLook, margin: float, behind: NDArray[np.uint16] = NOTHING_BEHIND) -> SpatterFacts:
    """The facts of a clip; `behind` see `Ground`."""
    rows, cols = look.places
    return SpatterFacts(
        ground=ground_of(look, behind),
        threshold=look.threshold,
        sieve=look.sieve,
        rows=rows,
        cols=cols,
        light=look.background[rows, cols].astype(np.float64) - look.black,
        level_sigmas=float(look.detection_level),
        margin=float(margin),
    )


def work_arrays(h: int, w: int) -> Work:
    """Arrays for frames of this size."""
    rows, cols = -(-h // BLOCK), -(-w // BLOCK)
    wide = cols * BLOCK
    return Work(
        canvas=Canvas(
            left=np.zeros(h, dtype=np.int64),
            right=np.zeros(h, dtype=np.int64),
            calm=np.zeros((rows, cols), dtype=np.float32),
            picture=np.zeros((h, w), dtype=np.float32),
            ready=np.zeros((rows, cols), dtype=np.bool_),
            lines=np.zeros((6, w + 2), dtype=np.float32),
        ),
        light=np.zeros((rows, cols)),
        gone=np.zeros((rows, cols)),
        dark=np.zeros((rows, cols)),
        means=np.zeros((rows, cols), dtype=np.float32),
        highest=np.zeros((rows, cols)),
        flags=np.zeros((rows, cols), dtype=np.bool_),
        narrow=(np.zeros(wide, dtype=np.uint16), np.zeros((3, wide + 2), dtype=np.int16)),
        wide=(np.zeros(wide, dtype=np.uint32), np.zeros((3, wide + 2), dtype=np.int32)),
        hidden=np.zeros(wide, dtype=np.uint16),
        shade=np.zeros(wide, dtype=np.float32),
        owner=np.zeros((h, w), dtype=np.int32),
        pixels=np.zeros(h * w, dtype=np.int32),
        values=pixels_for(8 * FIT_PIXELS),
    )
