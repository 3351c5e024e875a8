"""Simulated clips with particles, measured and matched with their truth; shared by accuracy tests and benchmark."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, FootageOptions, write_frames
from poolwatch.simulate import Scene, Simulation
from poolwatch.spatter import (
    LateFits,
    Spatter,
    SpatterLook,
    SpatterSettings,
    detect_waiting,
    learn,
    link,
    particles,
)
from tests.spatter.metrics import Metrics, Track, match

GATE_PX = 5.0
BLOCK = 400


@dataclass(frozen=True)
class Clip:
    """A measured clip beside its truth.

    `wanted` are the true particles that a viewer could have seen at least 3 times: wholly in the picture and
    outside the outline.
    """

    simulation: Simulation
    look: SpatterLook
    sample: NDArray[np.unsignedinteger]
    sample_outlines: list[NDArray[np.float64]]
    sightings: NDArray[np.void]
    spatter: Spatter
    wanted: list[int]
    metrics: Metrics
    # Number of a counted particle -> number of the true one.
    pairs: dict[int, int]


def scene(**changes: Any) -> Scene:
    return Scene.model_validate(changes)


def tracks_of(table: pd.DataFrame) -> dict[int, Track]:
    return {
        int(number): dict(zip(rows["frame"], zip(rows["x_px"], rows["y_px"], strict=True), strict=True))
        for number, rows in table.groupby("particle")
    }


def stored(scene: Scene, folder: Path, format: str, **options: Any) -> NDArray[np.unsignedinteger]:
    """All frames of a scene of 8 bits as they come back from a file."""
    drawn = Simulation(scene).frames(0, scene.frames)
    path = write_frames(
        folder / f"clip{FORMATS[format].ending}",
        drawn,
        format=format,
        depth_bits=8,
        options=FootageOptions(**options),
    )
    with open_clip(path) as reader:
        return np.concatenate([block.frames for block in reader.blocks()])


def measure(
    scene: Scene,
    *,
    settings: SpatterSettings | None = None,
    know_exposure: bool = True,
    seen: NDArray[np.unsignedinteger] | None = None,
) -> Clip:
    """`seen`: the frames as a file holds them (see `stored`); None: as they were drawn."""
    simulation, n, camera = Simulation(scene), scene.frames, scene.camera

    def frames(start: int, stop: int) -> NDArray[np.unsignedinteger]:
        return simulation.frames(start, stop) if seen is None else seen[start:stop]

    outlines = [simulation.outline(k) for k in range(n)]
    chosen = [int(k) for k in np.unique(np.linspace(0, n - 1, 60).astype(int))]
    sample = np.concatenate([frames(k, k + 1) for k in chosen])
    around = [outlines[k] for k in chosen]
    look = learn(sample, full_scale=camera.full_scale, outlines=around, settings=settings)
    late = LateFits(look, settings or SpatterSettings())
    found = []
    for start in range(0, n, BLOCK):
        stop = min(n, start + BLOCK)
        part, waiting = detect_waiting(frames(start, stop), outlines[start:stop], look, settings)
        part["frame"] += start
        found.append(late.add(part, waiting, np.arange(start, stop), stop))
    sightings = np.concatenate([*found, late.finish()])
    linked = link(sightings, np.ones(n, dtype=bool), (camera.height, camera.width), settings)
    step = scene.travel_speed_mm_s / camera.mm_per_px / camera.rate_hz
    turn = math.radians(camera.direction_deg)
    spatter = particles(
        linked,
        look,
        lambda k: outlines[k],
        exposure_frames=camera.exposure_s * camera.rate_hz if know_exposure else None,
        metal_px=(-step * math.cos(turn), step * math.sin(turn)),
        settings=settings,
    )
    truth = simulation.truth_sightings
    whole = truth[truth["visible"] > 0.99]
    often = whole.groupby("particle").size()
    wanted = [int(p) for p in often.index[often >= 3]]
    true_tracks = tracks_of(truth[truth["visible"] > 0])
    mine = tracks_of(spatter.sightings[spatter.sightings["particle"] > 0])
    # Recall counts what could be seen three times, precision all that flies.
    metrics, _ = match(list(mine.values()), [true_tracks[p] for p in wanted], GATE_PX)
    names, true_names = list(mine), list(true_tracks)
    every, pairs = match(list(mine.values()), list(true_tracks.values()), GATE_PX)
    partner = {names[j]: true_names[i] for j, i in pairs.items()}
    recall = len(set(partner.values()) & set(wanted)) / len(wanted) if wanted else 1.0
    fair = Metrics(
        metrics.alpha, metrics.beta, metrics.jsc, metrics.jsc_theta, metrics.rmse, recall, every.precision
    )
    return Clip(simulation, look, sample, around, sightings, spatter, wanted, fair, partner)


def errors(clip: Clip) -> pd.DataFrame:
    """One row a counted particle with a partner among the wanted: true, found and standard uncertainty."""
    truth = clip.simulation.truth_spatter.set_index("particle")
    table = clip.spatter.particles.set_index("particle")
    wanted = set(clip.wanted)
    rows = [(p, q) for p, q in clip.pairs.items() if q in wanted]
    mine, true = table.loc[[p for p, _ in rows]], truth.loc[[q for _, q in rows]]
    return pd.DataFrame(
        {
            "diameter": mine["diameter_px"].to_numpy(),
            "diameter_u": mine["diameter_u_px"].to_numpy(),
            "diameter_true": true["diameter_px"].to_numpy(),
            "speed": mine["speed_px"].to_numpy(),
            "speed_u": mine["speed_u_px"].to_numpy(),
            "speed_true": true["speed_px_frame"].to_numpy(),
        }
    )


# Scenes of the bars; 0.02 mm a pixel, 10 kHz: 1000 mm/s are 5 px a frame.
ORDINARY = {"rate_per_s": 300.0, "diameter_mm": 0.13, "diameter_sigma": 0.45, "speed_mm_s": 2500.0}
STREAKS = {
    "rate_per_s": 300.0,
    "diameter_mm": 0.22,
    "diameter_sigma": 0.2,
    "speed_mm_s": 10_000.0,
    "speed_sigma": 0.15,
}
EVIL: list[dict[str, Any]] = [
    {"plume": {"brightness": 0.15, "puffs": 8}, "flicker_sd": 0.03, "flares": {"rate_per_s": 200.0}},
    {"plume": {"brightness": 0.2, "size_mm": 0.15, "speed_mm_s": 1500.0}, "trail": {}, "glare": {"count": 6}, "shake_px": 0.5},
    {"marks": {"rate_per_s": 300.0}, "reflection": {"brightness": 0.2}, "trail": {}, "shake_px": 1.0},
    {"plume": {}, "marks": {}, "trail": {}, "glare": {}, "flares": {}, "reflection": {}, "flicker_sd": 0.02, "shake_px": 0.3},
]  # fmt: skip


def evil(kind: int, *, frames: int, seed: int) -> Scene:
    """No particle at all under everything that looks like one."""
    if kind == len(EVIL):
        return scene(kind="illuminated", frames=frames, seed=seed, disturbances={"flicker_sd": 0.02})
    unrest = {"noise_sd": 0.04, "noise_time_s": 5e-4}
    return scene(
        frames=frames,
        seed=seed,
        disturbances=EVIL[kind],
        pool={"length": unrest, "width": unrest, "ripple": 0.1},
        keyhole={"collapses_per_s": 100.0, "motion": {"noise_sd": 0.1}},
    )
