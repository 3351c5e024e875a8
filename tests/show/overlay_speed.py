"""What writing an overlay costs a frame, beside plain video of the same clip: run it as a script.

    python tests/show/overlay_speed.py

Times are processor time of one core (OpenCV and the encoder on one thread would be the same work); each is the
best of five runs, since a busy machine only ever adds.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from conftest import DrawnClip

from poolwatch.footage import open_browser_video
from poolwatch.show.overlay import OverlayPainter, write_overlay
from poolwatch.show.segments import OverlayChoices, plan_overlay

FRAMES = 300


def best(work) -> float:
    """Milliseconds of processor time a frame, best of five."""
    times = []
    for _ in range(5):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return 1e3 * min(times) / FRAMES


def main() -> None:
    cv2.setNumThreads(1)
    clip = DrawnClip(frames=FRAMES)
    frames = [clip.frame(number) for number in range(FRAMES)]
    colour = [cv2.cvtColor(frame, cv2.COLOR_GRAY2BGR) for frame in frames]
    path = Path(tempfile.mkdtemp()) / "a.mp4"

    def plain() -> None:
        with open_browser_video(path, 512, 256, 30.0) as video:
            for frame in colour:
                video.write(frame)

    print(f"plain 512x256 video, veryfast: {best(plain):.2f} ms a frame")
    for choices in (OverlayChoices(), OverlayChoices(min_width=512)):
        segment = plan_overlay(clip.result, choices)[0]
        painter = OverlayPainter(clip.result, clip.shape, choices)
        out = np.empty((painter.height, painter.width, 3), np.uint8)

        def paint(painter=painter, segment=segment, out=out) -> None:
            for number, frame in enumerate(frames):
                painter.paint(frame, number, segment, out)

        def overlay(choices=choices) -> None:
            write_overlay(path, lambda numbers: ((n, frames[n]) for n in numbers), clip.result, choices)

        print(f"painting {painter.width}x{painter.height}: {best(paint):.2f} ms a frame")
        print(f"painting and writing: {best(overlay):.2f} ms a frame")
        print(f"  {path.stat().st_size / FRAMES / 1e3:.1f} kB a frame")


if __name__ == "__main__":
    main()
