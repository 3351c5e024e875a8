"""Particles in lit clips drawn at random, by two generators, measured and held against their truth.

``python -m tests.accuracy.lit_spatter COUNT [FIRST]`` draws COUNT clips a row, seeds from FIRST on, and writes the table into
``RESULTS.md``.
"""

from __future__ import annotations

import importlib.util
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np

import poolwatch
from poolwatch.measure import MeasureSettings
from poolwatch.model.errors import PoolwatchError
from poolwatch.simulate import Scene, Simulation
from tests.spatter.metrics import Track, match

GATE_PX, LEAST_PX = 5.0, 4.0
RELIEF = Path(__file__).resolve().parents[3] / "shared" / "footage" / "relief.py"
KINDS = ("bright", "dark", "shadow", "none")
_FRAMES = 160
TITLE = "## Particles in illuminated footage"


@dataclass(frozen=True)
class Flown:
    """One true particle: track, diameter px, speed px a frame, and whether it was whole in three frames."""

    track: Track
    diameter: float
    speed: float
    wanted: bool


@dataclass(frozen=True)
class LitClip:
    """Frames, facts that are given to the measuring, and what flew."""

    frames: np.ndarray
    facts: dict[str, float]
    flown: list[Flown]


@dataclass
class Tally:
    """What came out of some clips; errors relative, and in their own uncertainties."""

    wanted: int = 0
    hit: int = 0
    found: int = 0
    false: int = 0
    unmeasured: int = 0
    size: list[float] = field(default_factory=list)
    speed: list[float] = field(default_factory=list)
    size_z: list[float] = field(default_factory=list)
    speed_z: list[float] = field(default_factory=list)

    @property
    def recall(self) -> float:
        return self.hit / max(self.wanted, 1)

    @property
    def precision(self) -> float:
        return 1 - self.false / max(self.found, 1)

    def row(self, name: str, clips: int) -> str:
        """One row of the table."""

        def middle(values: list[float]) -> str:
            return f"{100 * float(np.median(values)):+.1f} %" if values else ""

        def scatter(values: list[float]) -> str:
            return f"{1.4826 * float(np.median(np.abs(values))):.2f}" if values else ""

        cells = (
            name, str(clips), str(self.wanted), f"{self.recall:.3f}", f"{self.precision:.3f}", str(self.false),
            middle(self.size), middle(self.speed), scatter(self.size_z), scatter(self.speed_z), str(self.unmeasured),
        )  # fmt: skip
        return "| " + " | ".join(cells) + " |"


def own(kind: str, seed: int) -> LitClip:
    """A clip of the project's own generator."""
    rng = np.random.default_rng([KINDS.index(kind), seed])
    mm, rate = float(rng.uniform(0.016, 0.028)), float(rng.choice([6000, 8000, 10_000]))
    tone = float(rng.uniform(0.7, 0.95)) if kind != "dark" else float(rng.uniform(0.02, 0.1))
    spatter: dict[str, Any] = {
        "rate_per_s": 0.0 if kind == "none" else float(rng.uniform(300, 900)) * rate / 8000,
        "speed_mm_s": float(rng.uniform(2.5, 8)) * mm * rate, "speed_sigma": 0.35,
        "diameter_mm": float(rng.uniform(5, 10)) * mm, "diameter_sigma": 0.3, "brightness": tone,
    }  # fmt: skip
    if kind == "shadow":
        spatter |= {"shadow": float(rng.uniform(0.3, 0.7)), "shadow_deg": float(rng.uniform(0, 360)),
                    "shadow_run": float(rng.uniform(0.1, 0.5)), "dark_share": float(rng.choice([0.0, 0.5]))}  # fmt: skip
    scene = {
        "kind": "illuminated", "seed": int(rng.integers(1_000_000)), "frames": _FRAMES, "spatter": spatter,
        "travel_speed_mm_s": float(rng.uniform(40, 140)),
        "camera": {
            "width": 288, "height": 216, "rate_hz": rate, "mm_per_px": mm, "standing": bool(rng.random() < 0.4),
            "direction_deg": float(rng.uniform(0, 360)), "exposure_s": float(rng.uniform(5e-6, 4e-5)),
            "psf_sigma_px": float(rng.uniform(0.7, 1.3)),
        },
        "pool": {"length_mm": 85 * mm, "width_mm": 46 * mm, "length": {"noise_sd": 0.02}, "width": {"noise_sd": 0.015}},
        "lighting": {
            "metal": float(rng.uniform(0.3, 0.5)), "liquid": float(rng.uniform(0.12, 0.3)),
            "texture": float(rng.uniform(0.06, 0.18)), "ripple_marks": float(rng.uniform(0.1, 0.25)),
        },
    }  # fmt: skip
    return seen_by(Simulation(Scene.checked(scene, where="test")))


def seen_by(simulation: Simulation) -> LitClip:
    """All frames of a scene of the project's own generator, and what flies in them."""
    seen, born = simulation.truth_sightings, simulation.truth_spatter.set_index("particle")
    flown = [
        Flown(
            dict(zip(rows["frame"], zip(rows["x_px"], rows["y_px"], strict=True), strict=True)),
            float(born.diameter_px[k]),
            float(born.speed_px_frame[k]),
            int((rows["visible"] > 0.99).sum()) >= 3 and born.diameter_px[k] >= LEAST_PX,
        )
        for k, rows in seen[seen["visible"] > 0].groupby("particle")
    ]
    camera = simulation.scene.camera
    facts = {
        "record_rate_hz": camera.rate_hz, "mm_per_px": camera.mm_per_px,
        "travel_speed_mm_s": simulation.scene.travel_speed_mm_s, "travel_direction_deg": camera.direction_deg,
        "exposure_s": camera.exposure_s,
    }  # fmt: skip
    return LitClip(simulation.frames(0, simulation.scene.frames), facts, flown)


def relief() -> ModuleType | None:
    """The other generator; None where it is not there."""
    if not RELIEF.exists():
        return None
    spec = importlib.util.spec_from_file_location("relief_footage", RELIEF)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def others(module: ModuleType, kind: str, seed: int) -> LitClip:
    """A clip of the other generator: waves, glints, islands, plume, frozen ripples, without particles shake as well."""
    rng = np.random.default_rng([10 + KINDS.index(kind), seed])
    mm, rate = float(rng.uniform(0.016, 0.026)), float(rng.choice([5000, 8000, 10_000]))
    dark = kind == "dark" or (kind == "shadow" and rng.random() < 0.5)
    scene = module.Relief(
        seed=int(rng.integers(1_000_000)), n_frames=_FRAMES, rate_hz=rate, mm_per_px=mm, shape_px=(220, 300),
        travel_deg=float(rng.uniform(0, 360)), travel_mm_s=float(rng.uniform(40, 120)),
        standing=bool(rng.random() < 0.3), front_mm=28 * mm, rear_mm=float(rng.uniform(45, 65)) * mm,
        half_mm=float(rng.uniform(20, 28)) * mm, pointed=float(rng.uniform(1.7, 2.4)),
        wave_slope=float(rng.uniform(0.06, 0.14)), liquid_tone=float(rng.uniform(0.1, 0.25)),
        glint=float(rng.uniform(0.4, 0.9)), islands=int(rng.integers(0, 4)), plate_tone=float(rng.uniform(0.3, 0.5)),
        rolling=float(rng.uniform(0.06, 0.15)), bead_tone=float(rng.uniform(0.28, 0.45)),
        bead_ripple=float(rng.uniform(0.1, 0.25)), plume=float(rng.choice([0, 0.08, 0.15])),
        flicker=float(rng.choice([0, 0.01, 0.02])), psf_px=float(rng.uniform(0.7, 1.3)),
        shake_px=float(rng.choice([0, 0.15, 0.3])) if kind == "none" else 0.0,
        electrons=float(rng.uniform(6000, 15_000)), exposure_s=float(rng.uniform(5e-6, 3e-5)),
        particles_per_s=0.0 if kind == "none" else float(rng.uniform(400, 1200)) * rate / 8000,
        particle_d_mm=(float(rng.uniform(5, 10)) * mm, 0.3),
        particle_speed_mm_s=(float(rng.uniform(2.5, 8)) * mm * rate, 0.35),
        particle_tone=float(rng.uniform(0.02, 0.12)) if dark else float(rng.uniform(0.7, 0.95)),
        shadow=float(rng.uniform(0.3, 0.7)) if kind == "shadow" else 0.0,
    )  # fmt: skip
    return flights(module, scene)


def flights(module: ModuleType, scene: Any) -> LitClip:
    """All frames of a scene of the other generator, and what flies in them."""
    frames, truth = module.render(scene)
    facts = {
        "record_rate_hz": scene.rate_hz, "mm_per_px": scene.mm_per_px, "travel_speed_mm_s": scene.travel_mm_s,
        "travel_direction_deg": scene.travel_deg, "exposure_s": scene.exposure_s,
    }  # fmt: skip
    around = np.column_stack(module._outline(scene, scene.front_mm, scene.rear_mm, scene.half_mm, []))
    return LitClip(
        frames, facts, [_flight(scene, one, around / scene.mm_per_px) for one in truth["particles_all"]]
    )


def drawn_diameter(radius: float, streak: float) -> float:
    """Diameter of the disc that gives the light of what the other generator draws, over its brightness, px.

    It lays five discs along the streak over each other, each a fifth opaque, so that rims come out too opaque: what it
    draws is larger than `radius` says, by 0.15 px where there is no streak. A fit of the disc of a given streak agrees
    with this within a hundredth.

    Parameters
    ----------
    radius, streak
        Of the disc and of its way during the exposure, px.
    """
    reach = int(np.ceil(radius + 0.5 * streak)) + 2
    grid = np.arange(-reach, reach + 0.1, 0.25)
    y, x = np.meshgrid(grid, grid, indexing="ij")
    clear = np.ones_like(x)
    for part in range(5):
        clear *= 1 - np.clip(radius - np.hypot(y, x - streak * (part - 2) / 5) + 0.5, 0, 1) / 5
    light = float((1 - clear).sum()) * 0.25**2
    return 2 * float(np.sqrt(light / (1 - 0.8**5) / np.pi))


def _flight(scene: Any, particle: dict[str, float], around: np.ndarray) -> Flown:
    """What the other generator's particle does in the picture; `around` is the mean outline about the beam, px."""
    mm, (rows, columns) = scene.mm_per_px, scene.shape_px
    turn, heading = np.deg2rad(scene.travel_deg), np.deg2rad(particle["heading"])
    ahead = np.array([np.cos(turn), -np.sin(turn)])
    left = np.array([-np.sin(turn), -np.cos(turn)])
    t = np.arange(scene.n_frames) / scene.rate_hz
    beam = np.tile([(columns - 1) / 2, (rows - 1) / 2] + ahead * 0.6 / mm, (scene.n_frames, 1))
    if scene.standing:
        beam = beam + ahead * (scene.travel_mm_s / mm * (t - scene.n_frames / scene.rate_hz / 2))[:, None]
    age = t - particle["t0"]
    way = np.column_stack(
        [
            particle["x0"] + particle["speed"] * age * np.cos(heading),
            particle["y0"] + particle["speed"] * age * np.sin(heading),
        ]
    )
    place = beam + (way[:, :1] * ahead + way[:, 1:] * left) / mm
    radius = particle["d"] / 2 / mm
    border = np.minimum(place, [columns - 1, rows - 1] - place).min(axis=1)
    shown = np.flatnonzero((age >= 0) & (age < 0.02) & (border > -radius))
    polygon = around.astype(np.float32)
    whole = sum(
        border[k] > radius and -cv2.pointPolygonTest(polygon, tuple(map(float, way[k] / mm)), True) > radius
        for k in shown
    )
    steps = np.hypot(*np.diff(place, axis=0).T)
    return Flown(
        {int(k): (float(place[k, 0]), float(place[k, 1])) for k in shown},
        drawn_diameter(radius, particle["speed"] * scene.exposure_s / mm),
        float(np.median(steps)),
        int(whole) >= 3 and 2 * radius >= LEAST_PX,
    )


def as_array(path: Path, frames: np.ndarray) -> Path:
    """Write frames without loss; where they are."""
    np.save(path.with_suffix(".npy"), frames)
    return path.with_suffix(".npy")


def measured(
    clip: LitClip,
    tally: Tally,
    *,
    footage: str = "illuminated",
    put: Callable[[Path, np.ndarray], Path] = as_array,
) -> None:
    """Measure a clip as `put` writes it, and add what came out of it."""
    with tempfile.TemporaryDirectory() as folder:
        path = put(Path(folder) / "clip", clip.frames)
        settings = MeasureSettings.model_validate({"pool": {"footage": footage}})
        try:
            found = poolwatch.measure_clip(path, settings=settings, workers=1, **clip.facts)
        except PoolwatchError:
            tally.unmeasured += 1
            return
    counted = found.tracks[found.tracks["particle"] > 0]
    tracks = {
        int(number): dict(zip(rows["frame"], zip(rows["x_px"], rows["y_px"], strict=True), strict=True))
        for number, rows in counted.groupby("particle")
    }
    true = [one for one in clip.flown if one.track]
    _, pairs = match(list(tracks.values()), [one.track for one in true], GATE_PX)
    numbers = list(tracks)
    table = found.spatter.set_index("particle")
    mm, rate = clip.facts["mm_per_px"], clip.facts["record_rate_hz"]
    tally.wanted += sum(one.wanted for one in true)
    tally.found += len(tracks)
    tally.false += len(tracks) - len(pairs)
    for mine, its in pairs.items():
        one, row = true[its], table.loc[numbers[mine]]
        if not one.wanted:
            continue
        tally.hit += 1
        speed = float(row["speed_mm_s"]) / mm / rate
        tally.speed.append(speed / one.speed - 1)
        tally.speed_z.append((speed - one.speed) / (float(row["speed_u_mm_s"]) / mm / rate))
        if np.isfinite(row["diameter_mm"]):
            size = float(row["diameter_mm"]) / mm
            tally.size.append(size / one.diameter - 1)
            tally.size_z.append((size - one.diameter) / (float(row["diameter_u_mm"]) / mm))


HEAD = (
    "| scenes | clips | particles | recall | precision | false | size | speed | z of size | z of speed | not measured |\n"
    + "| --- " * 11 + "|"
)  # fmt: skip


def table(count: int, first: int = 1000) -> str:
    """The table of `count` clips a row, seeds from `first` on."""
    lines = [TITLE, "", f"`python -m tests.accuracy.lit_spatter {count} {first}`", "", HEAD]
    module = relief()
    for kind in KINDS:
        for name in ("own", "other generator"):
            if name != "own" and module is None:
                continue
            tally = Tally()
            for seed in range(first, first + count):
                measured(own(kind, seed) if name == "own" else others(module, kind, seed), tally)  # type: ignore[arg-type]
            lines.append(tally.row(f"{kind}, {name}", count))
            print(lines[-1], flush=True)
    return "\n".join(lines) + "\n"


def write(text: str, path: Path, title: str) -> None:
    """Put a section into the page in place of the one with the same title."""
    page = path.read_text(encoding="utf-8") if path.exists() else "# Accuracy\n"
    before, _, after = page.partition(title)
    rest = after.partition("\n## ")
    path.write_text(
        before.rstrip() + "\n\n" + text + ("\n## " + rest[2] if rest[1] else ""), encoding="utf-8"
    )


if __name__ == "__main__":
    clips = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    write(table(clips, seed), Path(__file__).with_name("RESULTS.md"), TITLE)
