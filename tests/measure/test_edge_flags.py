"""A clip whose outline is known less well than usual says so: clipped edges, ends narrower than the blur."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import poolwatch
from poolwatch.measure import MeasureSettings
from poolwatch.measure.convert import _sharper, picture_flags
from poolwatch.measure.inspection import inspect_clip
from poolwatch.model.axes import PoolAxes
from poolwatch.model.recording import Recording
from poolwatch.model.tables import FRAMES
from poolwatch.pool.tail import EdgeSharpness
from poolwatch.simulate import Scene, write_simulation

pytestmark = pytest.mark.slow


def measured(folder, pool, disturbances=None, **camera):
    scene = {
        "frames": 40,
        "seed": 57,
        "camera": {"width": 200, "height": 200, "mm_per_px": 0.025, "exposure_s": 2e-5, **camera},
        "pool": {"length": {"noise_sd": 0.02}, "width": {"noise_sd": 0.01}, **pool},
        "disturbances": disturbances or {},
    }
    clip = write_simulation(Scene.checked(scene, where="test"), folder, format="npy")
    direction = camera.get("direction_deg", 0.0)
    # The edge is learned without particles: they are not looked for.
    settings = MeasureSettings(spatter_on=False)
    return clip, poolwatch.measure_clip(
        clip, record_rate_hz=10_000.0, travel_direction_deg=direction, settings=settings
    )


@pytest.mark.often("pool5")
@pytest.mark.parametrize(
    ("pool", "camera", "flags"),
    [
        ({}, {}, set()),
        ({"taper": 0.6}, {"psf_sigma_px": 0.7}, set()),
        ({"taper": 0.8}, {"direction_deg": 70.0}, {"tail_narrow"}),
        ({"taper": 0.9}, {"psf_sigma_px": 0.6}, {"tail_narrow"}),
        ({"taper": 0.6}, {"psf_sigma_px": 2.0}, {"tail_narrow"}),
        ({}, {"gain": 4.5}, {"edge_saturated", "pool_saturated"}),
        ({"rim": 2.5, "hot": 4.0}, {"direction_deg": 200.0}, {"edge_saturated", "pool_saturated"}),
        # The keyhole's surroundings alone are clipped: the edge is whole.
        ({"hot": 1.3, "rim": 0.3}, {}, set()),
    ],
)
def test_what_is_wrong_with_the_edge_is_flagged(tmp_path, pool, camera, flags):
    clip, found = measured(tmp_path, pool, **camera)
    known = {"edge_saturated", "pool_saturated", "tail_narrow", "tail_faint", "edge_unseen"}
    assert known & set(found.flags) == flags
    recording = Recording(
        record_rate_hz=10_000.0, travel_direction_deg=float(camera.get("direction_deg", 0.0))
    )
    told = {f.name: f for f in inspect_clip(clip, recording=recording).findings}
    assert (told["ends of the pool"].verdict == "poor") == ("tail_narrow" in flags)
    assert (told["saturation of the pool"].verdict == "poor") == ("edge_saturated" in flags)


@pytest.mark.often("0.75")
@pytest.mark.parametrize(("share", "flagged"), [(0.4, False), (0.55, False), (0.75, True), (0.85, True)])
@pytest.mark.parametrize("direction", [pytest.param(0.0, marks=pytest.mark.long), -50.0])
def test_an_end_that_a_hot_bead_hides_is_flagged(tmp_path, share, flagged, direction):
    trail = {"trail": {"share": share, "fade_mm": 1.2}}
    clip, found = measured(tmp_path, {}, trail, direction_deg=direction)
    assert ("tail_faint" in found.flags) == flagged
    recording = Recording(record_rate_hz=10_000.0, travel_direction_deg=direction)
    told = {f.name: f for f in inspect_clip(clip, recording=recording).findings}
    assert (told["behind the tail"].verdict == "good") != flagged


@pytest.mark.often("disturbances0")
@pytest.mark.parametrize(
    ("gain", "disturbances", "wrong"),
    [
        # The bead is at full scale as far as 30 px behind the pool.
        (4.0, {"trail": {"share": 0.75, "fade_mm": 1.2}}, "pool_length_mm"),
        (1.0, {"trail": {"share": 0.97, "fade_mm": 1.2}}, "pool_length_mm"),
        # Puffs beside the pool are at full scale.
        (6.0, {"plume": {"brightness": 0.1}}, "pool_width_mm"),
        # The bead stays below full scale: the end is seen.
        (4.0, {"trail": {"share": 0.3, "fade_mm": 1.2}}, None),
        (4.0, {"plume": {"brightness": 0.03}, "flicker_sd": 0.03}, None),
    ],
)
@pytest.mark.parametrize(
    "camera",
    [
        pytest.param({"direction_deg": 0.0}, marks=pytest.mark.long),
        {"direction_deg": 130.0, "depth_bits": 12},
    ],
)
def test_an_edge_that_what_glows_behind_it_hides_is_flagged(tmp_path, gain, disturbances, wrong, camera):
    clip, found = measured(tmp_path, {}, disturbances, gain=gain, **camera)
    truth = pd.read_csv(clip.parent / "truth_frames.csv")
    assert ("edge_unseen" in found.flags) == (wrong is not None)
    error = {
        name: float(np.nanmedian(found.frames[name] - truth[name.replace("_mm", "_px").replace("pool_", "")]))
        for name in ("pool_length_mm", "pool_width_mm")
    }
    # No scale is given: figures are in px.
    assert abs(error[wrong]) > 4 if wrong else max(map(abs, error.values())) < 1.0
    recording = Recording(record_rate_hz=10_000.0, travel_direction_deg=camera["direction_deg"])
    told = {f.name: f for f in inspect_clip(clip, recording=recording).findings}["behind the tail"]
    assert (told.verdict == "poor") == (wrong is not None)
    assert ("expose shorter" in told.change) == (wrong is not None and gain > 1)


@pytest.mark.parametrize("emptied", [True, False])
def test_keyhole_brightness_that_is_left_empty_has_its_flag(emptied):
    # A tenth of the frames with a fifth of the region clipped: the mean alone would pass as clear.
    frames = FRAMES.frame(
        {
            "frame": np.arange(100),
            "keyhole_saturated": np.where(np.arange(100) % 10 == 0, 0.15, 0.0),
            "keyhole_brightness": np.full(100, np.nan if emptied else 0.9),
            "pool_width_mm": np.full(100, 50.0),
            "gain": np.ones(100),
        }
    )
    look = SimpleNamespace(
        pool=SimpleNamespace(clipped=0.0, keyhole=SimpleNamespace(seen=True)),
        black_share=0.0,
        end_width=9.0,
        edges=EdgeSharpness(),
    )
    assert picture_flags(frames, look, PoolAxes(0, 0, 0)) == ({"keyhole_saturated"} if emptied else set())


@pytest.mark.often("0.6-True")
@pytest.mark.parametrize(("brightness", "flagged"), [(0.6, True), (0.95, False), (0.1, False)])
def test_a_keyhole_hardly_brighter_than_the_pool_is_flagged(tmp_path, brightness, flagged):
    scene = {
        "frames": 60,
        "seed": 58,
        "camera": {"width": 200, "height": 130, "mm_per_px": 0.02, "psf_sigma_px": 0.8},
        "pool": {"hot": 0.55, "rim": 0.45},
        "keyhole": {"brightness": brightness, "diameter_mm": 0.3, "motion": {"noise_sd": 0.08}},
    }
    clip = write_simulation(Scene.checked(scene, where="test"), tmp_path, format="npy")
    found = poolwatch.measure_clip(clip, record_rate_hz=10_000.0)
    assert ("keyhole_faint" in found.flags) == flagged


@pytest.mark.parametrize(
    ("psf", "source", "clipped", "sharper"),
    [
        (1.3, "found", 0.0, True),
        (1.5, "found", 0.0, False),
        (1.3, "pool_edge", 0.0, False),
        (1.3, "given", 0.0, False),
        # A clipped edge is seen through its foot: its spread is no judge.
        (1.3, "found", 0.9, False),
    ],
)
def test_particles_sharper_than_the_pools_edge(psf, source, clipped, sharper):
    pool = SimpleNamespace(sigma=(1.5**2 + 0.25) ** 0.5, edge_clipped=clipped)
    assert _sharper(pool, SimpleNamespace(psf_sigma_px=psf, psf_source=source)) == sharper
    assert not _sharper(pool, None)
