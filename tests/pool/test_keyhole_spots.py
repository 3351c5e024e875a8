"""Where the beam makes several spots, the keyhole's brightness is that of all of them, not of what lies between."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.pool import find_pool, learn_pool
from poolwatch.pool.keyhole import learn_keyhole
from poolwatch.pool.settings import PoolSettings
from poolwatch.simulate import Scene, Simulation

pytestmark = pytest.mark.slow


@pytest.mark.often("spots2")
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


@pytest.mark.parametrize(
    ("direction", "scale", "depth", "spots"),
    [
        (0.0, 0.02, 8, [[0.0, 0.0]]),
        (120.0, 0.016, 12, [[0.05, 0.0]]),
        (-90.0, 0.02, 8, [[0.2, 0.0], [-0.2, 0.0]]),
    ],
)
def test_a_keyhole_darker_than_the_pool_is_found(
    direction: float, scale: float, depth: int, spots: list[list[float]]
) -> None:
    scene = Scene.checked(
        {
            "frames": 160,
            "seed": 23,
            "camera": {
                "mm_per_px": scale, "direction_deg": direction, "width": 256, "height": 256, "depth_bits": depth,
            },
            "keyhole": {
                "brightness": 0.12, "diameter_mm": 0.26, "spots_mm": spots, "motion": {"noise_sd": 0.1},
            },
        },
        where="test",
    )  # fmt: skip
    film = Simulation(scene)
    frames = film.frames(0, 160)
    truth = film.truth_frames
    full = 2.0**depth - 1
    forward = (float(np.cos(np.radians(direction))), -float(np.sin(np.radians(direction))))
    look = learn_pool(frames[::4], full, forward=forward, settings=PoolSettings())
    assert look.keyhole.seen
    assert len(look.keyhole.spots) == len(spots)
    origin = truth[["origin_x_px", "origin_y_px"]].mean().to_numpy()
    left = np.array([forward[1], -forward[0]])
    wanted = origin + np.mean(spots, axis=0) @ np.array([forward, left]) / scale
    assert np.hypot(look.keyhole.x - wanted[0], look.keyhole.y - wanted[1]) < 0.8
    pools = [find_pool(frame, look, forward=forward, settings=PoolSettings()) for frame in frames]
    seen = np.array([pool.keyhole for pool in pools]) / full
    true = truth["keyhole_brightness"].to_numpy()
    # Light from around the spot gets into its middle, more in one frame than in the next no more than this.
    assert np.corrcoef(seen, true)[0, 1] > 0.9
    assert np.median(seen) < 0.6 * np.median([pool.brightness for pool in pools]) / full
    area = np.array([pool.keyhole_area for pool in pools])
    # Half the depth of exp(-(2 r / d)^4) lies on sqrt(ln 2) of the 1/e disc; the level is halfway to the whole pool's
    # brightness, not to that around the spot, so it takes in less.
    disc = len(spots) * np.pi / 4 * (0.26 / scale) ** 2 * np.sqrt(np.log(2))
    assert 0.55 * disc < np.median(area) < 1.1 * disc


@pytest.mark.parametrize("seed", [3, 4, 5, 6])
def test_a_pool_without_a_keyhole_has_no_dark_one(seed: int) -> None:
    scene = Scene.checked(
        {"frames": 60, "seed": seed, "camera": {"width": 256, "height": 192}, "keyhole": {"spots_mm": []},
         "pool": {"rim": 0.3, "hot": 0.5}},
        where="test",
    )  # fmt: skip
    look = learn_pool(
        Simulation(scene).frames(0, 60)[::3], 255.0, forward=(1.0, 0.0), settings=PoolSettings()
    )
    assert look.keyhole.soft > 0


@pytest.mark.parametrize("turn", range(4))
def test_the_flank_of_what_reaches_in_from_the_rim_is_no_keyhole(turn: int) -> None:
    """Where a mask cuts through the brightest place, say: nothing inside is brighter than all around it."""
    yy, xx = np.indices((80, 80))
    inside = np.hypot(xx - 40, yy - 40) < 25
    picture = np.rot90(60.0 + xx, turn).copy()
    found = learn_keyhole(picture, np.rot90(inside, turn).copy(), 255.0, forward=(1.0, 0.0))
    assert not found.seen
    assert np.isfinite((found.x, found.y, found.radius_px, found.reach_px)).all()
