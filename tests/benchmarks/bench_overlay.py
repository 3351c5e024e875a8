"""What an overlay costs a frame beside plain video of the same size: run it as a script.

    python tests/benchmarks/bench_overlay.py

One core, processor time. All jobs take turns in short rounds and the best round of each counts, since a busy machine
only ever adds; the ratio to plain video carries over to other machines, the milliseconds do not.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import av
import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "show"))
from conftest import DrawnClip

from poolwatch.show.overlay import OverlayPainter, draw_overlay
from poolwatch.show.segments import OverlayChoices, plan_overlay
from poolwatch.show.tone import ToneCurve, toned

FRAMES, ROUNDS = 300, 5


def plain_video(pictures: list[np.ndarray], path: Path) -> None:
    """Grey pictures, as they are shown, through libx264 at its veryfast preset and nothing else."""
    height, width = pictures[0].shape
    grey = np.full((height // 2, width), 128, np.uint8)
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=30, options={"preset": "veryfast", "crf": "23"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        for number, picture in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(np.vstack([picture, grey]), format="yuv420p")
            frame.pts = number
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


def main() -> None:
    """Print a table."""
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    cv2.setNumThreads(1)
    clip = DrawnClip(frames=FRAMES)
    frames = [clip.frame(number) for number in range(FRAMES)]
    result = clip.result
    outlines = [clip.outline(number) for number in range(FRAMES)]
    object.__setattr__(result, "outlines", outlines.__getitem__)
    table = ToneCurve.for_sample(result.brightness_sample, result.full_scale).table(frames[0].dtype)
    shown = [toned(frame, table) for frame in frames]
    path = Path(tempfile.mkdtemp()) / "a.mp4"
    jobs: dict[str, Callable[[], None]] = {"plain 512x256, veryfast": lambda: plain_video(shown, path)}
    for least in (720, 1024, 512):
        choices = OverlayChoices(min_width=least)
        segment = plan_overlay(result, choices)[0]
        painter = OverlayPainter(result, clip.shape, choices)
        out = np.empty((painter.height, painter.width, 3), np.uint8)

        def paint(painter=painter, segment=segment, out=out) -> None:
            for number, frame in enumerate(frames):
                painter.paint(frame, number, segment, out)

        def overlay(choices=choices) -> None:
            draw_overlay(path, lambda numbers: ((n, frames[n]) for n in numbers), result, choices)

        size = f"{painter.width}x{painter.height}"
        jobs |= {f"painting {size}": paint, f"overlay {size}, painted and written": overlay}
    best = dict.fromkeys(jobs, np.inf)
    for _ in range(ROUNDS):
        for name, job in jobs.items():
            start = time.process_time()
            job()
            best[name] = min(best[name], 1e3 * (time.process_time() - start) / FRAMES)
    plain = next(iter(best.values()))
    print(f"{'':42s}ms a frame   times plain")
    for name, cost in best.items():
        print(f"{name:42s}{cost:10.2f}{cost / plain:14.2f}")


if __name__ == "__main__":
    main()
