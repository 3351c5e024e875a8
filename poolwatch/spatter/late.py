"""Fits of faint sightings, put off until it is known whether a track could use them.

Strong compression leaves blocks that stand out as faint particles do, and to fit one costs more than all else in a
frame. Most of them stand alone: nothing lies in line with them in the frames around, so they stay without a track
whatever a fit would say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .beginnings import BEGINNING
from .detecting import Waiting, records_of
from .estimates import Regions, conclude
from .facts import SpatterLook
from .links import links_of
from .partners import DIAMETER, FRAME, POINT, SLACK, TOUCHING, VARIANCE, X, Y, have_partners
from .records import BORDER, RIM, no_sightings
from .settings import SpatterSettings

# A fit may move the centre by half the extent of what stands out and this much, px, may find a diameter this many times
# as large and so many px more, and knows the place of what is whole to a pixel. No strict bounds: of 2,366 sightings in
# the tracks of 36 clips compressed with loss 59 moved further and 830 were larger, but the gates are so wide that all
# had partners. With half the way, 5 had none, and 4 of 100 fits were saved.
_MOVED, _LARGER, _WIDER = 1.0, 1.5, 2.0


@dataclass(frozen=True)
class Unsettled:
    """Sightings of some frames, of which some wait for their fit, and the points around that tell of partners.

    Attributes
    ----------
    sightings
        Not handed on yet, in order of frames.
    waiting
        Which of them wait.
    points
        What `have_partners` needs of all sightings around, shape (n, `POINT`).
    frames
        Numbers of the frames around that could show any.
    behind
        How many of the points are of frames behind those of `sightings`.
    """

    sightings: NDArray[np.void]
    waiting: Waiting
    points: NDArray[np.float64]
    frames: NDArray[np.int64]
    behind: int = 0

    @classmethod
    def none(cls) -> Unsettled:
        """Nothing."""
        return cls(no_sightings(), Waiting.none(), np.zeros((0, POINT)), np.zeros(0, dtype=np.int64))

    def then(self, other: Unsettled) -> Unsettled:
        """This, and what follows."""
        return Unsettled(
            np.concatenate([self.sightings, other.sightings]),
            Waiting(
                np.concatenate([self.waiting.rows, other.waiting.rows + len(self.sightings)]),
                Regions.joined([self.waiting.regions, other.waiting.regions]),
            ),
            np.concatenate([self.points, other.points]),
            np.concatenate([self.frames, other.frames]),
            other.behind,
        )

    def before(self, frame: int) -> Unsettled:
        """What is of frames before `frame`, and all the points around."""
        ready = int(np.searchsorted(self.sightings["frame"], frame))
        late = np.arange(len(self.waiting)) < np.searchsorted(self.waiting.rows, ready)
        return Unsettled(
            self.sightings[:ready].copy(),
            Waiting(self.waiting.rows[late], self.waiting.regions.chosen(late)),
            self.points,
            self.frames,
            self.behind + len(self.sightings) - ready,
        )

    def since(self, frame: int, back: int) -> Unsettled:
        """What is of frames from `frame` on, and the points from so many frames before it on."""
        ready = int(np.searchsorted(self.sightings["frame"], frame))
        late = int(np.searchsorted(self.waiting.rows, ready))
        first = max(int(np.searchsorted(self.frames, frame)) - back, 0)
        begin = np.searchsorted(self.points[:, FRAME], self.frames[first]) if first else 0
        return Unsettled(
            self.sightings[ready:].copy(),
            Waiting(self.waiting.rows[late:] - ready, self.waiting.regions.since(late)),
            self.points[begin:],
            self.frames[first:],
            self.behind,
        )

    def without(self, frame: int) -> Unsettled:
        """What is left when a frame turns out to show nothing new."""
        kept = self.sightings["frame"] != frame
        late = kept[self.waiting.rows]
        return Unsettled(
            self.sightings[kept],
            Waiting((np.cumsum(kept) - 1)[self.waiting.rows[late]], self.waiting.regions.chosen(late)),
            self.points[self.points[:, FRAME] != frame],
            self.frames[self.frames != frame],
            self.behind,
        )


class LateFits:
    """Takes sightings in order and hands them back once those that a track could use are fitted.

    What is fitted depends on the sightings of the frames around alone, so neither the size of a block, nor where a clip
    is cut into pieces, nor who measures them changes a digit. Those that are not fitted stay marked `UNFITTED`.

    Parameters
    ----------
    look
        What `learn` learned.
    settings
        As given to `detect_waiting`.
    opens
        Whether the first frames have none before them; otherwise they are left in `head`, for `follow`.
    """

    def __init__(self, look: SpatterLook, settings: SpatterSettings, *, opens: bool = True) -> None:
        self._look = look
        self._settings = settings
        # A sighting looks back on the last three of a track.
        self._back = 3 * (settings.max_gap + 1)
        self.head: Unsettled | None = Unsettled.none() if opens else None
        self.left = Unsettled.none()

    def add(
        self, sightings: NDArray[np.void], waiting: Waiting, frames: NDArray[np.int64], known: int
    ) -> NDArray[np.void]:
        """Take the next block, hand back what is settled.

        Parameters
        ----------
        sightings
            Of the block, `frame` counted from the start of the clip, in order of frames.
        waiting
            Which of them wait for their fit.
        frames
            Numbers of the block's frames that could show particles.
        known
            Number of the frame after the block.
        """
        return self._add(Unsettled(sightings, waiting, _points(sightings, waiting), frames), known)

    def follow(self, head: Unsettled | None, tail: Unsettled, known: int) -> NDArray[np.void]:
        """Take the two ends of the next piece, hand back what lies between the end of the one before and its middle.

        Parameters
        ----------
        head, tail
            `head` and `left` of the one who has settled the middle; without a head, `tail` is the whole piece.
        known
            Number of the frame after the piece.
        """
        if head is None:
            return self._add(tail, known)
        self.left = self.left.then(head)
        out = self.finish()
        self.left = tail
        return out

    def finish(self) -> NDArray[np.void]:
        """All that is left, as at the end of the clip."""
        return self._settle(int(self.left.frames[-1]) + 1 if len(self.left.frames) else 0)

    def _add(self, more: Unsettled, known: int) -> NDArray[np.void]:
        self.left = self.left.then(more)
        frames = self.left.frames
        # A beginning takes two steps of `BEGINNING` frames at most. Whether there is a crowd is told by the next
        # `BEGINNING` frames that could show one, and these may come much later.
        after = int(frames[-BEGINNING]) if len(frames) > BEGINNING else 0
        until = min(known - 2 * BEGINNING, after)
        if self.head is None:
            # One more than it takes: the first may turn out to repeat the last before it.
            if len(frames) <= self._back + 1 or until <= frames[self._back]:
                return no_sightings()
            first = int(frames[self._back]) + 1
            self.head, self.left = self.left.before(first), self.left.since(first, len(frames))
        return self._settle(until)

    def _settle(self, until: int) -> NDArray[np.void]:
        """The sightings of all frames before `until`, fitted where they have partners."""
        ready = self.left.before(until)
        self.left = self.left.since(until, self._back)
        return self._fitted(ready) if len(ready.waiting) else ready.sightings

    def _fitted(self, ready: Unsettled) -> NDArray[np.void]:
        """Fit those that wait where they have partners; without those too large for a particle."""
        waiting, settings, look = ready.waiting, self._settings, self._look
        sightings, rows = ready.sightings, waiting.rows
        at = sightings["frame"][rows]
        starts = np.append(np.searchsorted(ready.points[:, FRAME], ready.frames), len(ready.points))
        which = rows + len(ready.points) - ready.behind - len(sightings)
        wanted = np.zeros(len(rows), dtype=np.bool_)
        have_partners(
            ready.points,
            starts.astype(np.int64),
            which,
            np.searchsorted(ready.frames, at).astype(np.int64),
            settings.max_step_px,
            settings.max_gap,
            wanted,
        )
        if not wanted.any():
            return sightings
        found, fits = conclude(waiting.regions, wanted, look, settings)
        fitted, broken = records_of(found, at)
        fits &= ~broken
        sightings[rows[~broken]] = fitted
        return np.delete(sightings, rows[~fits])


def _points(sightings: NDArray[np.void], waiting: Waiting) -> NDArray[np.float64]:
    """What `have_partners` needs of sightings; of those that wait, the widest that their fits may say."""
    links = links_of(sightings)
    s = np.zeros((len(sightings), POINT))
    s[:, FRAME], s[:, X], s[:, Y] = links["frame"], links["x"], links["y"]
    s[:, VARIANCE], s[:, DIAMETER], s[:, TOUCHING] = links["variance"], links["diameter"], links["touching"]
    rows = waiting.rows
    cut_off = (sightings["mark"][rows] & (BORDER | RIM)) != 0
    s[rows, SLACK] = _MOVED + waiting.regions.known["half"]
    s[rows, VARIANCE] = np.where(cut_off, 9.0, 1.0)
    s[rows, DIAMETER] = _LARGER * s[rows, DIAMETER] + _WIDER
    return s
