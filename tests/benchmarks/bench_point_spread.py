"""The point spread that is learned from lossy video, beside the true one: python tests/benchmarks/bench_point_spread.py.

Scenes drawn at random, each in MJPEG, H.264 and HEVC of random quality. Prints errors over the stated uncertainty; those
of clips whose particles tell none are listed by what stood in.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np

from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, FootageOptions, write_frames
from poolwatch.measure.look import look_at
from poolwatch.measure.settings import MeasureSettings, recording_of
from poolwatch.simulate import Scene, Simulation

FRAMES = 200


def drawn(seed: int) -> tuple[Scene, float]:
    rng = np.random.default_rng(seed)
    psf, mm = float(rng.uniform(0.6, 1.6)), float(rng.uniform(0.015, 0.03))
    scene = {
        "frames": FRAMES,
        "seed": seed,
        "camera": {"width": 320, "height": 192, "mm_per_px": mm, "psf_sigma_px": psf},
        "pool": {"length_mm": 110 * mm, "width_mm": 60 * mm},
        "spatter": {
            "rate_per_s": float(rng.uniform(300, 1200)),
            "diameter_mm": float(rng.uniform(2.5, 6)) * mm,
            "brightness": float(rng.uniform(0.4, 0.9)),
        },
    }
    return Scene.checked(scene, where="benchmark"), psf


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--scenes", type=int, default=10)
    options.add_argument("--seed", type=int, default=70_001)
    given = options.parse_args()
    settings, found = MeasureSettings(), dict[str, list[tuple[float, float]]]()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(given.seed, given.seed + given.scenes):
            scene, psf = drawn(seed)
            pictures = Simulation(scene).frames(0, FRAMES)
            rng = np.random.default_rng((seed, 1))
            quality = FootageOptions(jpeg_quality=int(rng.integers(2, 8)), quality=int(rng.integers(14, 26)))
            facts = {"record_rate_hz": 1e4, "mm_per_px": scene.camera.mm_per_px, "exposure_s": 4e-5}
            recording = recording_of(settings, facts, where="benchmark")
            for kind in ("avi-mjpeg", "mp4-h264", "mp4-hevc"):
                path = Path(folder) / f"{kind}{FORMATS[kind].ending}"
                write_frames(path, [pictures], format=kind, depth_bits=8, options=quality)
                with open_clip(path) as reader:
                    look = look_at(reader, recording, settings).spatter
                assert look is not None
                name = kind if look.psf_source == "found" else f"{look.psf_source} for {kind}"
                off = look.psf_sigma_px - psf
                found.setdefault(name, []).append((off / look.psf_u_px, off / psf))
    for name, errors in sorted(found.items()):
        z, share = np.array(errors).T
        print(
            f"{name}: {len(z)} clips, {np.sqrt(np.mean(z**2)):.2f} times what is stated (rms), "
            f"{np.median(share):+.1%} in the median, {share.min():+.1%} to {share.max():+.1%}"
        )


if __name__ == "__main__":
    main()
