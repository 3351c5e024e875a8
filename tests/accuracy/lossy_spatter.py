"""Particles in clips drawn at random, by two generators, stored with loss, and held against their truth.

``python -m tests.accuracy.lossy_spatter COUNT [FIRST]`` draws COUNT clips a row, seeds from FIRST on, and writes the tables
of glowing and of illuminated footage into ``RESULTS.md``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from fractions import Fraction
from functools import partial
from pathlib import Path
from types import ModuleType

import av
import numpy as np

from poolwatch.simulate import Scene, Simulation
from tests.accuracy.lit_spatter import (
    HEAD,
    KINDS,
    LitClip,
    Tally,
    flights,
    measured,
    others,
    own,
    relief,
    seen_by,
    write,
)

_FRAMES = 240
_TITLE = "## Particles in glowing footage with loss"
_LIT_TITLE = "## Particles in illuminated footage with loss"
# What the `ffmpeg` command does where no quality is asked for: the encoder's own constant rate factor of 23 in H.264;
# in motion JPEG 200 kbit a second at 25 frames a second, however large the frames.
CODECS = {
    "H.264": ("libx264", {"crf": "23"}, ".mp4"),
    "MJPEG": ("mjpeg", {"b": "200000"}, ".avi"),
    "none": ("ffv1", {}, ".avi"),
}


def own_glowing(seed: int) -> LitClip:
    """A clip of the project's own generator."""
    rng = np.random.default_rng([20, seed])
    mm, rate = float(rng.uniform(0.016, 0.028)), float(rng.choice([6000, 8000, 10_000]))
    scene = {
        "kind": "glowing", "seed": int(rng.integers(1_000_000)), "frames": _FRAMES,
        "spatter": {
            "rate_per_s": float(rng.uniform(300, 900)) * rate / 8000,
            "speed_mm_s": float(rng.uniform(2.5, 8)) * mm * rate, "speed_sigma": 0.35,
            "diameter_mm": float(rng.uniform(4.5, 9)) * mm, "diameter_sigma": 0.3,
            "brightness": float(rng.uniform(0.4, 0.9)),
        },
        "travel_speed_mm_s": float(rng.uniform(40, 140)),
        "camera": {
            "width": 288, "height": 216, "rate_hz": rate, "mm_per_px": mm, "direction_deg": float(rng.uniform(0, 360)),
            "exposure_s": float(rng.uniform(5e-6, 4e-5)), "psf_sigma_px": float(rng.uniform(0.7, 1.3)),
        },
        "pool": {"length_mm": 85 * mm, "width_mm": 46 * mm, "length": {"noise_sd": 0.02}, "width": {"noise_sd": 0.015}},
    }  # fmt: skip
    simulation = Simulation(Scene.checked(scene, where="test"))
    return seen_by(simulation)


def other_glowing(module: ModuleType, seed: int) -> LitClip:
    """A clip of the other generator: a bright liquid on a dark plate."""
    rng = np.random.default_rng([30, seed])
    mm, rate = float(rng.uniform(0.016, 0.026)), float(rng.choice([5000, 8000, 10_000]))
    liquid = float(rng.uniform(0.35, 0.6))
    scene = module.Relief(
        seed=int(rng.integers(1_000_000)), n_frames=_FRAMES, rate_hz=rate, mm_per_px=mm, shape_px=(220, 300),
        travel_deg=float(rng.uniform(0, 360)), travel_mm_s=float(rng.uniform(40, 120)), front_mm=28 * mm,
        rear_mm=float(rng.uniform(45, 65)) * mm, half_mm=float(rng.uniform(20, 28)) * mm,
        pointed=float(rng.uniform(1.7, 2.4)), wave_slope=float(rng.uniform(0.04, 0.1)), liquid_tone=liquid,
        glint=float(rng.uniform(0.0, 0.3)), plate_tone=float(rng.uniform(0.03, 0.07)),
        bead_tone=float(rng.uniform(0.2, 0.4)) * liquid, plume=float(rng.choice([0, 0.05, 0.1])),
        flicker=float(rng.choice([0, 0.01, 0.02])), psf_px=float(rng.uniform(0.7, 1.3)),
        electrons=float(rng.uniform(6000, 15_000)), exposure_s=float(rng.uniform(5e-6, 3e-5)),
        particles_per_s=float(rng.uniform(400, 1200)) * rate / 8000,
        particle_d_mm=(float(rng.uniform(4.5, 9)) * mm, 0.3),
        particle_speed_mm_s=(float(rng.uniform(2.5, 8)) * mm * rate, 0.35),
        particle_tone=float(rng.uniform(0.4, 0.9)),
    )  # fmt: skip
    return flights(module, scene)


def stored(codec: str) -> Callable[[Path, np.ndarray], Path]:
    """What writes frames of 8 bits as the `ffmpeg` command does by default."""
    name, options, ending = CODECS[codec]

    def put(path: Path, frames: np.ndarray) -> Path:
        target = path.with_suffix(ending)
        with av.open(str(target), "w") as out:
            stream = out.add_stream(name, rate=Fraction(25), options=options)
            stream.height, stream.width = frames.shape[1:]
            stream.pix_fmt = "yuvj420p" if name == "mjpeg" else "yuv420p" if name == "libx264" else "gray"
            if name == "mjpeg":
                stream.bit_rate = int(options["b"])
            for frame in frames:
                out.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format="gray")))
            out.mux(stream.encode(None))
        return target

    return put


def table(count: int, first: int = 1000) -> str:
    """The table of `count` clips a row, seeds from `first` on."""
    lines = [_TITLE, "", f"`python -m tests.accuracy.lossy_spatter {count} {first}`", "", HEAD]
    module = relief()
    makers = {"own": own_glowing}
    if module is not None:
        makers["other generator"] = partial(other_glowing, module)
    for name, maker in makers.items():
        clips = [maker(seed) for seed in range(first, first + count)]
        for codec in CODECS:
            tally = Tally()
            for clip in clips:
                measured(clip, tally, footage="glowing", put=stored(codec))
            lines.append(tally.row(f"{codec}, {name}", count))
            print(lines[-1], flush=True)
    return "\n".join(lines) + "\n"


def lit_table(count: int, first: int = 1000) -> str:
    """The table of illuminated clips: bright, dark and shadowed ones by turns, then none."""
    lines = [_LIT_TITLE, "", f"`python -m tests.accuracy.lossy_spatter {count} {first}`", "", HEAD]
    module = relief()
    makers = {"own": own}
    if module is not None:
        makers["other generator"] = partial(others, module)
    for name, maker in makers.items():
        for flying in (True, False):
            for codec in ("H.264", "MJPEG"):
                tally = Tally()
                for seed in range(first, first + count):
                    kind = KINDS[seed % 3] if flying else "none"
                    measured(maker(kind, seed), tally, put=stored(codec))
                lines.append(tally.row(f"{codec}, {name}" + ("" if flying else ", none"), count))
                print(lines[-1], flush=True)
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    clips = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    page = Path(__file__).with_name("RESULTS.md")
    write(table(clips, seed), page, _TITLE)
    write(lit_table(clips, seed), page, _LIT_TITLE)
