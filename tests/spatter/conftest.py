"""One clip, measured once, shared by the tests of this room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from poolwatch.spatter import Spatter, SpatterLook, SpatterSettings, Tracks, detect, learn, link, particles
from tests.spatter.rendered import Flight, Footage, shower


@dataclass(frozen=True)
class Measured:
    footage: Footage
    frames: NDArray[np.unsignedinteger]
    outlines: list[NDArray[np.float64]]
    look: SpatterLook
    sightings: NDArray[np.void]
    tracks: Tracks
    spatter: Spatter


def measure(
    footage: Footage, settings: SpatterSettings | None = None, exposure: float | None = None
) -> Measured:
    frames = footage.frames()
    outlines = [footage.outline(k) for k in range(footage.n)]
    chosen = np.unique(np.linspace(0, footage.n - 1, 60).astype(int))
    look = learn(
        frames[chosen], full_scale=footage.full, outlines=[outlines[k] for k in chosen], settings=settings
    )
    sightings = detect(frames, outlines, look, settings)
    tracks = link(sightings, np.ones(footage.n, dtype=bool), footage.size, settings)
    found = particles(tracks, look, lambda k: outlines[k], exposure_frames=exposure, settings=settings)
    return Measured(footage, frames, outlines, look, sightings, tracks, found)


def must_be_found(footage: Footage) -> list[Flight]:
    return [flight for flight in footage.flights if len(footage.seen(flight)) >= 3]


def partners(measured: Measured, flights: list[Flight], gate: float = 3.0) -> dict[int, Flight]:
    """Flight of each counted particle whose sightings lie on it for the most part."""
    result: dict[int, Flight] = {}
    left = list(flights)
    rows = measured.spatter.sightings
    for number in measured.spatter.particles["particle"]:
        mine = rows[rows["particle"] == number]
        best, most = None, 0.5 * len(mine)
        for flight in left:
            places = np.array([measured.footage.place(flight, int(k)) for k in mine["frame"]])
            near = (np.hypot(mine["x_px"] - places[:, 0], mine["y_px"] - places[:, 1]) < gate).sum()
            if near > most:
                best, most = flight, near
        if best is not None:
            left.remove(best)
            result[int(number)] = best
    return result


@pytest.fixture(scope="session")
def ordinary() -> Measured:
    return measure(Footage(shower(40, 160, seed=5), frames=160), exposure=0.3)
