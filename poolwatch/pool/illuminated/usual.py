"""Where the pool usually is: how likely a place is liquid before a frame is looked at, and the pool found again."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from .alignment import KNOWN_PX, SWELLS, UsualPool, moved
from .metal import Box, Field, Grey
from .region import box_around, distances, filled, middle_of

# No place is liquid, or solid, with more certainty before a frame is seen: log of the odds. Evidence counts up to 4.
_MOST = 3.0
# Pictures are shrunk by this to look for a pool that wanders.
SHRINK = 4
# Metal around the pool that is looked for with it, px.
_AROUND = 12.0
# Correlation above which it is found.
_ALIKE = 0.5


class Usual(NamedTuple):
    """The pool's usual place and look.

    Attributes
    ----------
    prior
        Logarithm of the odds that a place is liquid, shape of the view; the pool in its usual place.
    look
        Usual grey values of the pool and of metal around it, shrunk; None where it keeps its place.
    wet
        Share of each of those places that is liquid, shape of `look`.
    offset
        From the first pixel of `look` to the pool's middle, px of the view.
    """

    prior: Field
    look: Field | None
    wet: Field | None
    offset: tuple[float, float]

    def odds(self, dx: float, dy: float, box: Box) -> Field:
        """Prior in a box where the pool is (dx, dy) from its usual place."""
        r0, r1, c0, c1 = box
        return np.asarray(moved(self.prior, round(dx), round(dy))[r0:r1, c0:c1])

    def find(self, small: Grey, changed: Field | None) -> tuple[float, float] | None:
        """Middle of the pool in a shrunk frame, px of the view; None where nothing looks like it.

        `changed` is what rigid motion leaves unexplained in the frame, 0 … 1, if it is known. A bead as dark as liquid
        looks much like the pool; but it does not change.
        """
        if self.look is None or self.look.shape[0] > small.shape[0] or self.look.shape[1] > small.shape[1]:
            return None
        alike = cv2.matchTemplate(small.astype(np.float32), self.look, cv2.TM_CCOEFF_NORMED)
        both = alike
        if changed is not None and self.wet is not None:
            both = alike + cv2.matchTemplate(changed, self.wet, cv2.TM_CCOEFF_NORMED)
        x, y = cv2.minMaxLoc(both)[3]
        if alike[y, x] < _ALIKE:
            return None
        return (
            (x + top_between(both[y], x)) * SHRINK + self.offset[0],
            (y + top_between(both[:, x], y)) * SHRINK + self.offset[1],
        )


def top_between(row: NDArray[np.floating], k: int) -> float:
    """Where the top of a parabola over the best of a row and its neighbours is, from the best."""
    if not 0 < k < len(row) - 1:
        return 0.0
    bend = float(row[k - 1] - 2 * row[k] + row[k + 1])
    return 0.5 * float(row[k - 1] - row[k + 1]) / bend if bend < 0 else 0.0


def shrunk(picture: Grey | Field) -> NDArray[Any]:
    """Means of squares of a picture."""
    h, w = picture.shape
    return np.asarray(
        cv2.resize(picture, (max(w // SHRINK, 1), max(h // SHRINK, 1)), interpolation=cv2.INTER_AREA)
    )


def odds_of(contour: NDArray[np.float64], shape: tuple[int, int]) -> Field:
    """Logarithm of the odds that a place is liquid, from the pool's usual contour."""
    depth = distances(contour, shape)
    scale = SWELLS * math.sqrt(float((depth > 0).sum())) + KNOWN_PX
    return np.asarray(np.clip(depth / scale, -_MOST, _MOST), dtype=np.float32)


def usual_of(
    shown: UsualPool | None, place: tuple[float, float], shape: tuple[int, int], moves: bool
) -> Usual:
    """What is known of a pool whose usual place is `place`; nothing where it has not been seen over time."""
    if shown is None:
        return Usual(np.zeros(shape, dtype=np.float32), None, None, (0.0, 0.0))
    middle = middle_of(shown.contour)
    dx, dy = place[0] - middle[0], place[1] - middle[1]
    prior = odds_of(shown.contour + (dx, dy), shape)
    if not moves:
        return Usual(prior, None, None, (0.0, 0.0))
    r0, r1, c0, c1 = box_around(shown.contour, _AROUND, shape)
    wet = filled(shown.contour - (c0, r0), (r1 - r0, c1 - c0)).astype(np.float32)
    offset = float(middle[0]) - c0, float(middle[1]) - r0
    return Usual(prior, shrunk(shown.picture[r0:r1, c0:c1]), shrunk(wet), offset)
