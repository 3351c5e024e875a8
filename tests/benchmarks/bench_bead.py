"""Time to measure a photo of a weld of 20 megapixels: python tests/benchmarks/bench_bead.py.

Whole command, from the start of the process to the written row, on a photo that is drawn first. The bar is 5 s.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.simulated_welds.photo import write_weld
from tests.simulated_welds.scene import Bead, Clutter, PhotoCamera, Sheet, WeldScene

BAR_S = 5.0


def scene() -> WeldScene:
    """A weld of 45 mm, rippled, aslant in the picture, with ruler and particles."""
    return WeldScene(
        seed=20,
        width_px=5472,
        height_px=3648,
        direction_deg=7,
        mm_per_px=0.01,
        bead=Bead(
            length=4500, width=150, edge_rms=3.0, edge_wavelength=60, ripple_spacing=30, ripple_depth=0.15
        ),
        sheet=Sheet(deposits=60, deposit_most=40, scratches=8, rolling=0.03),
        clutter=Clutter(ruler=True, ruler_pitch=100),
        camera=PhotoCamera(blur=1.5, jpeg=92),
    )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=3)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        photo = Path(folder) / "weld.jpg"
        write_weld(scene(), photo)
        command = [sys.executable, "-m", "poolwatch", "bead", str(photo), "--mm-per-px", "0.01", "--out"]
        for number in range(given.rounds):
            before, began = os.times(), time.perf_counter()
            subprocess.run([*command, str(Path(folder) / f"{number}.csv")], check=True, capture_output=True)
            after, wall = os.times(), time.perf_counter() - began
            used = sum(after[2:4]) - sum(before[2:4])
            print(
                f"20 megapixels: {used:.1f} s of processor, {wall:.1f} s wall (bar {BAR_S:g} s)", flush=True
            )


if __name__ == "__main__":
    main()
