"""A clip gathered with helpers that are sure to have a part in it."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any, NamedTuple

import av
import numpy as np

from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, FootageOptions, write_frames
from poolwatch.measure import MeasureSettings, gather
from poolwatch.measure.look import ClipLook, look_at
from poolwatch.measure.settings import recording_of
from poolwatch.model.crew import HelperSignal
from poolwatch.simulate import Scene, Simulation

FACTS = {"record_rate_hz": 10_000.0, "mm_per_px": 0.02, "travel_speed_mm_s": 100.0}
SETTINGS = MeasureSettings()
FRAMES = 260
# A picture that comes again, black, and black again: in the middle, and wherever pieces of 20 or 26 frames meet.
REPEATS = (1, 20, 26, 40, 41, 52, 100, 104, 120, 121, 122, 130, 156, 180, 208, 240)
BLACK = (60, 61, 77, 78, 79, 200)


def in_groups(path: Path, frames: np.ndarray, group: int = 12) -> Path:
    """FFV1 with a keyframe every so many frames; 12 is what FFmpeg makes of it unless told otherwise."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=25)
        stream.height, stream.width, stream.pix_fmt = *frames.shape[1:], "gray"
        stream.codec_context.gop_size = group
        for frame in frames:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format="gray")))
        container.mux(stream.encode(None))
    return path


def drawn(kind: str, form: str, folder: Path) -> Path:
    scene = {
        "kind": kind,
        "frames": FRAMES,
        "seed": 31,
        "camera": {"width": 192, "height": 112},
        "pool": {"length_mm": 1.4, "width_mm": 0.7},
        "spatter": {"rate_per_s": 2500.0 if kind == "glowing" else 300.0},
    }
    frames = Simulation(Scene.checked(scene, where="test")).frames(0, FRAMES)
    for k in BLACK:
        frames[k] = 0
    for k in REPEATS:
        frames[k] = frames[k - 1]
    if kind == "illuminated":
        frames = np.delete(frames, (90, 147), axis=0)
    if form == "ffv1-groups":
        return in_groups(folder / "clip.mkv", frames)
    options = FootageOptions(keyframe_interval=20, b_frames=0, jpeg_quality=4)
    return write_frames(
        folder / f"clip{FORMATS[form].ending}", [frames], format=form, depth_bits=8, options=options
    )


class Case(NamedTuple):
    """A clip and what its first look learned."""

    path: Path
    look: ClipLook

    def gathered(self, **how: Any) -> gather.Gathered:
        with open_clip(self.path) as reader:
            return gather.gather(reader, self.look, SETTINGS, **how)


def case_of(path: Path) -> Case:
    with open_clip(path) as reader:
        return Case(path, look_at(reader, recording_of(SETTINGS, FACTS, where="test"), SETTINGS))


def with_helpers(case: Case, count: int, **how: Any) -> tuple[gather.Gathered, set[int]]:
    """Gathered once so many helpers are free, each of which takes a piece; and who they were."""
    begun: set[int] = set()
    run, least = gather._Gathering.run, gather._LEAST

    def waiting(self: Any) -> Any:
        self._expected = True
        begin = self._crew.begin

        def noted(helper: int, task: tuple[Any, ...]) -> None:
            begun.add(helper)
            begin(helper, task)

        self._crew.begin = noted
        self._crew.expect(10.0)
        # Nobody begins before all are there: a quick one would leave nothing to the others.
        free: set[int] = set()
        deadline = time.monotonic() + 120
        while len(free) < count and time.monotonic() < deadline:
            free.update(
                helper for helper, said in self._crew.answers(wait=False) if said is HelperSignal.FREE
            )
            time.sleep(0.02)
        for helper in sorted(free):
            self._give(helper)
        return run(self)

    gather._Gathering.run, gather._LEAST = waiting, 30  # type: ignore[method-assign]
    try:
        return case.gathered(**how), begun
    finally:
        gather._Gathering.run, gather._LEAST = run, least  # type: ignore[method-assign]


def columns(found: gather.Gathered) -> dict[str, np.ndarray]:
    """What is compared of it, as arrays."""
    return {
        **found.figures,
        "status": found.status.astype(str),
        "agitation": found.agitation,
        "ways": found.ways,
        "outlines": np.concatenate([found.outlines(k) for k in range(len(found.outlines))]),
        "sightings": np.zeros(0) if found.sightings is None else found.sightings,
        "undecodable": np.array(found.findings.undecodable),
        "decoded": np.array(found.findings.frames_decoded),
    }


def task(given: tuple[Path, Path, int], report: Any) -> None:
    """Gather a clip with helpers that are lent, and write what was found."""
    path, out, count = given
    found, begun = with_helpers(case_of(path), count, recruit=report.recruit)
    np.savez(out, **columns(found), helpers=len(begun))
