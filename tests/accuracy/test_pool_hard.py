"""Outline under what real footage has: flicker, gain drift, plume, shake, bad frames, hot trails, saturation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poolwatch.pool import PoolSettings
from poolwatch.pool.tail import NARROW, end_width
from poolwatch.simulate.presets import shape_values

MOTION = {
    "length": {"tones": [{"frequency_hz": 310, "amplitude": 0.05}], "noise_sd": 0.02},
    "width": {"tones": [{"frequency_hz": 470, "amplitude": 0.03}], "noise_sd": 0.01},
}
CAMERAS = [{"width": 260, "height": 150}, {"width": 220, "height": 220, "direction_deg": 140}]


def robust(error):
    """Scatter without the frames that the clip-wide check for jumps leaves out."""
    return 1.4826 * np.median(np.abs(error - np.median(error)))


@pytest.mark.often("camera0")
@pytest.mark.parametrize("camera", CAMERAS)
def test_flicker_gain_plume_shake_and_bad_frames(pool_scene, camera):
    scene = {
        "seed": 201,
        "camera": camera,
        "pool": MOTION,
        "disturbances": {
            "flicker_sd": 0.06,
            "gain_fall": 0.35,
            "shake_px": 0.6,
            "plume": {},
            "blown_share": 0.02,
            "black_share": 0.02,
        },
    }
    found = pool_scene(scene, 200)
    states = found.truth.state.to_numpy()
    for pool, state in zip(found.pools, states, strict=True):
        assert pool.status == state
    for what in ("length", "width"):
        error = found.error(what)
        assert abs(np.median(error)) < 0.3
        assert robust(error) < 0.3
        assert np.mean(np.abs(error) > 1) < 0.02


@pytest.mark.long
@pytest.mark.parametrize("seed", [204, 205])
def test_puffs_at_the_rim_that_outshine_the_usual_level(pool_scene, seed):
    plume = {"brightness": 0.12, "size_mm": 0.3, "life_s": 0.003, "puffs": 4, "flicker_sd": 0.3}
    pool = {**MOTION, "length_mm": 2.4, "width_mm": 1.2, "rim": 0.27, "halo": 0.07}
    camera = {"width": 224, "height": 140, "mm_per_px": 0.025}
    scene = {"seed": seed, "camera": camera, "pool": pool, "disturbances": {"plume": plume}}
    found = pool_scene(scene, 150)
    assert found.ok.mean() > 0.97
    for what in ("length", "width"):
        assert np.mean(np.abs(found.error(what)) > 1.5) < 0.02


@pytest.mark.long
@pytest.mark.parametrize(("seed", "direction"), [pytest.param(525, -80, marks=pytest.mark.long), (528, 60)])
def test_ripples_plume_and_trail_together(pool_scene, seed, direction):
    # Every frame counts here: a dark ripple across the tail, or a raised level that keeps puffs out, cut 2 % of the
    # pools short by up to 20 px.
    values = {**shape_values("single-spot"), "spatter": {}}
    scene = {**values, "seed": seed, "camera": {"width": 224, "height": 190, "direction_deg": direction}}
    found = pool_scene(scene, 400)
    assert found.ok.mean() > 0.98
    for what in ("length", "width"):
        error = found.error(what)
        assert abs(error.mean()) < 0.15
        assert error.std() < 0.5
        assert np.mean(np.abs(error) > 1.5) < 0.012


@pytest.mark.long
def test_light_around_a_small_pool_is_not_taken_for_a_dim_pool(pool_scene):
    # The pool grows and shrinks under a plume that is there all along: what is said of it must be right, or nothing.
    values = shape_values("single-spot")
    camera = {"width": 200, "height": 160, "rate_hz": 5000.0, "mm_per_px": 0.025}
    welds = [{"start_s": 0.01, "stop_s": 0.05}]
    found = pool_scene({**values, "seed": 523, "camera": camera, "welds": welds, "ramp_s": 0.02}, 360)
    error = np.abs(found.error("length"))
    assert found.ok.sum() > 200
    assert np.mean(error > 3) < 0.03


def test_pool_that_dims_to_a_seventh(pool_scene):
    values = shape_values("crescent")
    camera = {"width": 200, "height": 140, "depth_bits": 12, "mm_per_px": 0.025}
    found = pool_scene({**values, "seed": 524, "camera": camera, "disturbances": {"gain_fall": 0.92}}, 150)
    assert found.ok.mean() > 0.98
    assert np.mean(np.abs(found.error("length")) > 1.5) < 0.03


@pytest.mark.often("1.0-0.3-camera0", "2.0-0.6-camera1")
@pytest.mark.parametrize("camera", CAMERAS)
@pytest.mark.parametrize(("fade", "width"), [(1.0, 0.3), (2.0, 0.6)])
def test_hot_trail_at_three_quarters_of_the_pool(pool_scene, camera, fade, width):
    trail = {"share": 0.75, "fade_mm": fade, "width_share": width}
    found = pool_scene({"seed": 202, "camera": camera, "pool": MOTION, "disturbances": {"trail": trail}}, 100)
    assert found.ok.all()
    for what in ("length", "width"):
        error = found.error(what)
        assert abs(error.mean()) < 0.4
        assert error.std() < 0.4


@pytest.mark.parametrize("camera", CAMERAS)
def test_keyhole_darker_than_the_pool(pool_scene, camera):
    found = pool_scene({"seed": 203, "camera": camera, "pool": MOTION, "keyhole": {"brightness": 0.3}}, 60)
    assert found.ok.all()
    assert abs(found.error("length").mean()) < 0.1
    assert found.error("length").std() < 0.1


def test_rippling_surface(pool_scene):
    found = pool_scene({"seed": 204, "camera": CAMERAS[0], "pool": {**MOTION, "ripple": 0.15}}, 150)
    assert found.ok.mean() > 0.99
    assert abs(found.error("length").mean()) < 0.2
    assert robust(found.error("length")) < 0.2


# Rim at 1.2 to 1.5 of full scale, so that the step is clipped half-way up: the bar is 0.6 px, reached are 0.2 px. The
# seeds are others than those the method was made on; more conditions are in `test_pool_blown.py`.
BLOWN = [
    {"seed": 231, "camera": {"width": 220, "height": 120, "gain": 4}},
    {"seed": 232, "camera": {"width": 220, "height": 120, "gain": 5, "depth_bits": 12}},
    {"seed": 233, "camera": {"width": 150, "height": 90, "gain": 5, "mm_per_px": 0.03}},
    {"seed": 234, "camera": {"width": 300, "height": 170, "gain": 4.5, "mm_per_px": 0.014}},
    {"seed": 235, "camera": {"width": 220, "height": 220, "gain": 5, "direction_deg": 63}},
    {"seed": 236, "camera": {"width": 220, "height": 120, "gain": 5, "psf_sigma_px": 1.3}},
    {"seed": 237, "camera": {"width": 220, "height": 120, "gain": 5, "psf_sigma_px": 0.65}},
    {"seed": 238, "camera": {"width": 220, "height": 120}, "pool": {"rim": 1.4, "hot": 2.5, "halo": 0.15}},
    {"seed": 239, "camera": {"width": 260, "height": 150, "gain": 5}, "disturbances": {"flicker_sd": 0.06}},
]


# Depth, slant and blur by default; the others with ``-m long``.
OFTEN = {232, 235, 236, 238}


@pytest.mark.parametrize(
    "scene",
    [pytest.param(s, id=str(s["seed"]), marks=[] if s["seed"] in OFTEN else pytest.mark.long) for s in BLOWN],
)
def test_pool_blown_out_to_full_scale(pool_scene, scene):
    found = pool_scene({**scene, "pool": {**MOTION, **scene.get("pool", {})}}, 40)
    assert found.look.clipped > 0.3  # what the flag `pool_saturated` stands on
    assert found.look.edge_clipped > 0.5
    assert found.ok.all()
    for what in ("length", "width"):
        error = found.error(what)
        assert abs(error.mean()) < 0.3, (what, error.mean())
        assert error.std() < 0.2, (what, error.std())


def test_known_spread_outlines_what_is_blown_out_further(pool_scene):
    # Rim at 2.4 of full scale: a spread that the user gives leaves place and height to be found.
    scene = {"seed": 240, "camera": {"width": 220, "height": 120, "gain": 8}, "pool": MOTION}
    spread = math.sqrt(0.9**2 + 1 / 12 + 1 / 6)
    found = pool_scene(scene, 40, PoolSettings(edge_sigma_px=spread))
    for what in ("length", "width"):
        assert abs(found.error(what).mean()) < 0.3


@pytest.mark.parametrize(
    ("seed", "rim", "camera"),
    [
        (241, 1.8, {"psf_sigma_px": 1.1, "direction_deg": 200, "mm_per_px": 0.024}),
        (242, 2.1, {"psf_sigma_px": 0.9, "depth_bits": 12}),
        (243, 2.6, {"psf_sigma_px": 1.0, "direction_deg": 75}),
    ],
)
def test_rims_beyond_that_are_off_by_no_more_without_loss_and_known(pool_scene, seed, rim, camera):
    pool = {**MOTION, "rim": rim, "hot": 2 * rim}
    found = pool_scene({"seed": seed, "camera": {"width": 200, "height": 200, **camera}, "pool": pool}, 24)
    assert found.look.edge_clipped > 0.5  # what the flag `edge_saturated` stands on
    for what in ("length", "width"):
        assert abs(found.error(what).mean()) < 0.3, what
        assert found.error(what).std() < 0.2, what


@pytest.mark.often("camera2", "camera3")
@pytest.mark.parametrize(
    ("taper", "camera", "bar"),
    [
        (0.6, {}, 0.2),
        (0.7, {"direction_deg": 100}, 0.4),
        (0.7, {"mm_per_px": 0.012, "width": 320, "height": 160}, 0.4),
        (0.8, {"direction_deg": 130}, 1.3),
        (0.8, {"mm_per_px": 0.014, "width": 280, "height": 150}, 1.3),
    ],
)
def test_a_pointed_tail_is_followed_to_where_the_blur_hides_it(pool_scene, taper, camera, bar):
    scene = {
        "seed": 250,
        "camera": {"width": 200, "height": 200, **camera},
        "pool": {**MOTION, "taper": taper},
    }
    found = pool_scene(scene, 24)
    assert found.ok.all()
    assert abs(found.error("length").mean()) < bar
    assert found.error("length").std() < 0.2
    direction = math.radians(camera.get("direction_deg", 0))
    ahead, left = (math.cos(direction), -math.sin(direction)), (-math.sin(direction), -math.cos(direction))
    narrow = end_width([p.vertices for p in found.pools], ahead, left, found.look.sigma) < NARROW
    assert narrow == (taper > 0.7)
