"""The measuring code compiled once on a machine, its parts side by side, before it is needed.

Numba compiles a kernel when it is first called and keeps the result on disk. Threads would wait for one another
there and processes would each compile everything, so two processes call one half of the kernels each, on a few
small made-up pictures.
"""

from __future__ import annotations

import contextlib
import gc
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from ..model.processes import Channel, Inbox, Process

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_FULL = 255.0


def is_compiled() -> bool:
    """Whether this machine's cache holds the kernels; True where there is no cache to look into."""
    from ..pool.edge import refine
    from ..spatter.tracking import track_sightings
    from ..spatter.window import window

    for kernel in (refine, track_sightings, window):
        where = getattr(getattr(kernel, "stats", None), "cache_path", None)
        if not where:  # Compiling is switched off.
            return True
        name = f"{kernel.__module__.rpartition('.')[2]}.{kernel.__name__}-*.nbi"
        if not any(Path(where).glob(name)):
            return False
    return True


def compile_kernels() -> None:
    """Compile the kernels of glowing footage in two processes; what fails there is compiled when it is called."""
    inbox = Inbox()
    running: list[Process] = []
    try:
        # Where none can be started, each kernel is compiled when it is called.
        with contextlib.suppress(OSError):
            running += (Process(half, inbox) for half in (_compile_pool_and_links, _compile_particles))
        ended = 0
        while ended < len(running):
            got = inbox.get(60.0)
            ended += got is not None and got.message is None
    finally:
        for process in running:
            process.end()


def collect_garbage_rarely() -> None:
    """Spare a tenth of compiling: all that a compiler makes is alive until the end, and is looked through in vain."""
    gc.freeze()
    gc.set_threshold(200_000, 50, 1000)


def _pictures() -> tuple[NDArray[np.uint16], list[NDArray[np.float64]]]:
    """A bright ellipse from which discs fly away, and its outline in each frame."""
    import numpy as np

    rng = np.random.default_rng(1)
    n, h, w = 20, 96, 176
    rows, cols = np.mgrid[0:h, 0:w].astype(float)
    frames = np.empty((n, h, w))
    outlines = []
    turn = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    for k in range(n):
        x, y, a, b = 75.0 + 0.5 * np.sin(k), 48.0, 34.0 + np.cos(0.7 * k), 17.0
        ring = (np.hypot((cols - x) / a, (rows - y) / b) - 1.0) * b
        frames[k] = 10.0 + 110.0 / (1.0 + np.exp(np.clip(1.6 * ring, -50, 50)))
        frames[k] += 90.0 * np.exp(-((cols - 95.0) ** 2 + (rows - y) ** 2) / 30.0)
        outlines.append(np.column_stack([x + a * np.cos(turn), y + b * np.sin(turn)]))
        for start, (dx, dy) in enumerate(((2.0, 1.6), (3.0, -1.5), (-1.0, 2.0), (2.5, 0.9))):
            t = (k + 5 * start) % 16
            px, py = x + 30.0 + dx * t, y + 4.0 * dy + dy * t
            frames[k] += 120.0 / (
                1.0 + np.exp(np.clip(2.0 * (np.hypot(cols - px, rows - py) - 2.0), -50, 50))
            )
    frames += rng.normal(size=frames.shape)
    return np.clip(np.rint(frames), 0, _FULL).astype(np.uint16), outlines


def _compile_pool() -> None:
    """The kernels of the pool."""
    import numpy as np

    from ..clips import open_clip
    from ..model.recording import Recording
    from .gather import gather
    from .look import look_at
    from .settings import MeasureSettings

    frames, _ = _pictures()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frames.npy"
        np.save(path, frames.astype(np.uint8))
        settings = MeasureSettings(spatter_on=False)
        recording = Recording(record_rate_hz=10_000.0)
        with open_clip(path, settings=settings.clip) as reader:
            gather(reader, look_at(reader, recording, settings), settings, workers=1)


def _sightings(n: int) -> NDArray[np.void]:
    """Three particles in straight flight, one after the other."""
    import numpy as np

    from ..spatter.records import SIGHTING

    sightings = np.zeros(3 * n, dtype=SIGHTING)
    sightings["frame"] = np.tile(np.arange(n), 3)
    sightings["x"] = np.repeat([20.0, 60.0, 100.0], n) + sightings["frame"] % 20
    sightings["y"] = np.repeat([20.0, 25.0, 80.0], n) + sightings["frame"] % 20
    sightings["flux"], sightings["u_x"], sightings["u_y"], sightings["signal"] = 500.0, 0.1, 0.1, 30.0
    return sightings


def _compile_particles(_: Channel) -> None:
    """The kernels that find, fit, size and judge particles."""
    from dataclasses import replace

    import numpy as np

    from ..spatter import (
        LateFits,
        SpatterSettings,
        Tracks,
        detect_waiting,
        learn,
        particles,
        smallest_diameter,
    )

    collect_garbage_rarely()
    frames, outlines = _pictures()
    settings = SpatterSettings()
    look = learn(frames, full_scale=_FULL, outlines=outlines, settings=settings)
    smallest_diameter(frames[:8], outlines[:8], look, settings=settings)
    n = len(frames)
    # A level that the particles hardly pass, so that their fits are put off.
    hard = replace(look, threshold=look.threshold * np.float32(30.0))
    LateFits(hard, settings).add(*detect_waiting(frames, outlines, hard, settings), np.arange(n), 2 * n)
    tracks = Tracks(_sightings(n), np.arange(4, dtype=np.int64) * n, np.ones(n, dtype=np.bool_), 0)
    particles(
        tracks,
        look,
        lambda frame: outlines[frame],
        exposure_frames=0.2,
        metal_px=(-0.5, 0.0),
        settings=settings,
    )


def _compile_links() -> None:
    """The kernels that link sightings."""
    import numpy as np

    from ..spatter import SpatterSettings, link

    frames, _ = _pictures()
    n = len(frames)
    flying = _sightings(n)
    flying = np.sort(flying[flying["frame"] % 20 != 9], order="frame")
    link(flying, np.ones(n, dtype=np.bool_), frames.shape[1:], SpatterSettings())


def _compile_pool_and_links(_: Channel) -> None:
    """About half of the work."""
    collect_garbage_rarely()
    _compile_pool()
    _compile_links()
