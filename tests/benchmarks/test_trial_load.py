"""Load: a trial of 200 real clips in one go, and memory of the run itself: pytest tests/benchmarks/test_trial_load.py -n 0 -s."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from poolwatch.simulate import Scene, write_simulation

SHAPES = ("single-spot", "twin-spot", "flat-top", "crescent")
# Runs a trial and notes the memory of this process at every clip that is done, at the end, and at its highest.
RUN = """
import json, resource, sys
from pathlib import Path
from poolwatch.trial.run import run_trial

def resident_mb():
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20

seen = []
def tell(event):
    if event.kind == "done":
        seen.append(resident_mb())

if __name__ == "__main__":
    run_trial(sys.argv[1], sys.argv[2], workers=2, overlay=False, progress=tell)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"seen": seen, "end": resident_mb(), "peak": peak}))
"""


def scene_of(number: int) -> Scene:
    u = 0.5 * 1.3 ** (number % len(SHAPES))
    return Scene.checked(
        {
            "frames": 160,
            "seed": number,
            "camera": {"width": 112, "height": 72, "mm_per_px": 0.05, "exposure_s": 2e-5},
            "pool": {"length": {"noise_sd": 0.03 * u}, "width": {"noise_sd": 0.02 * u}},
            "keyhole": {"brightness": 0.6, "motion": {"noise_sd": 0.03 * u}},
            "spatter": {"rate_per_s": 200 * u, "diameter_mm": 0.2},
        },
        where="load",
    )


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="reads memory from /proc")
def test_200_clips_in_one_go_and_memory_flat(tmp_path: Path) -> None:
    lines = ["clip,beam_shape,replicate,record_rate_hz,mm_per_px,travel_speed_mm_s,exposure_s"]
    for number in range(200):
        clip = write_simulation(
            scene_of(number), tmp_path, name=f"w{number:03}", truth_dir=tmp_path / "truth", format="avi-ffv1"
        )
        lines.append(f"{clip.name},{SHAPES[number % 4]},{number // 4 + 1},10000,0.05,100,2e-5")
    manifest = tmp_path / "manifest.csv"
    manifest.write_text("\n".join(lines) + "\n", encoding="utf-8")
    script = tmp_path / "run.py"
    script.write_text(RUN, encoding="utf-8")
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, str(script), str(manifest), str(tmp_path / "out")],
        env={"PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    seconds = time.perf_counter() - begin
    told = json.loads(done.stdout.splitlines()[-1])
    seen = np.array(told["seen"])
    page = (tmp_path / "out" / "report.html").stat().st_size / 2**20
    print(
        f"\n{len(seen)} clips in {seconds:.0f} s; memory of the run: {seen[0]:.0f} MB at the first clip, "
        f"{seen[20]:.0f} at the 21st, {seen[-1]:.0f} at the last, {told['peak']:.0f} at its highest (ranking and "
        f"report), report of {page:.1f} MB"
    )
    assert len(seen) == 200
    # A line through them: what 1,000 clips more would cost.
    slope = np.polyfit(np.arange(20, 200), seen[20:], 1)[0]
    assert seen[20:].max() - seen[20] < 8
    assert 1000 * slope < 40
    assert told["peak"] < 700
