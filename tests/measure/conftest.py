"""A small simulated clip and its measurement, made once."""

from __future__ import annotations

import pytest

import poolwatch
from tests.rendered_once import rendered

SCENE = {
    "frames": 800,
    "seed": 21,
    "camera": {"width": 200, "height": 120, "mm_per_px": 0.03, "exposure_s": 2e-5},
    "pool": {
        "length": {"tones": [{"frequency_hz": 310, "amplitude": 0.04}], "noise_sd": 0.02},
        "width": {"tones": [{"frequency_hz": 520, "amplitude": 0.03}], "noise_sd": 0.01},
    },
    "keyhole": {
        "brightness": 0.7,
        "motion": {"tones": [{"frequency_hz": 880, "amplitude": 0.1}], "noise_sd": 0.03},
    },
    "spatter": {"rate_per_s": 300, "diameter_mm": 0.15},
}
FACTS = {
    "record_rate_hz": 10_000.0,
    "mm_per_px": 0.03,
    "travel_speed_mm_s": 100.0,
    "exposure_s": 2e-5,
    "material": "austenitic-stainless",
    "beam_shape": "twin-spot",
}


@pytest.fixture(scope="session")
def weld_clip(tmp_path_factory):
    """The clip as MKV, with its truth beside it."""
    return rendered(tmp_path_factory, SCENE, "mkv-ffv1")


@pytest.fixture(scope="session")
def measured(weld_clip):
    """The clip measured."""
    return poolwatch.measure_clip(weld_clip, **FACTS)


@pytest.fixture(scope="session")
def facts():
    """What is known of the clip."""
    return dict(FACTS)
