"""Render the demo clips again: ``python demo_clips/make_demo_clips.py [FOLDER]``.

The data are invented. The same script, seeds and library versions give the same frames; encoders may pack them
into other bytes.
"""

from __future__ import annotations

import csv
import io
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from poolwatch.model.files import write_text
from poolwatch.simulate.presets import shape_values
from poolwatch.simulate.scene import Scene
from poolwatch.simulate.write import recording, write_simulation

# Small frames and a quiet sensor keep four lossless clips within 12 MB; the offset lies on a whole 8-bit grey value.
CAMERA: dict[str, Any] = {
    "width": 192,
    "height": 96,
    "mm_per_px": 0.03,
    "rate_hz": 10_000.0,
    "exposure_s": 2e-5,
    "psf_sigma_px": 0.8,
    "read_noise": 0.0006,
    "electrons_full_scale": 40_000.0,
    "black_level": 0.0078,
}


@dataclass(frozen=True)
class Clip:
    """One demo clip."""

    shape: str
    seed: int
    frames: int
    format: str = "mkv-ffv1"
    depth_bits: int = 8


CLIPS = (
    Clip("single-spot", 31, 600),
    Clip("twin-spot", 42, 600),
    Clip("flat-top", 43, 600),
    Clip("crescent", 34, 400, "tiff-deflate", 10),
)


def scene(clip: Clip) -> Scene:
    values = shape_values(clip.shape)
    camera = {**values["camera"], **CAMERA, "depth_bits": clip.depth_bits}
    values["pool"]["halo"] = 0.035
    values["disturbances"]["plume"]["brightness"] *= 0.6
    values["disturbances"]["trail"] = {"share": 0.3, "fade_mm": 0.7}
    return Scene.checked(
        {**values, "camera": camera, "seed": clip.seed, "frames": clip.frames},
        where=f"demo clip {clip.shape}",
    )


def main(folder: Path) -> None:
    rows = []
    for clip in CLIPS:
        one = scene(clip)
        path = write_simulation(
            one,
            folder,
            format=clip.format,
            name=f"{clip.shape}-1",
            truth_dir=folder / "truth" / f"{clip.shape}-1",
        )
        rows.append(
            {
                "clip": path.name,
                "beam_shape": clip.shape,
                "replicate": 1,
                **{name: f"{value:g}" for name, value in recording(one).items()},
                "material": "austenitic-stainless",
            }
        )
        print(f"{path}: {path.stat().st_size / 1e6:.2f} MB")
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_text(folder / "manifest.csv", text.getvalue())


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
