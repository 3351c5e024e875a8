"""Particles that a person marked against those that were counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .agreement import Estimate, share_of

if TYPE_CHECKING:
    import pandas as pd

    from ..measure import Measurement

# A mark may lie so far from a particle's path beside its own radius, px: the gate of the particle tracking challenge
# (Chenouard et al. 2014, doi:10.1038/nmeth.2808; the figure from memory).
GATE_PX = 5.0
# A path is followed so many frames beyond its first and last sighting: a person sees faint ones sooner or later.
_BEYOND = 3
_COST = 1e6


@dataclass(frozen=True)
class ParticleCheck:
    """Marks of particles against counted particles over a run of frames.

    Attributes
    ----------
    marked, counted
        Particles that were marked, and counted ones with a sighting in the run.
    found, met
        Of the marked those that were counted, also where their first sighting lies just behind the run; of the counted
        those that were marked.
    recall, precision
        `found` of the marked, `met` of the counted.
    rejected
        Marks that meet a track which was seen, but not counted.
    """

    marked: int
    counted: int
    found: int
    met: int
    recall: Estimate
    precision: Estimate
    rejected: int


@dataclass(frozen=True)
class _Path:
    """Sightings of one track, in order of time."""

    frames: NDArray[np.float64]
    places: NDArray[np.float64]
    radius: float

    def off(self, frame: int, mark: NDArray[np.float64]) -> float:
        """How far a mark lies from where the track is in a frame, in gates; infinite where it is not there."""
        first, last = self.frames[0], self.frames[-1]
        if not first - _BEYOND <= frame <= last + _BEYOND:
            return np.inf
        step = (self.places[-1] - self.places[0]) / max(last - first, 1.0)
        here = np.array([np.interp(frame, self.frames, self.places[:, k]) for k in (0, 1)])
        here = here + step * (min(frame - first, 0.0) + max(frame - last, 0.0))
        away, speed = mark - here, float(np.hypot(*step))
        gate = GATE_PX + self.radius
        ahead = x, y = step / speed if speed > 0 else np.array([1.0, 0.0])
        along, across = float(away @ ahead), float(away @ np.array([-y, x]))
        # A streak is up to a step long, and a mark may lie anywhere on it.
        return float(np.hypot(along / (gate + speed / 2), across / gate))


def check_particles(
    measurement: Measurement, marks: Sequence[tuple[int, float, float]], run: tuple[int, int]
) -> ParticleCheck:
    """Match marks with counted particles, one to one, and count.

    Parameters
    ----------
    measurement
        The measured clip.
    marks
        Frame and image place, px, of each mark.
    run
        First and last frame looked through.
    """
    tracks = measurement.tracks
    number = tracks["particle"].to_numpy(dtype=np.int64)
    counted, rejected = (
        [path for path in _paths(tracks[chosen]) if _seen(path, run, _BEYOND)]
        for chosen in (number > 0, number < 0)
    )
    pairs = _matched(marks, counted)
    inside = [_seen(path, run, 0) for path in counted]
    met = sum(inside[path] for path in pairs.values())
    rest = [mark for place, mark in enumerate(marks) if place not in pairs]
    return ParticleCheck(
        marked=len(marks),
        counted=sum(inside),
        found=len(pairs),
        met=met,
        recall=share_of(len(pairs), len(marks)),
        precision=share_of(met, sum(inside)),
        rejected=len(_matched(rest, rejected)),
    )


def _paths(tracks: pd.DataFrame) -> list[_Path]:
    paths = []
    for _, part in tracks.groupby("particle", sort=True):
        part = part.sort_values("frame", kind="stable")
        size = part["diameter_px"].to_numpy(dtype=np.float64)
        known = size[np.isfinite(size)]
        paths.append(
            _Path(
                part["frame"].to_numpy(dtype=np.float64),
                part[["x_px", "y_px"]].to_numpy(dtype=np.float64),
                float(np.median(known)) / 2 if known.size else 0.0,
            )
        )
    return paths


def _seen(path: _Path, run: tuple[int, int], margin: int) -> bool:
    first, last = run
    return bool(((path.frames >= first - margin) & (path.frames <= last + margin)).any())


def _matched(marks: Sequence[tuple[int, float, float]], paths: Sequence[_Path]) -> dict[int, int]:
    """Which mark meets which path, one to one: as many as can be, then the nearest."""
    from scipy.optimize import linear_sum_assignment

    if not marks or not paths:
        return {}
    off = np.array([[path.off(frame, np.array([x, y])) for path in paths] for frame, x, y in marks])
    rows, columns = linear_sum_assignment(np.where(off <= 1.0, off, _COST))
    return {int(r): int(c) for r, c in zip(rows, columns, strict=True) if off[r, c] <= 1.0}
