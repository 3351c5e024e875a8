"""Illuminated footage in which brightness does not tell liquid from solid says so."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import poolwatch
from poolwatch.pool.illuminated.evidence import BINS, Counts, learn_evidence
from poolwatch.pool.illuminated.rim import RimTone
from poolwatch.pool.illuminated.shading import no_shading
from poolwatch.simulate import Scene, write_simulation

pytestmark = pytest.mark.slow


def test_how_alike_they_are() -> None:
    bins = np.arange(BINS)
    bells = [np.exp(-0.5 * ((bins - at) / 4.0) ** 2) * 1e4 for at in (20, 28, 50)]
    even = np.ones((2, BINS))
    tones = RimTone(0.4, 0.1, 0.1), RimTone(0.4, 0.1, 0.1)

    def alike(liquid: int, solid: int) -> float:
        bright = np.array([bells[liquid], bells[solid]])
        # As many pixels of each share of what rigid motion leaves unexplained.
        both = np.repeat(bright[:, None, :], BINS, axis=1)
        counts = Counts(both, even, bright, 30.0)
        return learn_evidence(counts, 1.0, tones, no_shading()).alike

    assert alike(0, 0) == pytest.approx(0.5)
    # Two bells of one width whose middles are 2 standard deviations apart: 16 % lie beyond the middle between them.
    assert alike(0, 1) == pytest.approx(0.16, abs=0.02)
    assert alike(0, 2) < 0.02


@pytest.mark.parametrize(("liquid", "flagged"), [(0.4, True), (0.15, False)])
def test_it_is_flagged(tmp_path: Path, liquid: float, flagged: bool) -> None:
    scene = {
        "kind": "illuminated",
        "frames": 90,
        "seed": 64,
        "travel_speed_mm_s": 80,
        "camera": {"width": 150, "height": 96, "mm_per_px": 0.03},
        "lighting": {"metal": 0.4, "liquid": liquid, "rim_shade": 0.0, "highlight": 0.1},
    }
    clip = write_simulation(Scene.checked(scene, where="test"), tmp_path, format="npy")
    found = poolwatch.measure_clip(clip, record_rate_hz=10_000, mm_per_px=0.03, travel_speed_mm_s=80)
    assert ("liquid_alike" in found.flags) == flagged
