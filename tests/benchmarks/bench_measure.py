"""What measuring costs beside decoding alone and beside a plain script, as ratios; and how much memory a clip takes.

Run by hand: ``python tests/benchmarks/bench_measure.py [--frames 1000] [--loops 20] [--depth 12] [--memory]``; for
MJPEG of 14,000 bytes a frame ``--kinds avi-mjpeg --jpeg-quality 1``, of 20,000 and 29,000 ``--noise 0.012`` and
``--jpeg-quality 1 --noise 0.008``.
Illuminated footage against glowing: ``--kinds raw --frames 1500 --loops 1``, with and without ``--illuminated``.
Decoding and measuring take turns within one run, so that other load on the machine hits both. Start-up (first look,
compiling) is left out of both.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, FootageOptions, write_frames
from poolwatch.measure.gather import gather
from poolwatch.measure.look import look_at
from poolwatch.measure.settings import MeasureSettings, recording_of
from poolwatch.simulate import Scene, Simulation

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.plain_script import plain_script

FACTS = {"record_rate_hz": 1e4, "mm_per_px": 0.02, "travel_speed_mm_s": 100.0, "exposure_s": 4e-5}
KINDS = ("mkv-ffv1", "mp4-h264", "avi-mjpeg", "tiff", "tiff-deflate", "raw")
# Frames that the plain script is timed over.
PLAIN = 150


def footage(
    frames: int,
    rate_per_s: float,
    width: int,
    height: int,
    depth: int,
    noise: float = 0.004,
    kind: str = "glowing",
) -> np.ndarray:
    scene = {
        "kind": kind,
        "frames": frames,
        "seed": 77,
        "camera": {"width": width, "height": height, "depth_bits": depth, "read_noise": noise},
        "pool": {"length": {"noise_sd": 0.03}, "width": {"noise_sd": 0.02}},
        "spatter": {"rate_per_s": rate_per_s},
    }
    return Simulation(Scene.checked(scene, where="benchmark")).frames(0, frames)


def write(
    folder: Path,
    kind: str,
    pictures: np.ndarray,
    loops: int,
    depth: int = 8,
    quality: int = 18,
    jpeg_quality: int = 2,
) -> Path:
    path = folder / f"clip-{kind}{FORMATS[kind].ending}"
    options = FootageOptions(quality=quality, jpeg_quality=jpeg_quality)
    return write_frames(
        path, (pictures for _ in range(loops)), format=kind, depth_bits=depth, options=options
    )


def decode(path: Path) -> tuple[float, float, int]:
    with open_clip(path) as reader:
        wall, cpu, n = time.perf_counter(), time.process_time(), 0
        for block in reader.blocks(size=64):
            # Touch every page, or a memory map reads nothing.
            n += len(block.frames) if block.frames[:, ::8, ::64].max() >= 0 else 0
    return time.perf_counter() - wall, time.process_time() - cpu, n


def measure(path: Path, workers: int) -> tuple[float, float, int]:
    settings = MeasureSettings()
    recording = recording_of(settings, FACTS, where="benchmark")
    with open_clip(path) as reader:
        look = look_at(reader, recording, settings)
        # Helpers and their start are counted: see `bench_cores.py` for what they cost once they run.
        wall, cpu = time.perf_counter(), sum(os.times()[:4])
        gathered = gather(reader, look, settings, workers=workers)
        return time.perf_counter() - wall, sum(os.times()[:4]) - cpu, len(gathered.status)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--frames", type=int, default=1000)
    options.add_argument("--loops", type=int, default=4)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--particles", type=float, default=200.0, help="particles a second")
    options.add_argument("--width", type=int, default=512)
    options.add_argument("--height", type=int, default=256)
    options.add_argument("--depth", type=int, default=8, help="bits of a grey value")
    options.add_argument(
        "--quality", type=int, default=18, help="of H.264: 18 keeps hardly any noise, 10 most"
    )
    options.add_argument("--jpeg-quality", type=int, default=2, help="of MJPEG: 1 keeps most")
    options.add_argument(
        "--noise", type=float, default=0.004, help="of the camera in the dark, fraction of full scale"
    )
    options.add_argument(
        "--illuminated", action="store_true", help="illuminated footage instead of glowing; take one loop"
    )
    options.add_argument("--kinds", default=",".join(KINDS))
    options.add_argument("--workers", type=int, default=2, help="processes that measure")
    options.add_argument("--plain", action="store_true", help="time a plain script too")
    options.add_argument("--memory", action="store_true", help="print the largest memory of this process")
    given = options.parse_args()
    footage_kind = "illuminated" if given.illuminated else "glowing"
    pictures = footage(
        given.frames, given.particles, given.width, given.height, given.depth, given.noise, footage_kind
    )
    print(
        f"{footage_kind}, {given.width}x{given.height}, {given.depth} bit, {given.frames * given.loops} frames, {given.particles:g}"
        f" particles/s; ms a frame, median of {given.rounds}"
    )
    print(
        "format         decode cpu  measure cpu  decode wall  measure wall  measure / decode  plain / measure  bytes/frame"
    )
    with tempfile.TemporaryDirectory() as folder:
        for kind in given.kinds.split(","):
            path = write(
                Path(folder), kind, pictures, given.loops, given.depth, given.quality, given.jpeg_quality
            )
            frame_bytes = path.stat().st_size / (given.frames * given.loops)
            rounds = []
            measure(path, given.workers)
            for _ in range(given.rounds):
                dw, dc, n = decode(path)
                mw, mc, _ = measure(path, given.workers)
                rounds.append([1e3 * v / n for v in (dc, mc, dw, mw)] + [mw / dw, np.nan])
                if given.plain:
                    began = time.perf_counter()
                    done = plain_script(path, min(PLAIN, n))
                    rounds[-1][-1] = (time.perf_counter() - began) / done / (mw / n)
            r = np.median(rounds, axis=0)
            print(
                f"{kind:13s} {r[0]:11.3f} {r[1]:12.3f} {r[2]:12.3f} {r[3]:13.3f} {r[4]:17.2f} {r[5]:16.0f} {frame_bytes:12.0f}"
            )
            path.unlink()
    if given.memory:
        print(
            f"largest memory of the process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
        )


if __name__ == "__main__":
    main()
