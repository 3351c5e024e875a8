"""How a glowing pool lies in the picture: where nothing moves that shows the travel direction, its own shape does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from ..model.recording import Recording
from ..pool import Pool, PoolLook

# A pool less elongated than this has no direction worth naming.
_LONG = 1.2
# How far a pool may lie from the travel direction, degrees. A steady pool is a mirror image of itself about its path
# to some degrees; beyond this its length is several per cent wrong.
ASKEW_DEG = 15.0
# The beam tells the front where it lies off the pool's middle by this share of its length.
_AHEAD = 0.05


@dataclass(frozen=True)
class Orientation:
    """Long axis of a pool in the picture.

    Attributes
    ----------
    deg
        Direction of the long axis, degrees counter-clockwise as seen, 0 = right, -180 to 180: towards the end at which
        the beam is, where that is known.
    elongation
        Root of the ratio of the second moments along and across it: length over width of an ellipse.
    front_known
        Whether the beam lies clearly nearer to one end. It does in any keyhole weld: the pool trails.
    """

    deg: float
    elongation: float
    front_known: bool

    @property
    def told(self) -> bool:
        """Whether the pool is long enough to show a direction."""
        return self.elongation >= _LONG

    def off(self, direction_deg: float) -> float:
        """Angle between the long axis and a direction, whichever way either points, degrees, 0 to 90."""
        return abs((direction_deg - self.deg + 90.0) % 180.0 - 90.0)

    def contradicts(self, recording: Recording) -> bool:
        """Whether the pool does not lie along the travel direction of a recording.

        A pool wider than long is possible (a line across travel), so right across is contradicted only where nobody
        gave the direction.
        """
        if not self.told:
            return False
        direction = recording.travel_direction_deg
        if self.off(direction) > ASKEW_DEG:
            given = "travel_direction_deg" in recording.model_fields_set
            return not given or self.off(direction) < 90.0 - ASKEW_DEG
        return self.front_known and math.cos(math.radians(direction - self.deg)) < 0


def orientation_of(pool: PoolLook, good: Sequence[Pool]) -> Orientation | None:
    """The long axis of the pools that were looked at; None where there are none.

    Parameters
    ----------
    pool
        What was learned of the pool, with the beam's place.
    good
        Pools whose outline was found.
    """
    shapes = []
    for each in good:
        moments = cv2.moments(np.asarray(each.vertices, dtype=np.float32).reshape(-1, 1, 2))
        if moments["m00"] > 0:
            shapes.append([moments[name] / moments["m00"] for name in ("mu20", "mu11", "mu02")])
    if not shapes:
        return None
    xx, xy, yy = np.median(np.array(shapes), axis=0).tolist()
    middle, spread = (xx + yy) / 2, math.hypot((xx - yy) / 2, xy)
    if middle <= spread:
        return None
    # Image y points down.
    turn = 0.5 * math.atan2(2 * xy, xx - yy)
    ahead = math.cos(turn) * (pool.keyhole.x - pool.x) + math.sin(turn) * (pool.keyhole.y - pool.y)
    known = pool.keyhole.seen and abs(ahead) > _AHEAD * 4 * math.sqrt(middle + spread)
    deg = -math.degrees(turn) + (180.0 if known and ahead < 0 else 0.0)
    return Orientation((deg + 180.0) % 360.0 - 180.0, math.sqrt((middle + spread) / (middle - spread)), known)
