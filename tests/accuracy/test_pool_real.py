"""Real melt-pool frames: what is known of them is their class, and how a person sees them.

Single frames of a laser powder-bed melt pool, Ti-6Al-4V, 12 bits (open research data, MIT licence); heavily
saturated, so lengths are checked to a few pixels against limits read off the pictures by eye.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from poolwatch.model.errors import MeasurementError
from poolwatch.pool import PoolSettings, find_pool, learn_pool

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "real" / "powder-bed-frames"
FULL = 4095 * 16.0
UP = (0.0, -1.0)

pytestmark = pytest.mark.skipif(
    not FOLDER.is_dir(), reason="the real recordings are not beside this checkout"
)


def frame(kind):
    picture = cv2.imread(str(next(FOLDER.glob(f"{kind}_*.png"))), cv2.IMREAD_UNCHANGED)
    # The grey bars at the sides are an artefact of the acquisition.
    return np.ascontiguousarray(picture[:, 34:478])


def look_at(kind):
    picture = frame(kind)
    look = learn_pool(picture[None], FULL, forward=UP, settings=PoolSettings())
    return look, find_pool(picture, look, forward=UP, settings=PoolSettings())


@pytest.mark.parametrize(
    ("kind", "length", "width"),
    # Read off the pictures by eye: the clipped teardrop, and the clipped pool among spatter.
    [("normal", (55, 80), (33, 46)), ("spatters", (75, 95), (42, 58))],
)
def test_pool_is_outlined_and_its_saturation_seen(kind, length, width):
    look, pool = look_at(kind)
    assert pool.status == "ok"
    assert length[0] < pool.front - pool.rear < length[1]
    assert width[0] < pool.left - pool.right < width[1]
    assert look.clipped > 0.3


def test_no_pool_is_found_where_there_is_none():
    with pytest.raises(MeasurementError, match="no pool found"):
        look_at("none")
