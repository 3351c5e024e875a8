"""Whether a change leaves every CSV as it was: digests of two trials and of a weld's photo.

    python tests/benchmarks/same_bytes.py FOLDER --keep     # before the change
    python tests/benchmarks/same_bytes.py FOLDER            # after it: 1 and the names of what differs, or 0

One trial is the four demo clips, the other is ten short clips drawn at random, five glowing and five illuminated, with
replicates, a factor and an outcome. Each clip's own tables and outlines count, and the tables of the trial; a weld's
photo is measured as well. FOLDER keeps the footage and the digests: clips are drawn once, for the bytes of compressed
video may differ from one run to the next.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import shutil
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from poolwatch.measure.bead import measure_bead_photo
from poolwatch.model.axes import Scale
from poolwatch.model.data import data_folder
from poolwatch.simulate import Scene, write_simulation
from poolwatch.simulate.presets import SHAPES, shape_values
from poolwatch.trial import run_trial
from tests.simulated_welds.photo import write_weld
from tests.simulated_welds.scene import random_weld

FRAMES = 500
CLIPS = 10
FORMATS = ("npy", "mkv-ffv1", "avi-mjpeg", "mp4-h264", "tiff-lzw")


def scene_of(number: int) -> Scene:
    """A clip drawn from its number: even ones glow, odd ones are illuminated."""
    rng = np.random.default_rng([20, number])
    values: dict[str, Any] = shape_values(SHAPES[number // 2 % len(SHAPES)])
    scale = float(rng.uniform(0.018, 0.028))
    values["camera"] |= {
        "width": 2 * round(2.9 / scale),
        "height": 2 * round(1.9 / scale),
        "mm_per_px": scale,
        "depth_bits": 12 if number in (4, 5) else 8,
        "psf_sigma_px": float(rng.uniform(0.7, 1.2)),
        "direction_deg": float(rng.choice([0.0, 180.0])),
    }
    values["pool"] |= {"length_mm": float(rng.uniform(2.0, 2.8)), "taper": float(rng.uniform(0.3, 0.55))}
    values["disturbances"] |= {"black_frames": [number + 3], "repeated_frames": [number + 60]}
    kind = "illuminated" if number % 2 else "glowing"
    return Scene.checked({**values, "kind": kind, "frames": FRAMES, "seed": 2000 + number}, where="drawn")


def drawn_trial(folder: Path) -> Path:
    """Manifest of the ten clips, drawn where they are not there yet."""
    manifest = folder / "manifest.csv"
    if manifest.exists():
        return manifest
    rows = []
    for number in range(CLIPS):
        scene = scene_of(number)
        form = "mkv-ffv1" if scene.camera.depth_bits > 8 else FORMATS[number // 2 % len(FORMATS)]
        clip = write_simulation(
            scene, folder / "clips", format=form, name=f"drawn-{number}", truth_dir=folder / "truth"
        )
        rows.append(
            {
                "clip": f"clips/{clip.name}",
                "beam_shape": f"shape-{number % 2}{number // 2 % 2}",
                "replicate": number // 4 + 1,
                "record_rate_hz": scene.camera.rate_hz,
                "mm_per_px": scene.camera.mm_per_px,
                "travel_direction_deg": scene.camera.direction_deg,
                "travel_speed_mm_s": scene.travel_speed_mm_s,
                "exposure_s": scene.camera.exposure_s,
                "material": "austenitic-stainless",
                "factor_power_kw": 2.0 + 0.25 * (number % 3),
                "outcome_strength_mpa": 500.0 + 7.0 * number,
            }
        )
    pd.DataFrame(rows).to_csv(manifest, index=False)
    return manifest


def digests_of(folder: Path) -> dict[str, str]:
    """Digest of each table below a folder, by its path; of outlines, too."""
    names = sorted(
        path for path in folder.rglob("*") if path.suffix == ".csv" or path.name.startswith("outlines")
    )
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in names}


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("folder", type=Path)
    options.add_argument(
        "--keep", action="store_true", help="keep today's digests, to compare later ones with"
    )
    given = options.parse_args()
    results, kept = given.folder / "results", given.folder / "digests.json"
    shutil.rmtree(results, ignore_errors=True)
    run_trial(
        data_folder("demo_clips") / "manifest.csv", results / "demo", workers=1, overlay=False, report=False
    )
    run_trial(drawn_trial(given.folder), results / "drawn", workers=1, overlay=False, report=False)
    photo = given.folder / "weld.png"
    if not photo.exists():
        write_weld(random_weld(1), photo)
    bead = measure_bead_photo(photo, scale=Scale(0.02))
    pd.DataFrame([bead.row]).to_csv(results / "bead.csv", index=False)
    found = digests_of(results)
    if given.keep:
        kept.write_text(json.dumps(found, indent=1), encoding="utf-8")
        print(f"{len(found)} tables kept in {kept}")
        return 0
    before = json.loads(kept.read_text(encoding="utf-8"))
    differ = sorted(name for name in before.keys() | found.keys() if before.get(name) != found.get(name))
    print(f"{len(found)} tables, {len(differ)} differ", *differ, sep="\n")
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
