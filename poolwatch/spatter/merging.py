"""Particles that run into one another in the picture: what is awaited and not seen by itself is in another's sighting.

The fit of one disc to two pulls the centre towards the second by its share of the light, sighting by sighting the
same way while both fly on together. Neither the fit's own uncertainty nor the scatter about a line shows that.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .linking import Tracks


def pulls(tracks: Tracks, path: NDArray[np.void], blur: float) -> NDArray[np.float64]:
    """Variance of a sighting's place from another particle that is in it, px², shape (sightings,); 0 where none is.

    Parameters
    ----------
    tracks
        Linked sightings.
    path
        Straight flight of each track (see `paths.fly`).
    blur
        Standard deviation of point spread and pixel together, px.

    Notes
    -----
    A particle is in the sighting of another where its line leads into it and it was not seen by itself: between its
    own sightings, and before the first and behind the last of them for as long as its line stays in what is seen of
    others and is known there to within the size of that: what stands still beside something lasting would be awaited
    to the end of the clip. Only a track that was there when this one was last seen (or is first seen again) can hold
    it; one that begins later is the same particle, lost and found again. Of lights F and f, the second at d from where
    the sum is seen, the sum lies f d / F from the first.
    """
    s, starts = tracks.sightings, tracks.starts
    out = np.zeros(len(s))
    if len(tracks) < 2:
        return out
    frame, flux = s["frame"].astype(np.int64), s["flux"].astype(np.float64)
    x, y = s["x"].astype(np.float64), s["y"].astype(np.float64)
    spread = np.maximum(s["spread"].astype(np.float64), 0.0)
    radius = 2.0 * np.sqrt(spread)
    owner = np.repeat(np.arange(len(tracks)), np.diff(starts))
    first, last = frame[starts[:-1]], frame[starts[1:] - 1]
    order = np.argsort(frame, kind="stable")
    begins = np.searchsorted(frame[order], np.arange(len(tracks.measured) + 1))

    def held(k: int, at: int, since: int, until: int, own: int) -> bool:
        """Whether particle `k`, as in its sighting `own`, is in another's sighting in frame `at`; notes the pull."""
        near = order[begins[at] : begins[at + 1]]
        there = owner[near]
        near = near[(there != k) & ((first[there] <= since) | (last[there] >= until))]
        if not near.size:
            return False
        line = path[k]
        step = float(at - line["t0"])
        off_x = x[near] - line["x0"] - step * line["vx"]
        off_y = y[near] - line["y0"] - step * line["vy"]
        away = np.hypot(off_x, off_y)
        inside = away - radius[near] - radius[own] - blur
        best = int(np.argmin(inside))
        i = int(near[best])
        unsure = math.hypot(line["u_x0"], line["u_y0"], step * line["u_vx"], step * line["u_vy"])
        if inside[best] >= 0.0 or unsure > radius[i] + blur:
            return False
        share = min(flux[own] / max(flux[i] - flux[own], 1e-9), 1.0) if flux[i] > flux[own] else 1.0
        out[i] = max(out[i], share**2 * (away[best] ** 2 + spread[own]))
        return True

    final = len(tracks.measured) - 1
    for k in range(len(tracks)):
        a, b = int(starts[k]), int(starts[k + 1])
        for own in range(a, b - 1):
            for at in range(int(frame[own]) + 1, int(frame[own + 1])):
                held(k, at, int(frame[own]), int(frame[own + 1]), own)
        at = int(last[k]) + 1
        while at <= final and (not tracks.measured[at] or held(k, at, int(last[k]), final + 1, b - 1)):
            at += 1
        at = int(first[k]) - 1
        while at >= 0 and (not tracks.measured[at] or held(k, at, -1, int(first[k]), a)):
            at -= 1
    return out
