"""The straight flight of each track of a clip, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .facts import SpatterLook
from .fitting import blur_of
from .linking import Tracks
from .merging import pulls
from .paths import FLOOR, PATH, Places, fly
from .records import BORDER, CROWDED, RIM, UNFITTED
from .sizing import SEVERAL, beyond_noise, whole


@dataclass(frozen=True)
class Flights:
    """Flights by track.

    Attributes
    ----------
    path
        Straight line and its uncertainties, shape (tracks,), dtype `paths.PATH`.
    extra
        Variance of a sighting's place beyond what its fit knows of, px², shape (sightings,): it is cut off, touches
        something, or has another particle in it. 0 where it stands by itself.
    """

    path: NDArray[np.void]
    extra: NDArray[np.float64]


def find_flights(tracks: Tracks, look: SpatterLook) -> Flights:
    """Fit a line to each track, with less weight for sightings that may not show the whole of one particle alone."""
    s, starts = tracks.sightings, tracks.starts
    # The centre of what is cut off may lie anywhere within the particle's streak; of what seems whole but touches
    # something, not far from where it was fitted.
    within = np.maximum(s["spread"].astype(np.float64), 0.0)
    broad = np.repeat(np.maximum.reduceat(within, starts[:-1]), np.diff(starts)) if len(tracks) else within
    entire = whole(tracks, look.background.shape)
    touching = (s["mark"] & (BORDER | RIM | CROWDED)) != 0
    extra = np.where(~entire, 4.0 + 4.0 * broad, np.where(touching, 0.02 + 0.01 * within, 0.0))
    crowded = (s["mark"] & CROWDED) != 0
    extra = np.where(crowded, np.maximum(extra, 0.1 + 0.1 * within), extra)
    path = _flown(tracks, extra, 1.0)
    merged = pulls(tracks, path, blur_of(look.psf_sigma_px))
    if merged.any():
        extra = np.maximum(extra, merged)
        path = _flown(tracks, extra, 1.0)
    return Flights(path, extra)


def as_the_clip_scatters(tracks: Tracks, flights: Flights, counted: NDArray[np.bool_]) -> NDArray[np.void]:
    """Paths once more, with the uncertainty of sightings that the clip's own particles show, shape as `Flights.path`.

    Parameters
    ----------
    tracks, flights
        Tracks and their flights.
    counted
        Which tracks are particles, shape (tracks,).

    Notes
    -----
    A codec shifts the picture of a particle from frame to frame by more than the fit's misfit says, for what it changes
    is alike in neighbouring pixels. A long track shows that by its scatter about the line; a short one has too few
    sightings to tell, and is taken to scatter as the clip's others do. Without loss nothing scatters beyond its
    noise, and nothing changes: the scatter is that about a parabola, for gas and weight bend a flight.
    """
    starts = tracks.starts
    path, alone = flights.path, (flights.extra == 0.0) & ((tracks.sightings["mark"] & UNFITTED) == 0)
    if not counted.any():
        return path
    total = _about_parabolas(tracks, path, alone)
    seen = np.add.reduceat(alone.astype(np.int64), starts[:-1])
    clear = counted & (seen >= SEVERAL)
    # Two parabolas of three numbers each.
    freedom = 2.0 * seen[clear] - 6.0
    beyond = beyond_noise(total[clear] / freedom, freedom)
    return path if beyond == 0.0 else _flown(tracks, flights.extra, 1.0 + beyond)


def _about_parabolas(tracks: Tracks, path: NDArray[np.void], alone: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Chi-square of each track's places about the parabola that fits them best in x and y, of the sightings `alone`."""
    s, starts = tracks.sightings, tracks.starts
    of = np.repeat(np.arange(len(tracks)), np.diff(starts))
    after = s["frame"] - path["t0"][of]
    first, last = (edge.reduceat(after, starts[:-1]) for edge in (np.minimum, np.maximum))
    # From -1 to 1 along each track.
    t = (after - (0.5 * (first + last))[of]) / np.maximum(0.5 * (last - first), 0.5)[of]
    powers = np.array([np.ones_like(t), t, t * t])
    total = np.zeros(len(tracks))
    for at, start, slope, u in (("x", "x0", "vx", "u_x"), ("y", "y0", "vy", "u_y")):
        off = s[at] - path[start][of] - after * path[slope][of]
        weight = alone / (s[u].astype(np.float64) ** 2 + FLOOR**2)
        square = np.add.reduceat(weight * powers[:, None] * powers, starts[:-1], axis=2)
        product = np.add.reduceat(weight * powers * off, starts[:-1], axis=1)
        # Too few places for a parabola leave it undetermined: the smallest that fits is taken.
        bent = np.einsum("ijk,jk->ik", np.linalg.pinv(square.T, hermitian=True).T, product)
        total += np.add.reduceat(weight * off**2, starts[:-1]) - (product * bent).sum(axis=0)
    return np.maximum(total, 0.0)


def _flown(tracks: Tracks, extra: NDArray[np.float64], factor: float) -> NDArray[np.void]:
    """Paths with the variances that the fits state times a factor."""
    s = tracks.sightings
    frame, x, y, u_x, u_y = (s[name].astype(np.float64) for name in ("frame", "x", "y", "u_x", "u_y"))
    wider = np.sqrt(factor)
    path = np.zeros(len(tracks), dtype=PATH)
    fly(Places(frame, x, y, wider * u_x, wider * u_y, extra), tracks.starts, path)
    return path
