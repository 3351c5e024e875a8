"""Where in a clip there is a weld: stretches with a pool, parted where there was none for a while."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

# Frames in a row without a pool that part two welds: a flicker, a plume or a few black frames do not.
_GAP = 20
# Shorter stretches with a pool are flashes, not welds; so is what has less than this share of the longest.
_LEAST = 30
_LEAST_SHARE = 0.05
# Statuses of a frame in which nothing is welded.
_NONE = ("dark", "no_pool")
_MUTE = ("repeated", "undecodable")


def welds_of(status: ArrayLike) -> list[tuple[int, int]]:
    """Welds in a clip.

    Parameters
    ----------
    status
        Status of each frame, shape (n,), words of `poolwatch.model.flags.STATUSES`.

    Returns
    -------
    list of tuple
        First frame and frame after the last of each weld, in order. One over the whole clip where there are not at
        least two, so that ramps and gaps within a single weld stay what they are.
    """
    words = np.asarray(status, dtype=object)
    # A picture that comes again, or none, shows what the one before it showed.
    known = np.where(np.isin(words, _MUTE), 0, np.arange(len(words)))
    welding = ~np.isin(words, _NONE)[np.maximum.accumulate(known)] if len(words) else np.zeros(0, np.bool_)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], welding, [False]]).astype(np.int8)))
    runs = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    joined: list[tuple[int, int]] = []
    for start, stop in runs:
        if joined and start - joined[-1][1] < _GAP:
            joined[-1] = (joined[-1][0], stop)
        else:
            joined.append((start, stop))
    measured = [int((words[start:stop] == "ok").sum()) for start, stop in joined]
    least = max(_LEAST, _LEAST_SHARE * max(measured, default=0))
    welds = [run for run, count in zip(joined, measured, strict=True) if count >= least]
    return welds if len(welds) > 1 else [(0, len(words))]


def longest(welds: list[tuple[int, int]], status: ArrayLike) -> tuple[int, int]:
    """The weld with the most frames measured; the first of several with as many."""
    ok = np.asarray(status, dtype=object) == "ok"
    return max(welds, key=lambda weld: int(ok[slice(*weld)].sum()))
