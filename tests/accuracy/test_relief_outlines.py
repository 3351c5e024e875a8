"""Illuminated pools in footage by another hand (``../shared/footage/relief.py``), where motion alone shows little.

More scenes, drawn at random: `relief_outlines.py`.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from poolwatch.pool import PoolSettings
from poolwatch.pool.illuminated import find_illuminated, learn_illuminated, window_length

RELIEF = Path(__file__).resolve().parents[3] / "shared" / "footage" / "relief.py"
pytestmark = pytest.mark.skipif(
    not RELIEF.exists(), reason="footage by another hand is not beside this checkout"
)


@pytest.mark.parametrize(
    ("scene", "bias"),
    [
        # Marks along travel slide along the sides, and the liquid is calm: front, tail and glints alone move.
        ({"seed": 14, "standing": True, "travel_mm_s": 60.0, "wave_slope": 0.2, "shape_px": (120, 240)}, 1.0),
        pytest.param(
            {"seed": 37, "standing": True, "travel_mm_s": 60.0, "wave_slope": 0.2, "shape_px": (120, 240)},
            1.0,
            marks=pytest.mark.long,
        ),
    ],
    ids=["standing, marks along travel", "standing, another"],
)
def test_pools_of_which_motion_shows_parts_are_found(scene, bias):
    spec = importlib.util.spec_from_file_location("relief", RELIEF)
    assert spec is not None
    assert spec.loader is not None
    relief = sys.modules.setdefault("relief", importlib.util.module_from_spec(spec))
    spec.loader.exec_module(relief)
    frames, truth = relief.render(relief.Relief(n_frames=120, mm_per_px=0.025, **scene))
    length = window_length(8000.0, len(frames))
    starts = np.linspace(0, len(frames) - length, 8).astype(int)
    settings = PoolSettings()
    look = learn_illuminated(
        np.array([frames[s : s + length] for s in starts]), 255.0, forward=(1.0, 0.0), settings=settings
    )
    pools = find_illuminated(frames, 0, 60, look, forward=(1.0, 0.0), settings=settings)
    ok = np.array([p.status == "ok" for p in pools])
    along = np.array([p.front - p.rear for p in pools]) - np.array(truth["length_mm"][:60]) / 0.025
    across = np.array([p.left - p.right for p in pools]) - np.array(truth["width_mm"][:60]) / 0.025
    assert ok.mean() >= 0.95
    for off in (along[ok], across[ok]):
        assert abs(off.mean()) < bias
        assert off.std() < 1.5
