"""Where no keyhole can be seen nothing is said of it, nor of what is counted from the beam's place."""

from __future__ import annotations

import numpy as np
import pytest

import poolwatch
from poolwatch.simulate import Scene, write_simulation

pytestmark = pytest.mark.slow

COUNTED = ["pool_front_mm", "pool_rear_mm", "pool_centre_x_mm", "pool_centre_y_mm"]


@pytest.mark.often("pool1")
@pytest.mark.parametrize(
    ("pool", "camera", "keyhole"),
    [
        # Blown out but for the tail, whose dimmer end is no dark keyhole.
        ({"rim": 1.2, "hot": 2.0}, {"direction_deg": 30.0}, {}),
        ({"rim": 0.3, "hot": 0.3}, {}, {"spots_mm": []}),
    ],
)
def test_columns_that_rest_on_the_keyhole_are_empty(tmp_path, pool, camera, keyhole):
    scene = {
        "frames": 120,
        "seed": 57,
        "camera": {"width": 220, "height": 200, "mm_per_px": 0.025, "exposure_s": 2e-5, **camera},
        "pool": pool,
        "keyhole": keyhole,
        "spatter": {"rate_per_s": 1500},
    }
    clip = write_simulation(Scene.checked(scene, where="test"), tmp_path, format="npy")
    direction = camera.get("direction_deg", 0.0)
    found = poolwatch.measure_clip(
        clip, record_rate_hz=10_000.0, mm_per_px=0.025, travel_direction_deg=direction, workers=1
    )
    assert "keyhole_unseen" in found.flags
    assert not {"keyhole_faint", "keyhole_small", "pool_askew"} & set(found.flags)
    assert not found.run["look"]["keyhole_seen"]
    frames = found.frames
    ok = frames["status"] == "ok"
    assert ok.mean() > 0.9
    assert frames[[*COUNTED, "keyhole_brightness", "keyhole_area_mm2"]].isna().all(axis=None)
    assert frames.loc[ok, ["pool_length_mm", "pool_width_mm", "pool_area_mm2"]].notna().all(axis=None)
    assert len(found.spatter) > 3
    assert found.spatter[["first_x_mm", "first_y_mm"]].isna().all(axis=None)
    assert found.spatter[["speed_mm_s", "diameter_mm"]].notna().all(axis=None)
    score = found.score.iloc[0]
    assert np.isnan(score["keyhole_brightness_mean"])
    assert np.isfinite(score["stability_index"])


@pytest.mark.long
def test_nothing_is_weighed_without_a_scale(tmp_path):
    scene = {"frames": 120, "seed": 58, "spatter": {"rate_per_s": 1500}}
    clip = write_simulation(Scene.checked(scene, where="test"), tmp_path, format="npy")
    facts = {"record_rate_hz": 10_000.0, "travel_speed_mm_s": 100.0, "material": "austenitic-stainless"}
    bare = poolwatch.measure_clip(clip, workers=1, **facts)
    assert len(bare.spatter) > 3
    assert bare.spatter["mass_ug"].isna().all()
    assert np.isnan(bare.score["spatter_mass_mg_per_m"].iloc[0])
    known = poolwatch.measure_clip(clip, workers=1, mm_per_px=0.02, **facts)
    assert known.spatter["mass_ug"].notna().all()
