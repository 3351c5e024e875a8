"""Fits of faint sightings, put off until it is known whether a track could use them.

Strong compression leaves blocks that stand out as faint particles do, and to fit one costs more than all else in a
frame. Most of them stand alone: nothing lies in line with them in the frames around, so they stay without a track
whatever a fit would say.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .concluding import HALF, Regions, conclude
from .detecting import Waiting, records_of
from .following import BEGINNING, linking_columns
from .look import SpatterLook
from .partners import DIAMETER, FRAME, POINT, SLACK, TOUCHING, VARIANCE, X, Y, have_partners
from .records import BORDER, RIM, no_sightings
from .settings import SpatterSettings

# A fit may move the centre by half the extent of what stands out and this much, px, may find a diameter this many times
# as large and so many px more, and knows the place of what is whole to a pixel. Of the fits of false blocks, one in
# a hundred goes beyond; of particles, none.
_MOVED, _LARGER, _WIDER = 1.0, 1.5, 2.0


class LateFits:
    """Takes sightings block by block, in order, and hands them back once those that a track could use are fitted.

    What is fitted depends on the sightings of the frames around alone, so neither the size of a block nor the number of
    threads changes a digit. Those that are not fitted stay marked `UNFITTED`.

    Parameters
    ----------
    look
        What `learn` learned.
    settings
        As given to `detect_waiting`.
    """

    def __init__(self, look: SpatterLook, settings: SpatterSettings) -> None:
        self._look = look
        self._settings = settings
        self._pending = no_sightings()
        self._waiting = Waiting.none()
        # All sightings around the pending ones, and the frames that could show any.
        self._points = np.zeros((0, POINT))
        self._frames = np.zeros(0, dtype=np.int64)

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
        self._points = np.concatenate([self._points, _points(sightings, waiting)])
        self._frames = np.concatenate([self._frames, frames])
        self._waiting = Waiting(
            np.concatenate([self._waiting.rows, waiting.rows + len(self._pending)]),
            Regions.joined([self._waiting.regions, waiting.regions]),
        )
        self._pending = np.concatenate([self._pending, sightings])
        # A beginning takes two steps of `BEGINNING` frames at most. Whether there is a crowd is told by the next
        # `BEGINNING` frames that could show one, and these may come much later.
        after = int(self._frames[-BEGINNING]) if len(self._frames) > BEGINNING else 0
        return self._settle(min(known - 2 * BEGINNING, after))

    def finish(self) -> NDArray[np.void]:
        """What is left at the end of the clip."""
        return self._settle(int(self._frames[-1]) + 1 if len(self._frames) else 0)

    def _settle(self, until: int) -> NDArray[np.void]:
        """The sightings of all frames before `until`, fitted where they have partners."""
        ready = int(np.searchsorted(self._pending["frame"], until))
        late = int(np.searchsorted(self._waiting.rows, ready))
        out, rest = self._pending[:ready], self._pending[ready:].copy()
        if late:
            out = self._fitted(out.copy(), late)
        self._pending = rest
        self._waiting = Waiting(self._waiting.rows[late:] - ready, self._waiting.regions.since(late))
        # A sighting looks back on the last three of a track.
        back = 3 * (self._settings.max_gap + 1)
        first = max(int(np.searchsorted(self._frames, until)) - back, 0)
        if first:
            self._points = self._points[np.searchsorted(self._points[:, FRAME], self._frames[first]) :]
            self._frames = self._frames[first:]
        return out

    def _fitted(self, sightings: NDArray[np.void], late: int) -> NDArray[np.void]:
        """Fit the first `late` of those that wait where they have partners; without those too large for a particle."""
        waiting, settings, look = self._waiting, self._settings, self._look
        rows = waiting.rows[:late]
        at = sightings["frame"][rows]
        starts = np.append(np.searchsorted(self._points[:, FRAME], self._frames), len(self._points))
        # The pending ones are the last of all points.
        which = rows + len(self._points) - len(self._pending)
        wanted = np.zeros(late, dtype=np.bool_)
        have_partners(
            self._points,
            starts.astype(np.int64),
            which,
            np.searchsorted(self._frames, at).astype(np.int64),
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
    columns = linking_columns(sightings)
    s = np.zeros((len(sightings), POINT))
    s[:, FRAME], s[:, X], s[:, Y] = columns[:, 9], columns[:, 0], columns[:, 1]
    s[:, VARIANCE], s[:, DIAMETER], s[:, TOUCHING] = columns[:, 2], columns[:, 3], columns[:, 8]
    rows = waiting.rows
    cut_off = (sightings["mark"][rows] & (BORDER | RIM)) != 0
    s[rows, SLACK] = _MOVED + waiting.regions.known[:, HALF]
    s[rows, VARIANCE] = np.where(cut_off, 9.0, 1.0)
    s[rows, DIAMETER] = _LARGER * s[rows, DIAMETER] + _WIDER
    return s
