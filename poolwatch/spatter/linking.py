"""Sightings to tracks, in two stages: frame to frame, then piece to piece.

The idea of the two stages is that of Jaqaman et al. 2008 (doi:10.1038/nmeth.1237): what the first stage leaves in
pieces, because particles crossed, faded or hid each other, is joined by a second, global assignment.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .gap_closing import close_gaps
from .links import links_of
from .settings import SpatterSettings
from .tracking import Reach, track_sightings


@dataclass(frozen=True)
class Tracks:
    """Sightings that belong together.

    Attributes
    ----------
    sightings
        All linked sightings, by track and then frame (dtype `records.SIGHTING`).
    starts
        Where each track begins in `sightings`, shape (tracks + 1,).
    measured
        Which frames of the clip could show particles, shape (frames,).
    loose
        How many sightings belong to no track.
    """

    sightings: NDArray[np.void]
    starts: NDArray[np.int64]
    measured: NDArray[np.bool_]
    loose: int

    def __len__(self) -> int:
        return len(self.starts) - 1


def link(
    sightings: NDArray[np.void],
    measured: NDArray[np.bool_],
    size: tuple[int, int],
    settings: SpatterSettings | None = None,
) -> Tracks:
    """Link the sightings of a whole clip.

    Parameters
    ----------
    sightings
        Of all frames, `frame` counted from the start of the clip, in order of frames.
    measured
        Which frames could show particles, shape (frames,).
    size
        Height and width of the frames, px.
    settings
        See `SpatterSettings`.

    Raises
    ------
    ValueError
        The sightings are not in order or are outside the clip.
    """
    settings = settings or SpatterSettings()
    measured = np.ascontiguousarray(measured, dtype=np.bool_)
    frame = sightings["frame"]
    if len(sightings) and ((np.diff(frame) < 0).any() or frame[0] < 0 or frame[-1] >= len(measured)):
        raise ValueError("sightings must be in order of frames, all inside the clip")
    starts = np.searchsorted(frame, np.arange(len(measured) + 1)).astype(np.int64)
    track_of = np.full(len(sightings), -1, dtype=np.int32)
    links = links_of(sightings)
    reach = Reach(float(settings.max_step_px), settings.max_gap, float(size[1]), float(size[0]))
    track_sightings(links, starts, measured, reach, track_of)
    track_of = close_gaps(links, track_of, measured, settings)
    del links
    linked = np.flatnonzero(track_of >= 0)
    order = linked[np.lexsort((frame[linked], track_of[linked]))]
    _, begin = np.unique(track_of[order], return_index=True)
    first = frame[order][begin]
    # Numbered by first frame, so that the order does not depend on how a track was found.
    rank = np.lexsort((begin, first))
    pieces = np.append(begin, len(order))
    order = (
        np.concatenate([order[pieces[k] : pieces[k + 1]] for k in rank])
        if len(rank)
        else order.astype(np.int64)
    )
    counts = np.diff(pieces)[rank] if len(rank) else np.zeros(0, dtype=np.int64)
    return Tracks(
        sightings=sightings[order],
        starts=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        measured=measured,
        loose=int(len(sightings) - len(order)),
    )
