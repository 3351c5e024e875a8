"""Which way the beam travels, by what moves in the clip, and whether it moves as was given."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.recording import Recording
from ..pool import Pool, PoolLook
from ..pool.illuminated import IlluminatedLook

# A direction off by more than this and three times its uncertainty is another one, degrees. Lengths are then 0.4 % off.
OTHER_DEG = 5.0
# A direction nobody gave stays the default where the motion does not contradict it by more than this, degrees.
_DEFAULT_DEG = 1.0
# A speed off by more than this share and three times its uncertainty is another one.
OTHER_SPEED = 0.02
# A pool's places tell a direction where it went that many times as far as they scatter.
_CLEAR = 8.0


@dataclass(frozen=True)
class Heading:
    """Direction of travel as seen in the clip.

    Attributes
    ----------
    deg, u_deg
        Direction in the picture, degrees counter-clockwise as seen, 0 = right, and its standard uncertainty.
    source
        What showed it: ``metal`` that runs backwards under a riding camera, or the ``pool`` that crosses the view of a
        standing one.
    """

    deg: float
    u_deg: float
    source: str

    def off(self, given_deg: float) -> float:
        """How far a given direction is from this one, degrees, 0 to 180."""
        return abs((given_deg - self.deg + 180.0) % 360.0 - 180.0)


def heading_of(
    pool: PoolLook | IlluminatedLook, numbers: Sequence[int], found: Sequence[Pool]
) -> Heading | None:
    """Direction of travel from what moves; None where nothing does (a riding camera over glowing footage).

    Parameters
    ----------
    pool
        What was learned of the pool.
    numbers, found
        Numbers of the frames looked at, and the pools in them.
    """
    if isinstance(pool, IlluminatedLook) and not pool.standing:
        (dx, dy), (u_dx, u_dy) = pool.metal_px, pool.metal_u_px
        return _heading((-dx, -dy), (u_dx, u_dy), "metal")
    if not pool.moves:
        return None
    seen = [(n, p.x, p.y) for n, p in zip(numbers, found, strict=True) if p.status == "ok"]
    if len(seen) < 6:
        return None
    return _crossing(np.array(seen, dtype=np.float64))


def with_heading(recording: Recording, heading: Heading | None) -> Recording:
    """The recording with the direction found, where none was given and the motion contradicts the default."""
    if heading is None or "travel_direction_deg" in recording.model_fields_set:
        return recording
    if heading.off(recording.travel_direction_deg) <= max(_DEFAULT_DEG, 3 * heading.u_deg):
        return recording
    return recording.model_copy(update={"travel_direction_deg": round(heading.deg, 1)})


def motion_flags(pool: PoolLook | IlluminatedLook, heading: Heading | None, recording: Recording) -> set[str]:
    """Flags about motion that contradicts what was given."""
    flags: set[str] = set()
    if heading is None:
        return flags
    if heading.off(recording.travel_direction_deg) > OTHER_DEG + 3 * heading.u_deg:
        flags.add("direction_disagrees")
    if isinstance(pool, IlluminatedLook) and heading.source == "metal":
        given = given_speed(recording, heading)
        if given is not None and speed_disagrees(pool, recording, given):
            flags.add("scale_disagrees")
    return flags


def given_speed(recording: Recording, heading: Heading) -> float | None:
    """Speed of the metal in px a frame by scale, travel speed and record rate; None where one of them is missing.

    Along the direction seen, for a tilted view shows another speed in another direction.
    """
    given = metal_of(recording.model_copy(update={"travel_direction_deg": heading.deg}))
    return None if given is None else math.hypot(*given)


def speed_disagrees(pool: IlluminatedLook, recording: Recording, given: float) -> bool:
    """Whether the metal moves otherwise than at `given` px a frame, beyond the uncertainty of both."""
    speed, u = math.hypot(*pool.metal_px), math.hypot(*pool.metal_u_px)
    u_scale = recording.mm_per_px_u / recording.mm_per_px if recording.mm_per_px else 0.0
    return abs(given - speed) > 3 * math.hypot(u, u_scale * speed) + OTHER_SPEED * speed


def metal_of(recording: Recording) -> tuple[float, float] | None:
    """Motion of the metal in a picture that rides with the head, px a frame; None without travel speed and scale."""
    if not recording.travel_speed_mm_s or not recording.mm_per_px:
        return None
    x, y = recording.axes().image_vector([-recording.travel_speed_mm_s / recording.record_rate_hz, 0.0])
    return float(x), float(y)


def noted(heading: Heading | None) -> dict[str, Any]:
    """What `run.json` says of it."""
    if heading is None:
        return {"heading_deg": None, "heading_u_deg": None, "heading_source": ""}
    return {
        "heading_deg": round(heading.deg, 3),
        "heading_u_deg": round(heading.u_deg, 3),
        "heading_source": heading.source,
    }


def _crossing(seen: NDArray[np.float64]) -> Heading | None:
    """From rows of frame number, x, y: the middle of steps over a quarter of the clip, for welds may start anew."""
    gap = max(len(seen) // 4, 1)
    steps = seen[gap:, 1:] - seen[:-gap, 1:]
    rates = steps / (seen[gap:, :1] - seen[:-gap, :1])
    middle = np.median(rates, axis=0)
    scatter = 1.4826 * np.median(np.abs(rates - middle), axis=0)
    # Steps that overlap share their ends: as many count as lie side by side.
    u = scatter / math.sqrt(len(seen) / gap)
    if math.hypot(*middle) < _CLEAR * math.hypot(*u):
        return None
    return _heading(middle.tolist(), u.tolist(), "pool")


def _heading(ahead: Sequence[float], u: Sequence[float], source: str) -> Heading | None:
    (x, y), (u_x, u_y) = ahead, u
    size = math.hypot(x, y)
    if size == 0 or not math.isfinite(size):
        return None
    across = math.hypot(y * u_x, x * u_y) / size
    return Heading(math.degrees(math.atan2(-y, x)), math.degrees(across / size), source)
