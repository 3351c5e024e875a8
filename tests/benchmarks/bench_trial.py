"""A trial of real clips on two workers beside the clips alone: python tests/benchmarks/bench_trial.py.

A clip alone works on more than one core (one thread decodes, one measures), so both its time and its processor time
are set beside the trial.
"""

from __future__ import annotations

import argparse
import csv
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench_measure import FACTS, footage, write

import poolwatch


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--clips", type=int, default=10)
    options.add_argument("--frames", type=int, default=4000)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = write(folder, "mp4-h264", footage(1000, 200.0, 512, 256, 8), given.frames // 1000, 8, 14)
        with (folder / "manifest.csv").open("w", newline="", encoding="utf-8") as file:
            rows = csv.writer(file)
            rows.writerow(["clip", "beam_shape", "replicate", *FACTS])
            for k in range(given.clips):
                # A tail of its own makes each another file.
                (folder / f"clip-{k}.mp4").write_bytes(source.read_bytes() + bytes(16 + k))
                rows.writerow([f"clip-{k}.mp4", f"shape-{k % 2}", k // 2 + 1, *FACTS.values()])
        alone = []
        for k in (0, 0, 1, 2):
            wall, processor = time.perf_counter(), time.process_time()
            poolwatch.measure_clip(folder / f"clip-{k}.mp4", workers=1, **FACTS).write(folder / "alone")
            alone.append((time.perf_counter() - wall, time.process_time() - processor))
        # The first one compiles.
        half_wall, half_processor = (sum(t) / 3 * given.clips / 2 for t in zip(*alone[1:], strict=True))
        command = [
            sys.executable,
            "-m",
            "poolwatch",
            "trial",
            str(folder / "manifest.csv"),
            "--out",
            f"{folder}/out",
        ]
        began = time.perf_counter()
        subprocess.run(
            [*command, "--workers", "2", "--no-overlay", "--no-report"], check=True, stdout=subprocess.DEVNULL
        )
        took = time.perf_counter() - began
    print(
        f"{given.clips} clips of {given.frames} frames, two workers: {took:.1f} s, {took / half_processor:.2f} times half of "
        f"the processor time of the clips alone, {took / half_wall:.2f} times half of their time"
    )


if __name__ == "__main__":
    main()
