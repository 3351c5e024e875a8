"""Particles in lit scenes: dark, half-lit, with shadows; the truth says which is which."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from poolwatch.simulate import Scene, Simulation

pytestmark = pytest.mark.slow

FLYING = {"rate_per_s": 4000.0, "speed_mm_s": 1200.0, "diameter_mm": 0.2, "diameter_sigma": 0.1}


def lit(**spatter: Any) -> Simulation:
    camera = {"width": 340, "height": 280, "exposure_s": 1e-6}
    lighting = {"texture": 0.0, "ripple_marks": 0.0, "gradient": 0.0, "metal": 0.4}
    scene = {"kind": "illuminated", "frames": 40, "camera": camera, "lighting": lighting}
    return Simulation(Scene.checked({**scene, "spatter": {**FLYING, **spatter}}, where="test"))


def seen_alone(sim: Simulation, margin: float) -> list[tuple[float, float, int, float, int]]:
    """Sightings far from all others, the pool and the border: x, y, frame, radius, particle."""
    truth, born = sim.truth_sightings, sim.truth_spatter.set_index("particle")
    out = []
    for frame, there in truth.groupby("frame"):
        places = there[["x_px", "y_px"]].to_numpy()
        around = sim.outline(int(frame))
        for k, row in enumerate(there.itertuples()):
            others = np.delete(places, k, axis=0)
            away = [np.hypot(*(points - places[k]).T).min() for points in (others, around) if len(points)]
            inside = min(row.x_px, row.y_px, 339 - row.x_px, 279 - row.y_px)
            if min(*away, inside) > margin and row.visible > 0.99:
                radius = float(born.diameter_px[row.particle]) / 2
                out.append((row.x_px, row.y_px, int(frame), radius, int(row.particle)))
    assert len(out) >= 12
    return out[:16]


def test_a_share_is_dark_and_the_truth_says_which() -> None:
    sim = lit(dark_share=0.5, dark_brightness=0.05, brightness=0.8)
    born = sim.truth_spatter.set_index("particle")
    assert set(born.brightness) == {0.05, 0.8}
    for x, y, frame, _, particle in seen_alone(sim, 20.0):
        tone = sim.light(frame)[round(y), round(x)]
        assert tone == pytest.approx(born.brightness[particle], abs=0.03)


def test_a_shadow_takes_its_share_on_the_far_side_and_runs_away() -> None:
    few = {"rate_per_s": 2500.0}
    sim, plain = lit(shadow=0.5, shadow_deg=90.0, shadow_run=0.25, **few), lit(**few)
    birth = sim.truth_spatter.set_index("particle").birth_frame
    ages, shifts = [], []
    for x, y, frame, radius, particle in seen_alone(plain, 26.0):
        lost = plain.light(frame) - sim.light(frame)
        near = np.s_[max(round(y) - 24, 0) : round(y) + 25, max(round(x) - 24, 0) : round(x) + 25]
        row, column = np.nonzero(lost[near] > 0.05)
        if len(row) < 0.7 * np.pi * radius**2:
            continue
        assert lost[near].max() < 0.205
        ages.append(frame - birth[particle])
        # Left of travel to the right is up in the picture.
        assert abs(column.mean() + near[1].start - x) < 1.0
        shifts.append(y - (row.mean() + near[0].start))
    assert len(ages) >= 8
    assert min(shifts) > 0
    assert np.corrcoef(ages, shifts)[0, 1] > 0.3


def test_a_half_lit_disc_is_brighter_toward_the_lamp() -> None:
    sim = lit(half_lit=0.8, brightness=0.5, shadow_deg=0.0)
    for x, y, frame, radius, _ in seen_alone(sim, 20.0):
        light = sim.light(frame)
        step = round(0.5 * radius)
        middle = light[round(y), round(x)]
        assert middle == pytest.approx(0.5, abs=0.1)
        # Shadows fall to the front, to the right: the lamp is on the left.
        assert light[round(y), round(x) - step] > middle > light[round(y), round(x) + step]


def test_glowing_scenes_have_no_shadows() -> None:
    scene = {"frames": 4, "camera": {"width": 160, "height": 96}, "spatter": {**FLYING, "shadow": 0.5}}
    shaded = Simulation(Scene.checked(scene, where="test"))
    plain = Simulation(Scene.checked({**scene, "spatter": FLYING}, where="test"))
    np.testing.assert_array_equal(shaded.frames(0, 4), plain.frames(0, 4))
