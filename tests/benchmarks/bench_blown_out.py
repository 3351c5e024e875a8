"""How well the pool is outlined where it is blown out to full scale: bias and scatter of length and width in px.

Run ``python tests/benchmarks/bench_blown_out.py [--clips 36] [--first 5000] [--only 5003 5010]`` from the root of the
checkout. Each clip is drawn at random from its seed: rim at 1.1 to 2 of full scale, hot solid beside the pool up to 0.4 of
full scale, point spread 0.6 to 1.6 px, any travel direction, scale and depth, stored without loss or as H.264. The bar
is 0.6 px for the bias of each.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from poolwatch.clips import open_clip
from poolwatch.footage import write_frames
from poolwatch.model.axes import PoolAxes
from poolwatch.pool import PoolSettings, find_pool, learn_pool
from poolwatch.simulate import Scene, Simulation

BAR_PX = 0.6
# Frames, spread over the clip, that the first look sees.
LOOKED_AT = 48
# What a pixel's area (1/12) and interpolation between pixels (1/6) add to the point spread's variance, px².
PIXEL_VARIANCE = 1 / 12 + 1 / 6


def scene_of(seed: int, frames: int) -> tuple[dict[str, Any], bool]:
    """A blown-out clip drawn from a seed, and whether it is stored as H.264."""
    rng = np.random.default_rng(seed)
    rim = float(rng.uniform(1.1, 2.0))
    halo = float(rng.uniform(0.0, 0.4))
    scale = float(np.exp(rng.uniform(math.log(0.012), math.log(0.032))))
    deep = bool(rng.random() < 0.35)
    coded = bool(rng.random() < 0.5) and not deep
    size = 2 * round(2.4 * 1.75 / scale / 2)
    scene = {
        "frames": frames,
        "seed": seed,
        "camera": {
            "width": size,
            "height": size,
            "mm_per_px": scale,
            "direction_deg": float(rng.uniform(0.0, 360.0)),
            "psf_sigma_px": float(rng.uniform(0.6, 1.6)),
            "depth_bits": 12 if deep else 8,
        },
        "pool": {
            "rim": rim,
            "hot": rim + float(rng.uniform(0.2, 2.0)),
            "halo": halo,
            "taper": float(rng.uniform(0.2, 0.6)),
            "width_mm": float(rng.uniform(0.9, 1.5)),
            "length": {"tones": [{"frequency_hz": 310, "amplitude": 0.05}], "noise_sd": 0.02},
            "width": {"tones": [{"frequency_hz": 470, "amplitude": 0.03}], "noise_sd": 0.01},
        },
        "keyhole": {"brightness": rim + 1.0},
        "disturbances": {"flicker_sd": float(rng.choice([0.0, 0.03]))},
    }
    return scene, coded


def pictures_of(simulation: Simulation, coded: bool, depth: int) -> np.ndarray:
    """The clip's frames, as they come back from H.264 where that is asked for."""
    frames = simulation.frames(0, len(simulation))
    if not coded:
        return frames
    with tempfile.TemporaryDirectory() as folder:
        path = write_frames(Path(folder) / "clip.mp4", [frames], format="mp4-h264", depth_bits=depth)
        with open_clip(path) as reader:
            return np.concatenate([block.frames for block in reader.blocks(size=64)])


def measured(seed: int, frames: int, known: bool = False) -> dict[str, float]:
    """One clip's conditions and errors; `known`: the spread of the edge is given."""
    drawn, coded = scene_of(seed, frames)
    scene = Scene.checked(drawn, where="benchmark")
    simulation = Simulation(scene)
    pictures = pictures_of(simulation, coded, scene.camera.depth_bits)
    forward = PoolAxes(0, 0, scene.camera.direction_deg).forward
    spread = math.sqrt(scene.camera.psf_sigma_px**2 + PIXEL_VARIANCE)
    settings = PoolSettings(edge_sigma_px=spread if known else None)
    some = pictures[:: max(frames // LOOKED_AT, 1)]
    look = learn_pool(some, float(scene.camera.full_scale), forward=forward, settings=settings)
    pools = [find_pool(f, look, forward=forward, settings=settings) for f in pictures]
    ok = np.array([p.status == "ok" for p in pools])
    truth = simulation.truth_frames
    length = (np.array([p.front - p.rear for p in pools]) - truth.length_px.to_numpy())[ok]
    width = (np.array([p.left - p.right for p in pools]) - truth.width_px.to_numpy())[ok]
    return {
        "seed": seed,
        "rim": scene.pool.rim,
        "hot": scene.pool.hot,
        "halo": scene.pool.halo,
        "taper": scene.pool.taper,
        "px": 2.4 / scene.camera.mm_per_px,
        "bits": scene.camera.depth_bits,
        "h264": float(coded),
        "spread": spread,
        "found": look.sigma,
        "step": look.step / look.full_scale,
        "clipped": look.edge_clipped,
        "ok": float(ok.mean()),
        "dl": float(length.mean()),
        "sl": float(length.std()),
        "dw": float(width.mean()),
        "sw": float(width.std()),
    }


def line(r: dict[str, float]) -> str:
    bad = "  over the bar" if max(abs(r["dl"]), abs(r["dw"])) > BAR_PX else ""
    return (
        f"{r['seed']:6.0f} {r['rim']:5.2f} {r['hot']:5.2f} {r['halo']:5.2f} {r['taper']:5.2f} {r['px']:5.0f} {r['bits']:3.0f}"
        f" {'h264' if r['h264'] else '    '} {r['spread']:5.2f} {r['found']:5.2f} {r['step']:6.2f} {r['clipped']:5.2f}"
        f" {r['ok']:5.2f} {r['dl']:+6.2f} {r['sl']:5.2f} {r['dw']:+6.2f} {r['sw']:5.2f}{bad}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=36)
    parser.add_argument("--first", type=int, default=5000)
    parser.add_argument("--frames", type=int, default=96)
    parser.add_argument("--only", type=int, nargs="*", help="seeds to run instead")
    parser.add_argument("--known", action="store_true", help="give the true spread of the edge")
    options = parser.parse_args()
    print(
        "  seed   rim   hot  halo taper length bit      spread found   step  clip    ok     length        width"
    )
    rows = []
    for seed in options.only or range(options.first, options.first + options.clips):
        rows.append(measured(seed, options.frames, options.known))
        print(line(rows[-1]), flush=True)
    bias = np.array([[r["dl"], r["dw"]] for r in rows])
    scatter = np.array([[r["sl"], r["sw"]] for r in rows])
    worst = np.abs(bias).max(axis=1)
    ratio = np.array([r["found"] / r["spread"] for r in rows])
    print(
        f"bias: rms {np.sqrt((bias**2).mean()):.2f} px, median of the clips' worse {np.median(worst):.2f} px, most"
        f" {worst.max():.2f} px; scatter: rms {np.sqrt((scatter**2).mean()):.2f} px; spread found / true: mean"
        f" {ratio.mean():.3f}, sd {ratio.std():.3f}; clips over {BAR_PX} px: {(worst > BAR_PX).sum()} of {len(rows)}"
    )


if __name__ == "__main__":
    main()
