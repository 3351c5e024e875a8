"""Particles that run into one another in the picture: what is awaited and not seen by itself is in another's sighting.

The fit of one disc to two pulls the centre towards the second by its share of the light, sighting by sighting the
same way while both fly on together. Neither the fit's own uncertainty nor the scatter about a line shows that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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
    out = np.zeros(len(tracks.sightings))
    if len(tracks) < 2:
        return out
    places = _Places.of(tracks, blur)
    frame, starts, measured = places.frame, tracks.starts, tracks.measured
    final = len(measured) - 1

    def held(k: int, at: int, between: tuple[int, int], own: int) -> bool:
        found = places.holder(k, path[k], at, between, own)
        if found is None:
            return False
        i, variance = found
        out[i] = max(out[i], variance)
        return True

    for k in range(len(tracks)):
        a, b = int(starts[k]), int(starts[k + 1])
        first, last = int(places.first[k]), int(places.last[k])
        for own in range(a, b - 1):
            between = int(frame[own]), int(frame[own + 1])
            for at in range(between[0] + 1, between[1]):
                held(k, at, between, own)
        at = last + 1
        while at <= final and (not measured[at] or held(k, at, (last, final + 1), b - 1)):
            at += 1
        at = first - 1
        while at >= 0 and (not measured[at] or held(k, at, (-1, first), a)):
            at -= 1
    return out


@dataclass(frozen=True)
class _Places:
    """Sightings of all tracks, to be looked up by frame.

    Attributes
    ----------
    frame, x, y, flux, spread, radius
        Of each sighting, px and grey values.
    owner
        Its track.
    first, last
        First and last frame of each track.
    order, begins
        Sightings in order of frames, and where each frame begins.
    blur
        Standard deviation of point spread and pixel together, px.
    """

    frame: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    flux: NDArray[np.float64]
    spread: NDArray[np.float64]
    radius: NDArray[np.float64]
    owner: NDArray[np.int64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    order: NDArray[np.int64]
    begins: NDArray[np.int64]
    blur: float

    @classmethod
    def of(cls, tracks: Tracks, blur: float) -> _Places:
        s, starts = tracks.sightings, tracks.starts
        frame = s["frame"].astype(np.int64)
        spread = np.maximum(s["spread"].astype(np.float64), 0.0)
        order = np.argsort(frame, kind="stable")
        return cls(
            frame=frame,
            x=s["x"].astype(np.float64),
            y=s["y"].astype(np.float64),
            flux=s["flux"].astype(np.float64),
            spread=spread,
            radius=2.0 * np.sqrt(spread),
            owner=np.repeat(np.arange(len(tracks)), np.diff(starts)),
            first=frame[starts[:-1]],
            last=frame[starts[1:] - 1],
            order=order,
            begins=np.searchsorted(frame[order], np.arange(len(tracks.measured) + 1)),
            blur=blur,
        )

    def holder(
        self, k: int, line: np.void, at: int, between: tuple[int, int], own: int
    ) -> tuple[int, float] | None:
        """The sighting in frame `at` that holds particle `k`, seen as in its sighting `own`, and the pull's variance.

        `between` are the frames in which the particle was last seen and is next seen, `line` its flight.
        """
        since, until = between
        near = self.order[self.begins[at] : self.begins[at + 1]]
        there = self.owner[near]
        near = near[(there != k) & ((self.first[there] <= since) | (self.last[there] >= until))]
        if not near.size:
            return None
        step = float(at - line["t0"])
        off_x = self.x[near] - line["x0"] - step * line["vx"]
        off_y = self.y[near] - line["y0"] - step * line["vy"]
        away = np.hypot(off_x, off_y)
        inside = away - self.radius[near] - self.radius[own] - self.blur
        best = int(np.argmin(inside))
        i = int(near[best])
        unsure = math.hypot(line["u_x0"], line["u_y0"], step * line["u_vx"], step * line["u_vy"])
        if inside[best] >= 0.0 or unsure > self.radius[i] + self.blur:
            return None
        mine, whole = self.flux[own], self.flux[i]
        share = min(mine / max(whole - mine, 1e-9), 1.0) if whole > mine else 1.0
        return i, float(share**2 * (away[best] ** 2 + self.spread[own]))
