"""Memory and time of `poolwatch measure` on a long clip: python tests/benchmarks/bench_long_clip.py --frames 200000.

A run of made-up frames is written over and over, so that the clip is as long as asked for; its tones repeat, and many
peaks are found, which no weld has. Memory is the largest that the process ever had.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench_measure import footage, write

# Linux only. What `getrusage` says of a child process includes the memory of the one that started it.
RUN = """
import atexit, sys
def most():
    line = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
    print(int(line.split()[1]) / 1024, file=sys.stderr)
atexit.register(most)
from poolwatch.cli.main import console
console()
"""


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--frames", type=int, default=100_000)
    options.add_argument("--kind", default="mp4-h264")
    options.add_argument("--width", type=int, default=512)
    options.add_argument("--height", type=int, default=256)
    options.add_argument("--depth", type=int, default=8, help="bits of a grey value")
    options.add_argument("--particles", type=float, default=200.0, help="particles a second")
    options.add_argument("--overlay", action="store_true", help="with the annotated video and the page")
    given = options.parse_args()
    once = 1000
    with tempfile.TemporaryDirectory() as folder:
        path = write(
            Path(folder),
            given.kind,
            footage(once, given.particles, given.width, given.height, given.depth),
            max(given.frames // once, 1),
            given.depth,
        )
        command = [sys.executable, "-c", RUN, "measure", str(path), "--out", f"{folder}/out"]
        command += ["--record-rate", "10000", "--mm-per-px", "0.02", "--travel-speed", "100"]
        command += [] if given.overlay else ["--no-overlay", "--no-report"]
        began = time.perf_counter()
        done = subprocess.run(command, check=True, capture_output=True, text=True)
        took = time.perf_counter() - began
    most = float(done.stderr.split()[-1])
    print(
        f"{given.kind}, {given.width}x{given.height}, {given.depth} bit, {given.frames} frames: {took:.0f} s, "
        f"{1000 * took / given.frames:.2f} ms a frame; at most {most:.0f} MB"
    )


if __name__ == "__main__":
    main()
