"""What two pieces that follow one another owe to each other, settled from what their ends left."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..spatter import LateFits
from ..spatter.records import no_sightings
from .frames import Window
from .look import ClipLook
from .piece import End, Ends, Part, PieceWork, agitation


class Seam(NamedTuple):
    """What was settled between a piece and the one before it.

    Attributes
    ----------
    repeats
        Whether its first frame, already measured, repeats the last one before.
    first, agitation
        Number of its first frames measured, and their agitation.
    sightings
        Those between the middles of the two.
    """

    repeats: bool
    first: int
    agitation: NDArray[np.float64]
    sightings: NDArray[np.void]


class Seams:
    """Takes the ends of the pieces in order.

    Parameters
    ----------
    look
        The first look.
    work
        What the pieces were measured with.
    place
        Takes the part that is measured at a seam.
    """

    def __init__(self, look: ClipLook, work: PieceWork, place: Callable[[Part], None]) -> None:
        self._look, self._work, self._place = look, work, place
        self.lag = look.lag
        self.late = None if look.spatter is None else LateFits(look.spatter, work.settings.spatter)
        self._sums = np.zeros((0, 2, len(look.places)), dtype=np.float32)
        self._last: End | None = None

    def join(self, ends: Ends) -> Seam:
        """Settle what lies between the piece before and this one."""
        head, tail, context = ends.head, ends.tail, self._look.context
        before, self._last = self._last, tail
        repeats = before is not None and bool(head.digest) and head.digest == before.digest
        first = ends.start
        if context and before is not None:
            self._measure(before, head, ends.start, repeats)
            repeats, first = False, ends.start + context
        elif repeats:
            head = _without_first(head, ends.start)
        power, self._sums = agitation(self._sums, head.sums, self.lag)
        if len(head.sums) == self.lag:
            self._sums = tail.sums
        sightings = no_sightings()
        if self.late is not None and tail.late is not None:
            late = tail.late
            if repeats and head.late is None:
                late = late.without(ends.start)
            sightings = self.late.follow(head.late, late, ends.stop)
        return Seam(repeats, first, power, sightings)

    def _measure(self, before: End, head: End, start: int, repeats: bool) -> None:
        """The frames of illuminated footage that take some from both sides."""
        context = self._look.context
        inner = slice(context, 3 * context)
        doubled = np.concatenate([before.doubled, head.doubled])
        doubled[2 * context] = repeats
        window = Window(
            np.concatenate([before.frames, head.frames]),
            context,
            np.concatenate([before.decoded, head.decoded])[inner],
            doubled[inner],
        )
        part, measured = self._work.part(window, start - context)
        power, self._sums = agitation(self._sums, measured.sums, self.lag)
        self._place(part._replace(agitation=power))


def _without_first(head: End, frame: int) -> End:
    """The beginning of a piece whose first frame shows nothing new."""
    sums = head.sums.copy()
    sums[:1] = np.nan
    late = None if head.late is None else head.late.without(frame)
    return head._replace(sums=sums, late=late)
