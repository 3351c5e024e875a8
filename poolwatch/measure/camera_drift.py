"""How the camera drifts against the head it rides with, as the pool's own place in the picture shows it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..clips import Reader
from ..model.errors import PoolwatchError
from ..model.recording import Recording
from ..pool import find_pool
from ..pool.illuminated import IlluminatedLook
from ..scale.motion import Motion
from ..scale.travel import Drift
from .look import look_at
from .settings import MeasureSettings

# Frames in which the pool is looked for, and fewest that must show it.
_PLACES = 48
_LEAST = 12
# Share of a pool's growth by which its front may move: it grows behind the beam alone, or in proportion.
_FRONT_SHARE = 1 / 3


def camera_drift(
    reader: Reader, motion: Motion, record_rate_hz: float, settings: MeasureSettings | None = None
) -> Drift | None:
    """Drift of the pool's place while the metal was looked at; None where the pool is not seen well enough.

    Parameters
    ----------
    reader
        The clip.
    motion
        Motion of the metal, and the frames that it was found in.
    record_rate_hz
        Record rate, Hz.
    settings
        As for measuring.

    Raises
    ------
    UsageError
        The record rate makes no sense.

    Notes
    -----
    A camera that rides with the head sees the pool stand still but for what the pool does itself. Its front keeps its
    distance from the beam best; where the pool grows, a part of that enters the uncertainty. A pool that moves against
    the beam as a whole cannot be told from a camera that drifts.
    """
    if not motion.moving:
        return None
    recording = Recording.checked(
        {"record_rate_hz": record_rate_hz, "travel_direction_deg": motion.travel_direction_deg},
        where="drift of the camera",
    )
    settings = (settings or MeasureSettings()).model_copy(update={"spatter_on": False})
    try:
        places = _places(reader, motion.first, motion.last, recording, settings)
    except PoolwatchError:
        return None
    if len(places) < _LEAST:
        return None
    frame, front, rear, left, right = places.T
    ahead, u_ahead = _slope(frame, front)
    growth, u_growth = _slope(frame, front - rear)
    middle = (left + right) / 2
    aside, u_aside = _slope(frame, middle)
    # An odd piece of metal moves a side while it passes by, which takes up to the whole stretch; at the front it is
    # soon gone.
    u_aside = math.hypot(u_aside, math.sqrt(2) * float(middle.std()) / float(np.ptp(frame)))
    # What lies within its own scatter is no growth.
    grown = math.sqrt(max(growth**2 - u_growth**2, 0.0)) * _FRONT_SHARE / math.sqrt(3)
    angle = math.radians(motion.travel_direction_deg)
    c, s = math.cos(angle), math.sin(angle)
    u_along = math.hypot(u_ahead, grown)
    # Along travel is (c, -s) in the picture, to its left (-s, -c).
    return Drift(
        dx=ahead * c + aside * -s,
        dy=ahead * -s + aside * -c,
        u_dx=math.hypot(u_along * c, u_aside * s),
        u_dy=math.hypot(u_along * s, u_aside * c),
        frames=len(places),
    )


def _places(
    reader: Reader, first: int, last: int, recording: Recording, settings: MeasureSettings
) -> NDArray[np.float64]:
    """Frame, front, rear, left and right end of the pool where it was found, shape (n, 5)."""
    look = look_at(reader, recording, settings)
    forward, across, known = look.along, look.across, look.context
    numbers = np.unique(
        np.linspace(
            max(first, known), min(last, reader.facts.frame_count - 1 - known), min(_PLACES, last - first + 1)
        ).astype(int)
    )
    rows = []
    for number in numbers.tolist():
        run = look.view.of(reader.frames(list(range(number - known, number + known + 1))), noise=False)
        if isinstance(look.pool, IlluminatedLook):
            from ..pool.illuminated import find_illuminated

            pool = find_illuminated(
                run, known, 1, look.pool, forward=forward, across=across, settings=settings.pool
            )[0]
        else:
            pool = find_pool(run[known], look.pool, forward=forward, across=across, settings=settings.pool)
        if pool.status == "ok":
            rows.append((number, pool.front, pool.rear, pool.left, pool.right))
    return np.array(rows, dtype=np.float64).reshape(-1, 5)


def _slope(frame: NDArray[np.float64], place: NDArray[np.float64]) -> tuple[float, float]:
    """Slope of a line through places, px per frame, and its standard uncertainty; neighbours may be alike."""
    centred = frame - frame.mean()
    spread = float(centred @ centred)
    slope = float(centred @ place) / spread
    off = place - place.mean() - slope * centred
    variance = float(off @ off) / max(len(off) - 2, 1)
    memory = float(np.clip((off[1:] @ off[:-1]) / max(float(off @ off), 1e-12), 0.0, 0.9))
    return slope, math.sqrt(variance / spread * (1 + memory) / (1 - memory))
