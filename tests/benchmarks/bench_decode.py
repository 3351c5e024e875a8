"""Decoding alone, ms a frame and format, on 512 x 256 px footage. Run by hand:

python tests/benchmarks/bench_decode.py [frames]
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, write_frames

NAMES = (
    "mp4-h264", "mp4-hevc", "avi-mjpeg", "avi-ffv1", "avi-raw", "tiff", "tiff-lzw", "tiff-deflate", "png-folder",
    "npy", "hdf5", "hdf5-gzip", "raw", "raw-mono12p",
)  # fmt: skip


def pool(count: int, depth_bits: int) -> Iterator[NDArray[Any]]:
    rows, columns = np.mgrid[:256, :512]
    blob = 0.8 * np.exp(-(((columns - 250) / 90) ** 2) - ((rows - 128) / 50) ** 2) + 0.08
    rng = np.random.default_rng(0)
    noise = [rng.normal(0, 0.006, blob.shape) for _ in range(16)]
    top = (1 << depth_bits) - 1
    for number in range(count):
        values = np.roll(blob, int(5 * np.sin(number / 7)), 1) + noise[number % 16]
        yield (values.clip(0, 1) * top).astype(np.uint8 if depth_bits <= 8 else np.uint16)


def main(count: int) -> None:
    print(f"{'format':14} {'open ms':>8} {'ms a frame':>11} {'CPU ms':>7} {'one thread':>11}")
    with tempfile.TemporaryDirectory() as folder:
        for name in NAMES:
            depth = 12 if "12" in name else 8
            path = Path(folder) / f"{name}{FORMATS[name].ending}"
            write_frames(path, pool(count, depth), format=name, depth_bits=depth)
            begin = time.perf_counter()
            open_clip(path).close()
            opening = (time.perf_counter() - begin) * 1e3
            best, cpu = np.inf, np.inf
            for _ in range(3):
                with open_clip(path) as clip:
                    begin, begin_cpu = time.perf_counter(), time.process_time()
                    read = sum(len(block.frames) for block in clip.blocks())
                    best = min(best, (time.perf_counter() - begin) / read * 1e3)
                    cpu = min(cpu, (time.process_time() - begin_cpu) / read * 1e3)
            print(f"{name:14} {opening:8.1f} {best:9.3f} {cpu:7.3f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
