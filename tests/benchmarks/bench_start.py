"""Time from the start of the process to the first block measured: python tests/benchmarks/bench_start.py.

Processor time, of all threads, is the steadier figure on a machine with other work. The clip is measured once before, so that all caches are warm: those of Numba, and Python's own compiled files, which an
installation writes too.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench_measure import FACTS, footage, write

FIRST = f"""
import os, sys, poolwatch
poolwatch.measure_clip(sys.argv[1], progress=lambda done, total: os._exit(0), **{FACTS})
"""


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--kinds", default="mp4-h264,avi-mjpeg,npy")
    options.add_argument("--rounds", type=int, default=3)
    given = options.parse_args()
    surroundings = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    pictures = footage(1000, 200.0, 512, 256, 8)
    with tempfile.TemporaryDirectory() as folder:
        for kind in given.kinds.split(","):
            path = write(Path(folder), kind, pictures, 2)
            took, worked = [], []
            for _ in range(given.rounds + 1):
                began, used = time.perf_counter(), _processor()
                subprocess.run([sys.executable, "-c", FIRST, str(path)], check=True, env=surroundings)
                took.append(time.perf_counter() - began)
                worked.append(_processor() - used)
            print(
                f"{kind}: {min(took[1:]):.2f} to {max(took[1:]):.2f} s, median {statistics.median(took[1:]):.2f} s; "
                f"processor {statistics.median(worked[1:]):.2f} s",
                flush=True,
            )


def _processor() -> float:
    """Processor time of the processes that have ended, s."""
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


if __name__ == "__main__":
    main()
