"""Length and width of pools in footage by another hand, drawn at random, against truth; writes OUTLINES.md beside this file.

``python tests/accuracy/relief_outlines.py [ROW ...] [--scenes 30] [--seed 1000]``: rows are named below, all by default.
The generator is ``../shared/footage/relief.py``, which lies beside some checkouts and shares nothing with the project's
own simulator; without it nothing is measured. Draw other seeds before a figure is believed: these are for looking at.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import av
import numpy as np

import poolwatch
from poolwatch.model.errors import MeasurementError

HERE = Path(__file__).resolve().parent
RELIEF = HERE.parents[2] / "shared" / "footage" / "relief.py"
# Flags that say nothing of the outline.
OUTLINE_FLAGS = {"liquid_alike", "pool_small", "edge_unseen", "edge_soft", "few_frames"}


@dataclass(frozen=True)
class Row:
    """A row of the table: which scenes, how they are written, and what is asked of bias, scatter (px) and frames."""

    kind: str
    codec: str
    keep: Callable[[dict[str, Any]], bool]
    bias: float
    scatter: float
    measured: float
    change: Callable[[np.random.Generator, dict[str, Any]], None] = lambda u, s: None


def _alike(u: np.random.Generator, scene: dict[str, Any]) -> None:
    scene["liquid_tone"] = scene["plate_tone"] * float(u.uniform(0.85, 1.0))


def _standing(u: np.random.Generator, scene: dict[str, Any]) -> None:
    scene["standing"] = True
    scene["travel_mm_s"] = float(u.uniform(20, 200))


ROWS = {
    "illuminated": Row("illuminated", "", lambda s: True, 0.4, 1.0, 0.97),
    "alike": Row("illuminated", "", lambda s: True, 1.5, 1.5, 0.90, _alike),
    "standing": Row("illuminated", "", lambda s: True, 0.4, 1.0, 0.97, _standing),
    "h264": Row("illuminated", "libx264", lambda s: True, 1.0, 1.5, 0.95),
    "mjpeg": Row("illuminated", "mjpeg", lambda s: True, 1.0, 1.5, 0.95),
    "glowing": Row("glowing", "", lambda s: True, 0.05, 0.15, 0.97),
    "glowing, hot bead": Row(
        "glowing", "", lambda s: 0.3 < s["bead_tone"] / s["liquid_tone"] < 0.7, 0.3, 0.5, 0.97
    ),
    "glowing, h264": Row("glowing", "libx264", lambda s: True, 0.2, 0.35, 0.97),
}


def drawn(kind: str, seed: int) -> dict[str, Any]:
    """Settings of a scene drawn at random over wide ranges."""
    g = np.random.default_rng([seed, 1 if kind == "glowing" else 2])

    def u(low: float, high: float) -> float:
        return float(g.uniform(low, high))

    def of(*choices: float) -> float:
        return float(g.choice(choices))

    scene: dict[str, Any] = {
        "seed": seed, "n_frames": 240, "rate_hz": of(5000, 8000, 12000), "mm_per_px": u(0.014, 0.03),
        "travel_deg": of(0, 0, 90, 180, 270, u(0, 360)), "travel_mm_s": u(30, 160),
        "front_mm": u(0.45, 0.9), "rear_mm": u(1.1, 2.4), "half_mm": u(0.4, 0.8),
        "blunt": u(1.8, 2.4), "pointed": u(1.5, 2.1),
        "length_tone": (u(100, 500), u(0.01, 0.05)), "width_tone": (u(150, 600), u(0.01, 0.04)),
        "wave_slope": u(0.05, 0.2), "meniscus": of(0, 0.1, 0.25), "rolling": u(0.03, 0.25),
        "bead_ripple": u(0.05, 0.25), "psf_px": u(0.7, 1.4), "islands": int(of(0, 0, 3)),
        "plume": of(0, 0, u(0.05, 0.25)), "particles_per_s": of(0, 300, 1200),
        "standing": bool(g.random() < 0.25), "flicker": of(0, 0.02), "shake_px": of(0, 0, 0.3), "shadow": 0.0,
    }  # fmt: skip
    if kind == "glowing":
        tone = u(0.3, 0.6)
        scene |= {
            "liquid_tone": tone, "glint": u(0, 0.15), "plate_tone": u(0.02, 0.07),
            "bead_tone": u(0.1, 0.75) * tone, "wave_slope": u(0.02, 0.1), "particle_tone": u(0.5, 0.9),
        }  # fmt: skip
    else:
        scene |= {
            "liquid_tone": u(0.1, 0.3), "glint": u(0.4, 0.9), "plate_tone": u(0.3, 0.5), "bead_tone": u(0.28, 0.42),
            "particle_tone": of(0.08, 0.7), "shadow": of(0, 0.5),
        }  # fmt: skip
    return scene


def framed(scene: dict[str, Any]) -> dict[str, Any]:
    """The scene with a picture that holds its pool all the time, and metal around it."""
    scale, turn = scene["mm_per_px"], np.deg2rad(scene["travel_deg"])
    way = scene["travel_mm_s"] * scene["n_frames"] / scene["rate_hz"] if scene["standing"] else 0.0
    along = (scene["front_mm"] + scene["rear_mm"] + 0.9 + way) / scale + 72
    across = 2 * scene["half_mm"] / scale + 96
    c, s = abs(np.cos(turn)), abs(np.sin(turn))
    return scene | {
        "shape_px": tuple(int(v) // 2 * 2 for v in (along * s + across * c, along * c + across * s))
    }


def written(path: Path, frames: np.ndarray, codec: str) -> Path:
    """The frames in a file: NPY, or video as FFmpeg writes it by default."""
    if not codec:
        np.save(path.with_suffix(".npy"), frames)
        return path.with_suffix(".npy")
    with av.open(str(path.with_suffix(".mkv")), "w") as container:
        stream = container.add_stream(codec, rate=30)
        stream.height, stream.width = frames.shape[1:]
        stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        for frame in frames:
            picture = av.VideoFrame.from_ndarray(frame, format="gray").reformat(format=stream.pix_fmt)
            container.mux(stream.encode(picture))
        container.mux(stream.encode())
    return path.with_suffix(".mkv")


@dataclass(frozen=True)
class Outcome:
    """One clip: flags of its outline, share of frames, bias and scatter of length and width, px; or why it was refused."""

    seed: int
    flags: tuple[str, ...] = ()
    measured: float = 0.0
    length: tuple[float, float] = (np.nan, np.nan)
    width: tuple[float, float] = (np.nan, np.nan)
    refused: str = ""

    @property
    def furthest(self) -> float:
        """Largest bias or scatter, px."""
        return float(np.max(np.abs(self.length + self.width)))


def measured(relief: ModuleType, row: Row, seed: int, folder: Path) -> Outcome | None:
    """Draw a scene, write and measure it; None where the row leaves it out."""
    scene = drawn(row.kind, seed)
    row.change(np.random.default_rng([seed, 3]), scene)
    if not row.keep(scene):
        return None
    frames, truth = relief.render(relief.Relief(**framed(scene)))
    path = written(folder / f"{seed}", frames, row.codec)
    try:
        result = poolwatch.measure_clip(
            path,
            record_rate_hz=scene["rate_hz"],
            mm_per_px=scene["mm_per_px"],
            travel_direction_deg=scene["travel_deg"],
            travel_speed_mm_s=scene["travel_mm_s"],
            exposure_s=relief.Relief.exposure_s,
            workers=1,
        )
    except MeasurementError as error:
        return Outcome(seed, refused=str(error))
    finally:
        path.unlink()
    ok = (result.frames["status"] == "ok").to_numpy()
    off = []
    for name in ("length", "width"):
        error = (result.frames[f"pool_{name}_mm"].to_numpy() - np.array(truth[f"{name}_mm"]))[ok]
        off.append((float(error.mean()) / scene["mm_per_px"], float(error.std()) / scene["mm_per_px"]))
    flags = tuple(f for f in result.run["flags"] if f in OUTLINE_FLAGS)
    return Outcome(seed, flags, float(ok.mean()), off[0], off[1])


def line(name: str, row: Row, outcomes: list[Outcome]) -> str:
    """One line of the table."""
    good = [o for o in outcomes if not o.refused and not o.flags]
    flagged = [o for o in outcomes if o.flags]
    refused = sum(bool(o.refused) for o in outcomes)
    asked = f"{row.bias:g}; {row.scatter:g} px; {row.measured:.0%}"
    if not good:
        return f"| {name} | {len(outcomes)} | {refused} | {len(flagged)} | | | | {asked} | |"
    cells = []
    for which in ("length", "width"):
        bias, scatter = np.array([getattr(o, which) for o in good]).T
        cells.append(
            f"{np.median(bias):+.2f} ({bias.min():+.2f} to {bias.max():+.2f}); "
            f"{np.median(scatter):.2f} (to {scatter.max():.2f})"
        )
    within = sum(
        max(abs(o.length[0]), abs(o.width[0])) <= row.bias
        and max(o.length[1], o.width[1]) <= row.scatter
        and o.measured >= row.measured
        for o in good
    )
    worst = max(good, key=lambda o: o.furthest)
    least = min(o.measured for o in good)
    return (
        f"| {name} | {len(outcomes)} | {refused} | {len(flagged)} | {cells[0]} | {cells[1]} | {least:.0%} | {asked} | "
        f"{within} of {len(good)}; worst {worst.seed} |"
    )


def main() -> None:
    """Measure the rows asked for and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rows", nargs="*", default=list(ROWS), metavar="ROW", help=", ".join(ROWS))
    parser.add_argument("--scenes", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1000)
    asked = parser.parse_args()
    if unknown := [r for r in asked.rows if r not in ROWS]:
        parser.error(f"no such row: {unknown[0]}; there are {', '.join(ROWS)}")
    if not RELIEF.exists():
        sys.exit(f"{RELIEF} is not there: nothing to measure")
    spec = importlib.util.spec_from_file_location("relief", RELIEF)
    assert spec is not None
    assert spec.loader is not None
    relief = importlib.util.module_from_spec(spec)
    sys.modules["relief"] = relief
    spec.loader.exec_module(relief)
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder:
        for name in asked.rows:
            outcomes: list[Outcome] = []
            seed = asked.seed
            while len(outcomes) < asked.scenes:
                outcome = measured(relief, ROWS[name], seed, Path(folder))
                seed += 1
                if outcome is not None:
                    outcomes.append(outcome)
                    print(name, outcome, flush=True)
            put(HERE / "OUTLINES.md", name, line(f"{name}, seeds from {asked.seed}", ROWS[name], outcomes))


HEAD = """# Outlines in footage by another hand

`python tests/accuracy/relief_outlines.py ROW --scenes N --seed SEED` writes a row. Pixels; medians over the clips without a
flag of the outline, and their range; "met" counts the clips that keep to all that is asked.

| row | clips | refused | flagged | length: bias; scatter | width: bias; scatter | fewest frames | asked | met |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |
"""


def put(page: Path, name: str, text: str) -> None:
    """Write a row of the table in the place of the one of that name; the others stay."""
    rows = page.read_text().splitlines()[len(HEAD.splitlines()) :] if page.exists() else []
    kept = [r for r in rows if not r.startswith(f"| {name}, seeds")]
    page.write_text(HEAD + "\n".join([*kept, text]) + "\n")


if __name__ == "__main__":
    main()
