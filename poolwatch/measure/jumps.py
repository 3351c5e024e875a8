"""Frames whose outline jumps as no pool can."""

from __future__ import annotations

import numpy as np

from .gather import Gathered
from .welds import welds_of


def mark_jumps(gathered: Gathered, lag: int) -> int:
    """Mark frames whose outline jumps away from both its neighbours as ``broken``, and take out all that rests on it.

    A jump is a departure of front, rear, left or right from the median of eleven frames around, of more than 12
    times the usual departure and more than 6 % of the pool's size: no pool moves so far and back in one frame.

    Parameters
    ----------
    gathered
        Every frame's figures and outlines; changed in place.
    lag
        Frames between the moments compared for agitation.

    Returns
    -------
    int
        Frames marked.
    """
    from scipy.ndimage import median_filter

    figures = gathered.figures
    found = [np.empty(0, dtype=np.intp)]
    # Each weld by itself: what is usual in one need not be in the next.
    for start, stop in welds_of(gathered.status):
        ok = start + np.flatnonzero(gathered.status[start:stop] == "ok")
        if len(ok) < 25:
            continue
        size = float(np.sqrt(np.median(figures["area"][ok])))
        bad = np.zeros(len(ok), dtype=bool)
        for name in ("front", "rear", "left", "right"):
            values = figures[name][ok]
            departure = np.abs(values - median_filter(values, 11, mode="nearest"))
            usual = 1.4826 * float(np.median(departure))
            bad |= departure > max(12 * usual, 0.06 * size)
        found.append(ok[bad])
    which = np.concatenate(found)
    gathered.status[which] = "broken"
    for values in figures.values():
        values[which] = np.nan
    # Agitation compares a frame with the one `lag` before it.
    gathered.agitation[which] = np.nan
    later = which + lag
    gathered.agitation[later[later < len(gathered.agitation)]] = np.nan
    gathered.outlines.remove(which)
    return len(which)
