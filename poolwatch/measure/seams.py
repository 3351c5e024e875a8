"""What two pieces that follow one another owe to each other, settled from what their ends left."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..spatter import LateFits
from ..spatter.records import no_sightings
from .frames import FrameWindow
from .look import ClipLook
from .piece import End, Ends, agitation
from .settings import MeasureSettings


class Seam(NamedTuple):
    """What lies between a piece and the one before it.

    Attributes
    ----------
    repeats
        Whether its first frame, already measured, repeats the last one before.
    sightings
        Those between the middles of the two.
    window
        The frames of illuminated footage that take some from both sides, still to be measured; None: there are none.
    """

    repeats: bool
    sightings: NDArray[np.void]
    window: FrameWindow | None


class Seams:
    """Takes the ends of the pieces in order.

    Parameters
    ----------
    look
        The first look.
    settings
        The settings that `look` was made with.
    """

    def __init__(self, look: ClipLook, settings: MeasureSettings) -> None:
        self._look = look
        # In illuminated footage no fit waits.
        waits = look.spatter is not None and look.residual is None
        self.late = LateFits(look.spatter, settings.spatter) if waits and look.spatter else None
        self._last: End | None = None
        # Sums of the first and last frames of what was measured from a frame on, as many as the lag.
        self._sums: dict[int, tuple[NDArray[np.float32], NDArray[np.float32]]] = {}

    def join(self, ends: Ends) -> Seam:
        """Settle what lies between the piece before and this one."""
        head, tail, context = ends.head, ends.tail, self._look.context
        before, self._last = self._last, tail
        repeats = before is not None and bool(head.digest) and head.digest == before.digest
        window = None if before is None or not context else self._window(before, head, repeats)
        repeats = repeats and window is None
        if repeats:
            head = _without_first(head, ends.start)
        self.summed(ends.start + (context if ends.start else 0), head.sums, tail.sums)
        sightings = no_sightings()
        if self.late is not None and tail.late is not None:
            late = tail.late.without(ends.start) if repeats and head.late is None else tail.late
            sightings = self.late.follow(head.late, late, ends.stop)
        return Seam(repeats, sightings, window)

    def _window(self, before: End, head: End, repeats: bool) -> FrameWindow:
        context = self._look.context
        inner = slice(context, 3 * context)
        doubled = np.concatenate([before.doubled, head.doubled])
        doubled[2 * context] = repeats
        return FrameWindow(
            np.concatenate([before.frames, head.frames]),
            context,
            np.concatenate([before.decoded, head.decoded])[inner],
            doubled[inner],
        )

    def summed(self, first: int, head: NDArray[np.float32], tail: NDArray[np.float32]) -> None:
        """Take the sums of the first and the last of frames measured from `first` on."""
        self._sums[first] = head, tail

    def agitation(self) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """Agitation over the seams: number of the first frame, and its and the following frames'."""
        before = np.zeros((0, 2, len(self._look.places)), dtype=np.float32)
        for first, (head, tail) in sorted(self._sums.items(), key=lambda item: item[0]):
            power, before = agitation(before, head, self._look.lag)
            yield first, power
            if len(head) >= self._look.lag:
                before = tail[-self._look.lag :]


def _without_first(head: End, frame: int) -> End:
    """The beginning of a piece whose first frame shows nothing new."""
    sums = head.sums.copy()
    sums[:1] = np.nan
    late = None if head.late is None else head.late.without(frame)
    return head._replace(sums=sums, late=late)
