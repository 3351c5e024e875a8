"""Load: a clip with ten thousand particles is measured, scored, drawn and reported: pytest … -n 0 -s."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from poolwatch.simulate import Scene, write_simulation

# Each step in a process of its own, so that each tells its own highest memory.
STEP = """
import json, resource, sys, time
begin = time.perf_counter()
from poolwatch.cli.main import main
code = main(sys.argv[1:])
cpu = sum(resource.getrusage(resource.RUSAGE_SELF)[:2])
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps({"code": code, "wall": time.perf_counter() - begin, "cpu": cpu, "peak": peak}))
"""
FRAMES = int(os.environ.get("POOLWATCH_PARTICLE_FRAMES", "2000"))
SCENE = {
    "frames": FRAMES,
    "seed": 10,
    "camera": {"width": 320, "height": 192, "mm_per_px": 0.03, "exposure_s": 2e-5},
    "pool": {"length": {"noise_sd": 0.02}, "width": {"noise_sd": 0.01}},
    "keyhole": {"brightness": 0.7, "motion": {"noise_sd": 0.03}},
    "spatter": {"rate_per_s": 50_000, "diameter_mm": 0.09, "speed_mm_s": 2500},
}


def step(*arguments: str) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, "-c", STEP, *arguments],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        check=True,
    )
    told: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    print(f"{arguments[0]}: {told['wall']:.0f} s, {told['cpu']:.0f} s of processor, {told['peak']:.0f} MB")
    assert told["code"] == 0, done.stderr
    return told


def test_ten_thousand_particles(tmp_path: Path) -> None:
    import pandas as pd

    clip = write_simulation(Scene.checked(SCENE, where="load"), tmp_path, format="avi-ffv1")
    thrown = len(pd.read_csv(tmp_path / "truth_spatter.csv"))
    assert thrown > 4.9 * FRAMES
    print(f"\n{thrown} particles thrown in {FRAMES} frames")
    facts = ["--record-rate", "10000", "--mm-per-px", "0.03", "--travel-speed", "100", "--exposure", "2e-5"]
    measured = step("measure", str(clip), "--out", str(tmp_path / "out"), *facts, "--no-overlay")
    folder = tmp_path / "out" / clip.stem
    found = len(pd.read_csv(folder / "spatter.csv"))
    size = sum(file.stat().st_size for file in folder.iterdir()) / 2**20
    print(f"{found} found; folder of {size:.0f} MB")
    drawn = step("overlay", str(folder))
    page = (folder / "report.html").stat().st_size / 2**20
    print(f"report of {page:.1f} MB, video of {(folder / 'overlay.mp4').stat().st_size / 2**20:.1f} MB")
    score = pd.read_csv(folder / "score.csv").iloc[0]
    assert score["spatter_count"] > 0.3 * thrown
    assert 0 < score["stability_index"] < 100
    # Some 130 particles in every frame cost more than a usual frame, but no more than that many times.
    assert measured["cpu"] < 0.15 * FRAMES
    assert max(measured["peak"], drawn["peak"]) < 2000
    assert page < 15
