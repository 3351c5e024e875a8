"""The kernels compiled beforehand are those that measuring calls."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

COUNT = """
import sys
from numba.core import event

class Compiled(event.Listener):
    kernels = set()
    def on_start(self, event): pass
    def on_end(self, event):
        code = event.data["dispatcher"].py_func.__module__
        if code.startswith("poolwatch.") and not code.startswith("poolwatch.simulate"):
            self.kernels.add(str(event.data["dispatcher"]))

event.register("numba:compile", Compiled())
import poolwatch
poolwatch.measure_clip(
    sys.argv[1], record_rate_hz=10_000, mm_per_px=0.02, travel_speed_mm_s=100, exposure_s=2e-5
)
print(sorted(Compiled.kernels))
"""


@pytest.mark.slow
def test_nothing_is_left_to_compile(tmp_path: Path) -> None:
    from poolwatch.measure import is_compiled
    from poolwatch.simulate import Scene, write_simulation

    assert is_compiled()
    scene = Scene.checked({"frames": 200, "seed": 8}, where="test")
    clip = write_simulation(scene, tmp_path, format="npy")
    done = subprocess.run(
        [sys.executable, "-c", COUNT, str(clip)],
        capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2], env={**os.environ},
    )  # fmt: skip
    assert done.stdout.strip() == "[]"
