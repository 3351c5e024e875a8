"""Where the beam makes several spots, the keyhole's brightness is that of all of them, not of what lies between."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.pool import find_pool, learn_pool
from poolwatch.pool.settings import PoolSettings
from poolwatch.simulate import Scene, Simulation


@pytest.mark.parametrize(
    ("spots", "direction", "scale"),
    [
        ([[0.16, 0.0], [-0.16, 0.0]], 0.0, 0.02),
        ([[0.0, 0.18], [0.0, -0.18]], 40.0, 0.024),
        ([[0.12, 0.12], [0.12, -0.12], [-0.14, 0.0]], 180.0, 0.018),
        ([[0.0, 0.0]], 90.0, 0.02),
    ],
)
def test_brightness_of_every_spot_counts(spots: list[list[float]], direction: float, scale: float) -> None:
    scene = Scene.checked(
        {
            "frames": 160,
            "seed": 17,
            "camera": {"mm_per_px": scale, "direction_deg": direction, "width": 256, "height": 192},
            "pool": {"hot": 0.45, "rim": 0.27},
            "keyhole": {
                "spots_mm": spots,
                "diameter_mm": 0.22,
                "brightness": 0.78,
                "motion": {"noise_sd": 0.06},
            },
        },
        where="test",
    )
    film = Simulation(scene)
    frames = film.frames(0, 160)
    truth = film.truth_frames["keyhole_brightness"].to_numpy()
    forward = (float(np.cos(np.radians(direction))), -float(np.sin(np.radians(direction))))
    look = learn_pool(frames[::4], 255.0, forward=forward, settings=PoolSettings())
    assert len(look.keyhole.spots) == len(spots)
    seen = np.array(
        [find_pool(frame, look, forward=forward, settings=PoolSettings()).keyhole for frame in frames]
    )
    ok = np.isfinite(seen) & np.isfinite(truth)
    assert ok.mean() > 0.98
    assert np.corrcoef(seen[ok], truth[ok])[0, 1] > 0.97
    relative = (seen[ok].std() / seen[ok].mean()) / (truth[ok].std() / truth[ok].mean())
    assert relative == pytest.approx(1.0, abs=0.05)
