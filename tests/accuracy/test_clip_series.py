"""Fluctuations and planted tones from whole recordings, film to score row, against what was put in.

The default run films one weld seven ways and another once; with ``-m long`` every weld is filmed every way. The welds
differ in seed, direction, tones and red noise.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from poolwatch.measure import MeasureSettings, measure_clip
from poolwatch.simulate import Scene, Simulation, write_simulation
from poolwatch.stability import Peak, Series, peaks, spectrum

RATE, FRAMES, MM = 6000.0, 1200, 0.025

Motions = dict[str, dict[str, Any]]


def tone(hz: float, amplitude: float) -> dict[str, float]:
    return {"frequency_hz": hz, "amplitude": amplitude}


def red(sd: float, time_s: float = 1e-3) -> dict[str, Any]:
    return {"noise_sd": sd, "noise_time_s": time_s}


WELDS: dict[str, tuple[int, float, Motions]] = {
    "tones": (
        31, 0.0,
        {
            "length": {"tones": [tone(90.9, 0.05), tone(633.0, 0.03)], **red(0.003)},
            "width": {"tones": [tone(251.3, 0.04)], **red(0.003)},
            "keyhole": {"tones": [tone(803.7, 0.09)], **red(0.005)},
        },
    ),
    "tones in red noise": (
        77, 90.0,
        {
            "length": {"tones": [tone(173.3, 0.03)], **red(0.03)},
            "width": {"tones": [tone(411.7, 0.03)], **red(0.02)},
            "keyhole": {"tones": [tone(689.1, 0.06)], **red(0.05)},
        },
    ),
    "red noise": (
        5, 30.0,
        {"length": red(0.05, 1.5e-3), "width": red(0.04, 1.2e-3), "keyhole": red(0.09)},
    ),
}  # fmt: skip

CAMERAS: dict[str, dict[str, Any]] = {
    "as it is": {},
    "half the brightness": {"gain": 0.5},
    "half the scale": {"mm_per_px": 2 * MM},
    "12 bit": {"depth_bits": 12},
    "16 bit": {"depth_bits": 16},
    "half the rate": {"rate_hz": RATE / 2},
    "twice the noise": {"read_noise": 0.008, "electrons_full_scale": 5000.0},
}

USUAL = [("tones", name) for name in CAMERAS] + [("tones in red noise", "as it is")]
CASES = [
    pytest.param(weld, name, marks=[] if (weld, name) in USUAL else pytest.mark.long)
    for weld in WELDS
    for name in CAMERAS
]

SIGNALS = {
    "length": ("pool_length", "pool_length_mm", "length_mm"),
    "width": ("pool_width", "pool_width_mm", "width_mm"),
    "keyhole": ("keyhole_brightness", "keyhole_brightness", "keyhole_brightness"),
}


@dataclass(frozen=True)
class Told:
    """What a recording told of one signal: variation over the true one, duration, peaks, mean."""

    share: float
    duration_s: float
    peaks: list[Peak]
    mean: float


def film(scene: Scene, folder: Path, lights: dict[int, NDArray[np.float32]]) -> Path:
    """Write a clip; the light of a moment that another sensor has seen is not rendered again."""
    render = Simulation._light

    def light(self: Simulation, moment: int) -> NDArray[np.float32]:
        if moment not in lights:
            lights[moment] = render(self, moment)
        return lights[moment]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Simulation, "_light", light)
        return write_simulation(scene, folder, format="npy")


@cache
def lights_of(weld: str) -> dict[int, NDArray[np.float32]]:
    """Rendered light of a weld at the usual scale and rate, moment by moment."""
    return {}


@cache
def told(folder: Path, weld: str, way: str) -> dict[str, Told]:
    seed, direction, motions = WELDS[weld]
    camera = {"rate_hz": RATE, "mm_per_px": MM, "direction_deg": direction, **CAMERAS[way]}
    # The same field of view in mm at every scale.
    turned = np.radians(direction)
    wide, high = (
        4.0 * abs(np.cos(turned)) + 2.0 * abs(np.sin(turned)),
        4.0 * abs(np.sin(turned)) + 2.0 * abs(np.cos(turned)),
    )
    scene = Scene.checked(
        {
            "frames": round(FRAMES * camera["rate_hz"] / RATE),
            "seed": seed,
            "camera": {
                "width": 8 * round(wide / camera["mm_per_px"] / 8),
                "height": 8 * round(high / camera["mm_per_px"] / 8),
                **camera,
            },
            "pool": {"hot": 0.5, "length": motions["length"], "width": motions["width"]},
            "keyhole": {"brightness": 0.72, "diameter_mm": 0.4, "motion": motions["keyhole"]},
        },
        where="test",
    )
    same_view = camera["mm_per_px"] == MM and camera["rate_hz"] == RATE
    clip = film(scene, folder / f"{weld} {way}".replace(" ", "_"), lights_of(weld) if same_view else {})
    facts = {"record_rate_hz": camera["rate_hz"], "mm_per_px": camera["mm_per_px"]}
    found = measure_clip(
        clip, settings=MeasureSettings(spatter_on=False), travel_direction_deg=direction, travel_speed_mm_s=100.0, **facts
    )  # fmt: skip
    row = found.score.iloc[0]
    start, stop = (round(row[f"steady_{end}_s"] * camera["rate_hz"]) for end in ("start", "end"))
    true = pd.read_csv(clip.parent / "truth_frames.csv").iloc[start:stop]
    out = {}
    for name, (signal, column, true_column) in SIGNALS.items():
        values = found.frames[column].to_numpy(dtype=np.float64)[start:stop]
        series = Series(signal, values, camera["rate_hz"])
        settings = MeasureSettings().stability
        out[name] = Told(
            share=row[f"{signal}_cv"] / (true[true_column].std() / true[true_column].mean()),
            duration_s=(stop - start) / camera["rate_hz"],
            peaks=peaks(spectrum(series, settings), series, settings),
            mean=float(np.nanmean(values)),
        )
    return out


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("films")


@pytest.mark.often("tones-as it is")
@pytest.mark.parametrize(("weld", "way"), CASES)
def test_variation_is_that_of_the_weld(films: Path, weld: str, way: str) -> None:
    base = told(films, weld, "as it is")
    for name, one in told(films, weld, way).items():
        assert one.duration_s > 0.19, name
        assert one.share == pytest.approx(1.0, abs=0.05), name
        assert one.share / base[name].share == pytest.approx(1.0, abs=0.05), name


@pytest.mark.often("tones-as it is", "half the brightness")
@pytest.mark.parametrize(("weld", "way"), [case for case in CASES if "tones" in case.values[0]])
def test_planted_tones_are_found(films: Path, weld: str, way: str) -> None:
    motions = WELDS[weld][2]
    for name, one in told(films, weld, way).items():
        for planted in motions[name]["tones"]:
            peak = min(one.peaks, key=lambda p: abs(p.frequency_hz - planted["frequency_hz"]))
            assert abs(peak.frequency_hz - planted["frequency_hz"]) < 0.2 / one.duration_s, name
            # Red noise about the tone is the pool's own and shifts the best fit: its uncertainty says by how much.
            slack = 0.05 * planted["amplitude"]
            if weld != "tones":
                slack += 2.0 * peak.amplitude_u / one.mean
            assert peak.amplitude / one.mean == pytest.approx(planted["amplitude"], abs=slack), name
