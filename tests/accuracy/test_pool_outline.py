"""Outline against exact truth: bias and scatter of length, width and area.

A plain sub-pixel edge fit reaches 0.02 to 0.1 px in the literature at good contrast (from memory: Tabatabai &
Mitchell 1984; Steger 1998; Trujillo-Pino 2013).
"""

from __future__ import annotations

import numpy as np
import pytest

MOTION = {
    "length": {"tones": [{"frequency_hz": 310, "amplitude": 0.05}], "noise_sd": 0.02},
    "width": {"tones": [{"frequency_hz": 470, "amplitude": 0.03}], "noise_sd": 0.01},
}


@pytest.mark.often("8 bit-scene0", "12 bit, slanted", "ellipse", "16 bit, back", "half as bright")
@pytest.mark.parametrize(
    ("label", "scene"),
    [
        ("8 bit", {"seed": 101, "camera": {"width": 220, "height": 120}}),
        ("8 bit, up", {"seed": 102, "camera": {"width": 120, "height": 220, "direction_deg": 90}}),
        (
            "12 bit, slanted",
            {"seed": 103, "camera": {"width": 200, "height": 180, "direction_deg": 214, "depth_bits": 12}},
        ),
        (
            "16 bit, back",
            {"seed": 104, "camera": {"width": 220, "height": 120, "direction_deg": 180, "depth_bits": 16}},
        ),
        ("half as bright", {"seed": 105, "camera": {"width": 220, "height": 120, "gain": 0.5}}),
        ("finer", {"seed": 106, "camera": {"width": 330, "height": 180, "mm_per_px": 0.013}}),
        ("softer", {"seed": 107, "camera": {"width": 220, "height": 120, "psf_sigma_px": 1.3}}),
        ("ellipse", {"seed": 108, "camera": {"width": 220, "height": 120}, "pool": {"taper": 0.0}}),
    ],
)
def test_clean_clip_is_measured_to_a_tenth_of_a_pixel(pool_scene, label, scene):
    scene = {**scene, "pool": {**MOTION, **scene.get("pool", {})}}
    found = pool_scene(scene, frames=120)
    assert found.ok.mean() >= 0.995, label
    for what in ("length", "width"):
        error = found.error(what)
        assert abs(error.mean()) < 0.1, (label, what, error.mean())
        assert error.std() < 0.1, (label, what, error.std())
    area = found.error("area")
    assert abs(area.mean()) < 0.003, (label, area.mean())


def test_hundreds_of_pixels_are_as_good_as_a_few_dozen(pool_scene):
    small = pool_scene(
        {"seed": 109, "camera": {"width": 130, "height": 80, "mm_per_px": 0.035}, "pool": MOTION}, 100
    )
    assert abs(small.error("length").mean()) < 0.12
    assert small.error("length").std() < 0.12
    assert abs(small.error("width").mean()) < 0.12
    assert small.error("width").std() < 0.12


def test_spatter_at_the_rim_does_not_stretch_the_pool(pool_scene):
    scene = {
        "seed": 110,
        "camera": {"width": 300, "height": 200},
        "spatter": {"rate_per_s": 2000},
        "pool": MOTION,
    }
    found = pool_scene(scene, frames=300)
    assert found.ok.mean() > 0.97
    error = np.abs(found.error("length"))
    assert np.mean(error > 1.0) < 0.02


@pytest.mark.long
def test_gain_enters_neither_length_nor_area(pool_scene):
    scene = {"seed": 111, "camera": {"width": 220, "height": 120, "depth_bits": 12}, "pool": MOTION}
    full = pool_scene(scene, 60)
    scene["camera"] = {**scene["camera"], "gain": 0.3}
    dim = pool_scene(scene, 60)
    both = [np.array([p.front - p.rear for p in m.pools]) for m in (full, dim)]
    assert abs((both[0] - both[1]).mean()) < 0.05


@pytest.mark.parametrize("state", ["dark", "blown"])
def test_bad_frames_are_named_and_left_out(pool_scene, state):
    key = "black_frames" if state == "dark" else "blown_frames"
    which = [7, 30, 31, 59]
    found = pool_scene(
        {"seed": 112, "camera": {"width": 220, "height": 120}, "disturbances": {key: which}}, 80
    )
    assert [p.status for p in (found.pools[k] for k in which)] == [state] * 4
    assert np.isnan([found.pools[k].area for k in which]).all()
    rest = [p.status for k, p in enumerate(found.pools) if k not in which]
    assert set(rest) == {"ok"}


def test_a_pool_cut_by_the_border_is_not_guessed(pool_scene):
    found = pool_scene({"seed": 113, "camera": {"width": 220, "height": 120, "beam_x_px": 40.0}}, 40)
    assert {p.status for p in found.pools} == {"cut_off"}


@pytest.mark.long
@pytest.mark.often("fine")
@pytest.mark.parametrize(
    ("scene", "spatter"),
    [
        ({"seed": 121, "camera": {"width": 300, "height": 200}}, {}),
        (
            {"seed": 122, "camera": {"width": 240, "height": 200, "mm_per_px": 0.03, "direction_deg": 30}},
            {"diameter_mm": 0.12},
        ),
        pytest.param(
            {"seed": 123, "camera": {"width": 400, "height": 260, "mm_per_px": 0.014}},
            {"diameter_mm": 0.08, "speed_mm_s": 700},
            marks=pytest.mark.long,
        ),
    ],
    ids=["fine", "coarse", "slow and large"],
)
def test_a_shower_leaves_the_outline_alone(pool_scene, scene, spatter):
    found = pool_scene({**scene, "pool": MOTION, "spatter": {"rate_per_s": 1500, **spatter}}, frames=250)
    errors = np.array([found.error("length"), found.error("width")])
    # A particle right on the tip hides it: such a frame jumps, and is marked broken when the clip is put together.
    jumps = np.abs(errors).max(axis=0) > 0.06 * found.look.size_px
    assert found.ok.mean() * (1 - jumps.mean()) >= 0.995
    for error in errors[:, ~jumps]:
        assert abs(error.mean()) < 0.1
        assert error.std() < 0.15
        assert np.mean(np.abs(error) > 1.0) <= 0.005
