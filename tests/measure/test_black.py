"""A recording whose black was cut off: said by a flag, and sharp particles still have their true size."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.measure import measure_clip
from poolwatch.simulate import Scene, write_simulation
from tests.accuracy.spatter_clips import ORDINARY, errors, measure, scene

pytestmark = pytest.mark.slow

CAMERA = {"width": 320, "height": 192}
POOL = {"length_mm": 1.4, "width_mm": 0.8}


@pytest.mark.often("camera0", "camera4")
@pytest.mark.parametrize(
    ("black", "camera", "flagged"),
    [
        (0.01, {}, False),
        (0.0, {"depth_bits": 12}, False),
        # Cut in the middle of the dark noise: half of the zeros are true ones.
        (-0.01, {}, False),
        (-0.03, {}, True),
        (-0.03, {"depth_bits": 12, "left_aligned": True}, True),
    ],
)
def test_flag(tmp_path, black: float, camera: dict, flagged: bool) -> None:
    film = Scene.checked(
        {
            "frames": 40,
            "seed": 8,
            "camera": {"width": 200, "height": 120, "mm_per_px": 0.03, "black_level": black, **camera},
        },
        where="test",
    )
    clip = write_simulation(film, tmp_path, format="tiff-deflate" if camera else "npy")
    found = measure_clip(clip, record_rate_hz=10_000.0, mm_per_px=0.03)
    assert ("black_cut_off" in found.score["flags"].iloc[0].split()) is flagged
    assert (found.run["look"]["black_share"] > 0.6) is flagged


@pytest.mark.long
def test_sizes_where_black_is_cut_off() -> None:
    # By 2 % of full scale below the plate: without upper limits at black the point spread comes out at 0.65 px and
    # particles under 5 px 8 % too large.
    found = measure(
        scene(
            frames=90,
            seed=214,
            camera={**CAMERA, "black_level": -0.03},
            pool=POOL,
            spatter={**ORDINARY, "rate_per_s": 1500.0},
        )
    )
    assert (found.sample == 0).mean() > 0.9
    assert found.look.psf_sigma_px == pytest.approx(0.9, rel=0.03)
    table = errors(found)
    assert len(table) >= 8
    assert np.median(table.diameter / table.diameter_true) == pytest.approx(1, abs=0.02)
