"""Pictures laid on one another by the pool's place, which a riding camera keeps and a standing one does not."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .metal import Field, Grey

# Metal that moves less than this share of what it would in a riding camera's view stands still; within the other, it
# moves as fast as it would there.
STANDS, RIDES = 0.25, 0.1
# Metal at rest leaves so much more of the picture unexplained than its motion does where that is real, and so much less
# where it is not; marks along travel show neither.
_WORSE, _BETTER = 1.4, 0.55
# A pool's rim is now and then this share of its size (root of its area) from where it usually is, and the usual rim is
# known to so many px.
SWELLS, KNOWN_PX = 0.06, 3.0
# Frames of a run that are laid on others, about.
_FRAMES = 6


class Path(NamedTuple):
    """Where the pool is in the frames of some runs, against its place in the middle of all.

    Attributes
    ----------
    velocity
        Of the pool in the picture, px per frame.
    starts
        Numbers of the runs' first frames.
    middle
        The frame in which it is at the place that counts.
    """

    velocity: tuple[float, float]
    starts: tuple[int, ...]
    middle: float

    def shift(self, run: int, frame: int) -> tuple[int, int]:
        """How far it has moved in a frame of a run, px to the right and down."""
        if self.velocity == (0.0, 0.0):
            return 0, 0
        since = self.starts[run] + frame - self.middle
        return round(self.velocity[0] * since), round(self.velocity[1] * since)

    def contradicts(self, metal: tuple[float, float]) -> bool:
        """Whether metal cannot move so: where the pool crosses the view, metal stands."""
        return math.hypot(*metal) > STANDS * math.hypot(*self.velocity) > 0.0


class UsualPool(NamedTuple):
    """The pool in frames laid on one another by its place.

    Attributes
    ----------
    picture
        Usual grey value of each place, shape (h, w).
    contour
        Coarse contour of the pool in it, shape (k, 2), x, y px.
    step
        How clear its rim is: see `over_time.RimOverTime`.
    path
        Where it is in each frame.
    """

    picture: Field
    contour: NDArray[np.float64]
    step: float
    path: Path


def paths_of(
    metal: tuple[float, float],
    given: tuple[float, float] | None,
    starts: tuple[int, ...] | None,
    length: int,
    rest: Callable[[], float] = lambda: 1.0,
) -> list[Path]:
    """Paths that the pool may have: at rest in a riding camera's view, or across that of a standing one.

    Parameters
    ----------
    metal
        Motion of the metal as seen, px per frame. Where its marks run along travel it follows the motion given.
    given
        Motion that metal would have in a camera that rides along, px per frame, if it is known.
    starts
        Numbers of the first frames of the runs, if they are known.
    length
        Frames of a run.
    rest
        Gives what metal at rest leaves unexplained over what its motion leaves.
    """
    rides = Path((0.0, 0.0), starts or (), 0.0)
    if given is None or starts is None:
        return [rides]
    stands = Path((-given[0], -given[1]), starts, 0.5 * (starts[0] + starts[-1] + length))
    speed = math.hypot(*given)
    if math.hypot(*metal) < STANDS * speed:
        return [stands]
    left = rest()
    # As fast as that, whatever direction was taken for travel.
    if left > _WORSE and abs(math.hypot(*metal) - speed) < RIDES * speed:
        return [rides]
    return [stands] if left < _BETTER else [rides, stands]


def moved(field: NDArray[Any], dx: int, dy: int) -> NDArray[Any]:
    """A picture moved by whole px to the right and down, its border repeated."""
    if dx == 0 and dy == 0:
        return field
    h, w = field.shape
    rows, columns = np.clip(np.arange(h) - dy, 0, h - 1), np.clip(np.arange(w) - dx, 0, w - 1)
    return np.ascontiguousarray(field[rows][:, columns])


def laid_out_frames(windows: Grey, path: Path) -> Grey:
    """Some frames of each run, laid on one another by the pool's place, shape (n, h, w); their borders repeated."""
    taken = range(0, windows.shape[1], max(windows.shape[1] // _FRAMES, 1))
    laid = []
    for i, run in enumerate(windows):
        for k in taken:
            dx, dy = path.shift(i, k)
            laid.append(moved(run[k], -dx, -dy))
    return np.asarray(laid)
