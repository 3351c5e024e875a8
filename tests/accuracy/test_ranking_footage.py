"""The whole way from invented footage to the order of the shapes: rates, scales, gains and lengths mixed.

By default one small trial runs, with ``-m long`` one of five shapes with four welds each. ``POOLWATCH_FULL_TRIALS=20
pytest -n 0 -m long tests/accuracy/test_ranking_footage.py`` runs twenty of those, half an hour: the true order must come out
in nineteen.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from poolwatch.simulate import Scene, write_simulation
from poolwatch.trial.run import run_trial

NAMES = ("single-spot", "twin-spot", "flat-top", "crescent", "ring")
FULL = int(os.environ.get("POOLWATCH_FULL_TRIALS", "1"))


def scene(rng: np.random.Generator, u: float, frames: int) -> Scene:
    """A glowing weld whose every unsteadiness grows with `u`, through a camera of its own."""
    rate = float(rng.choice([5_000.0, 8_000.0, 10_000.0]))
    gain = float(rng.uniform(0.75, 1.0))
    scale = float(rng.choice([0.028, 0.032]))

    def motion(sd: float, time_s: float, hz: float, amplitude: float) -> dict[str, Any]:
        tone = {"frequency_hz": hz * rng.uniform(0.9, 1.1), "amplitude": amplitude * u}
        return {"noise_sd": sd * u, "noise_time_s": time_s, "tones": [tone]}

    return Scene.checked(
        {
            "travel_speed_mm_s": 100.0,
            "seed": int(rng.integers(1 << 31)),
            "frames": round(frames * rate / 10_000 * rng.uniform(0.8, 1.2)),
            "camera": {
                "width": 176, "height": 88, "mm_per_px": scale, "rate_hz": rate, "exposure_s": 2e-5,
                "psf_sigma_px": 0.8, "read_noise": 0.001, "electrons_full_scale": 30_000.0,
            },
            "pool": {
                "length_mm": 2.2, "width_mm": 1.2, "taper": 0.45, "hot": 0.5 * gain, "rim": 0.27 * gain,
                "halo": 0.04 * gain, "background": 0.008, "ripple": min(0.06 * u, 0.3),
                "length": motion(0.025, 8e-4, 300.0, 0.02),
                "width": motion(0.018, 5e-4, 450.0, 0.012),
                "sway": {"noise_sd": 0.015 * u, "noise_time_s": 8e-4},
            },
            "keyhole": {
                "brightness": 0.68 * gain, "diameter_mm": 0.36, "collapses_per_s": 20.0 * u, "collapse_depth": 0.5,
                "motion": motion(0.05, 3e-4, 700.0, 0.03),
            },
            "spatter": {
                "rate_per_s": 400.0 * u, "direction_deg": 180.0, "spread_deg": 150.0, "speed_mm_s": 1100.0,
                "diameter_mm": 0.07, "diameter_sigma": 0.3, "brightness": 0.75 * gain, "fade_s": 8e-3,
            },
        },
        where="invented weld",
    )  # fmt: skip


def make_trial(place: Path, seed: int, shapes: int, welds: int, frames: int) -> tuple[Path, list[str]]:
    """Clips and manifest of a trial; the shapes' names from steadiest to least steady."""
    rng = np.random.default_rng(seed)
    order = list(rng.permutation(NAMES[:shapes]))
    lines = ["clip,beam_shape,replicate,record_rate_hz,mm_per_px,travel_speed_mm_s,exposure_s,material"]
    for step, shape in enumerate(order):
        for replicate in range(1, welds + 1):
            u = 0.5 * 1.4**step * float(rng.lognormal(0, 0.05))
            one = scene(rng, u, frames)
            clip = write_simulation(
                one, place, name=f"{shape}-{replicate}", truth_dir=place / "truth" / f"{shape}-{replicate}"
            )
            facts = f"{one.camera.rate_hz:g},{one.camera.mm_per_px:g},100,2e-5,austenitic-stainless"
            lines.append(f"{clip.name},{shape},{replicate},{facts}")
    manifest = place / "manifest.csv"
    manifest.write_text("\n".join(lines) + "\n")
    return manifest, order


def order_found(place: Path, seed: int, shapes: int, welds: int, frames: int) -> float:
    manifest, order = make_trial(place, seed, shapes, welds, frames)
    result = run_trial(manifest, place / "out", workers=2, overlay=False, report=False)
    assert result.ranking.excluded.empty
    assert result.basis.band_hz is not None
    table = result.ranking.table
    print(table.to_string(), result.ranking.notes, result.notes, sep="\n")
    return float(
        stats.kendalltau([order.index(shape) for shape in table["beam_shape"]], range(shapes)).statistic
    )


@pytest.mark.long
def test_steadier_shape_comes_first_in_a_small_trial(tmp_path: Path) -> None:
    assert order_found(tmp_path, 3, shapes=2, welds=2, frames=500) > 0.999


@pytest.mark.long
def test_true_order_in_nineteen_of_twenty_trials(tmp_path: Path) -> None:
    right = sum(order_found(tmp_path / str(seed), seed, 5, 4, 900) > 0.999 for seed in range(100, 100 + FULL))
    assert right >= 0.95 * FULL
