"""What a frame costs with 1, 2, 4 … processes up to the cores there are, beside decoding it in one thread.

Run by hand on Linux: ``python tests/benchmarks/bench_cores.py [--frames 4000] [--workers 1,2] [--scenes …] [--kinds …]``.
It writes its table into ``RESULTS.md`` beside it. Helpers are waited for before the clock starts, and what starting them
costs is left out, as is the first look. Processor time is that of all processes, user and system; ``alone`` is the share of it
that the first process spends on putting pieces together and on messages. Footage: the project's own, relief footage of
another hand (where ``../shared/footage/relief.py`` is there), and a textured one: a plate of fine grain under the
project's pool.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, FootageOptions, write_frames
from poolwatch.measure import MeasureSettings, gather
from poolwatch.measure.look import ClipLook, look_at
from poolwatch.measure.settings import recording_of
from poolwatch.model import crew
from poolwatch.model.crew import HelperSignal
from poolwatch.model.processes import usable_cores
from poolwatch.simulate import Scene, Simulation

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.measure.helped import in_groups

RESULTS = Path(__file__).with_name("RESULTS.md")
RELIEF = Path(__file__).resolve().parents[3] / "shared" / "footage" / "relief.py"
FACTS = {"record_rate_hz": 1e4, "mm_per_px": 0.02, "travel_speed_mm_s": 100.0, "exposure_s": 4e-5}
KINDS = ("npy", "mp4-h264", "avi-mjpeg", "ffv1-groups")
ONCE = 250
TICK = os.sysconf("SC_CLK_TCK")


def own(frames: int) -> np.ndarray:
    scene = {
        "frames": frames,
        "seed": 77,
        "camera": {"width": 512, "height": 256, "read_noise": 0.004},
        "pool": {"length": {"noise_sd": 0.03}, "width": {"noise_sd": 0.02}},
        "spatter": {"rate_per_s": 200.0},
    }
    return Simulation(Scene.checked(scene, where="benchmark")).frames(0, frames)


def textured(frames: int) -> np.ndarray:
    """Grain of 2 px that runs backwards by 0.5 px a frame, a tenth of full scale, wherever nothing is brighter."""
    pictures = own(frames)
    h, w = pictures.shape[1:]
    grain = np.random.default_rng(5).normal(size=(h // 2 + 1, w // 2 + frames // 4 + 2))
    grain = np.kron(np.clip(25 + 10 * grain, 0, 60), np.ones((2, 2))).astype(np.uint8)
    for k in range(frames):
        here = grain[:h, k // 2 : k // 2 + w]
        np.maximum(pictures[k], here, out=pictures[k])
    return pictures


def relief(frames: int, **more: Any) -> np.ndarray:
    spec = importlib.util.spec_from_file_location("relief", RELIEF)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["relief"] = module
    spec.loader.exec_module(module)
    scene = module.Relief(
        seed=4,
        n_frames=frames,
        rate_hz=1e4,
        shape_px=(256, 512),
        travel_mm_s=100.0,
        particles_per_s=400,
        **more,
    )
    return np.asarray(module.render(scene)[0])


GLOWING = {"liquid_tone": 0.6, "plate_tone": 0.05, "bead_tone": 0.22, "glint": 0.1}
SCENES: dict[str, Callable[[int], np.ndarray]] = {
    "own": own,
    "textured": textured,
    "relief, glowing": lambda frames: relief(frames, **GLOWING),
    "relief, illuminated": relief,
}


def written(folder: Path, kind: str, pictures: np.ndarray, loops: int, quality: int) -> Path:
    if kind == "ffv1-groups":
        return in_groups(folder / "clip.mkv", np.concatenate([pictures] * loops))
    options = FootageOptions(quality=quality, keyframe_interval=50)
    path = folder / f"clip{FORMATS[kind].ending}"
    return write_frames(path, (pictures for _ in range(loops)), format=kind, depth_bits=8, options=options)


def used(process: int | None = None) -> float:
    """Processor time of this process and of those that have ended, or of one that runs, s."""
    if process is not None:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / TICK
    parts = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(part.ru_utime + part.ru_stime for part in parts)


def decode(path: Path) -> tuple[float, float]:
    """Wall and processor time of a frame in one thread, ms."""
    with open_clip(path) as reader:
        wall, cpu, n = time.perf_counter(), time.process_time(), reader.facts.frame_count
        for _ in reader.blocks(size=64):
            pass
        return 1e3 * (time.perf_counter() - wall) / n, 1e3 * (time.process_time() - cpu) / n


@contextmanager
def alone_timed() -> Iterator[list[float]]:
    """Processor time that the first process spends on what no other can do, s."""
    spent = [0.0]
    assembly, kept = gather.Assembly, []

    def timed(call: Callable[..., Any]) -> Callable[..., Any]:
        def inner(*args: Any, **more: Any) -> Any:
            began = time.thread_time()
            try:
                return call(*args, **more)
            finally:
                spent[0] += time.thread_time() - began

        return inner

    for owner, name in ((assembly, "add"), (assembly, "join"), (assembly, "finish"), (crew, "unpacked")):
        kept.append((owner, name, getattr(owner, name)))
        setattr(owner, name, timed(getattr(owner, name)))
    try:
        yield spent
    finally:
        for owner, name, call in kept:
            setattr(owner, name, call)


def measure(path: Path, look: ClipLook, workers: int) -> tuple[float, float, float, float]:
    """Wall and processor time of a frame, ms; the first process's share alone; largest helper, MB."""
    began = [0.0, 0.0]
    most = [0.0]
    run, end = gather._Gathering.run, crew.OwnProcesses.end

    def ready(self: Any) -> Any:
        self._expected = True
        self._crew.expect(1e9)
        free: set[int] = set()
        warm: set[int] = set()
        while len(warm) < workers - 1:
            for helper, answer in self._crew.answers(wait=False):
                if answer is HelperSignal.FREE and helper in free:
                    warm.add(helper)
                elif answer is HelperSignal.FREE:
                    # Its kernels are loaded by the first frames that it measures.
                    free.add(helper)
                    self._crew.begin(helper, (0, 64))
            time.sleep(0.01)
        started = sum(used(one.pid) for one in self._crew._processes.values())
        began[:] = time.perf_counter(), used() + started
        for helper in free:
            self._give(helper)
        found = run(self)
        began[0] = time.perf_counter() - began[0]
        return found

    def ended(self: crew.OwnProcesses) -> None:
        for one in self._processes.values():
            lines = Path(f"/proc/{one.pid}/status").read_text().splitlines()
            peak = next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))
            most[0] = max(most[0], peak)
        end(self)

    # Those that have nothing more to do are kept, to be asked for their memory.
    release = crew.OwnProcesses.release
    crew.OwnProcesses.release = lambda self, helper: None  # type: ignore[method-assign]
    gather._Gathering.run, crew.OwnProcesses.end = ready, ended  # type: ignore[method-assign]
    try:
        with open_clip(path) as reader, alone_timed() as alone:
            n = reader.facts.frame_count
            gather.gather(reader, look, MeasureSettings(), workers=workers)
        cpu = used() - began[1]
    finally:
        gather._Gathering.run, crew.OwnProcesses.end = run, end  # type: ignore[method-assign]
        crew.OwnProcesses.release = release  # type: ignore[method-assign]
    return 1e3 * began[0] / n, 1e3 * cpu / n, alone[0] / cpu, most[0]


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--frames", type=int, default=4000, help="of a clip; 250 of them over and over")
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--workers", default=None, help="such as 1,2,4; default: up to the cores there are")
    options.add_argument("--scenes", default=";".join(SCENES), help="separated by ;")
    options.add_argument("--kinds", default=",".join(KINDS))
    options.add_argument(
        "--quality", type=int, default=18, help="of lossy video: lower keeps more; see bytes a frame"
    )
    given = options.parse_args()
    cores = usable_cores()
    counts = [2**k for k in range(cores.bit_length()) if 2**k <= cores]
    counts = [int(word) for word in given.workers.split(",")] if given.workers else counts
    rows = []
    for scene in given.scenes.split(";"):
        if scene.startswith("relief") and not RELIEF.exists():
            continue
        pictures = SCENES[scene](min(ONCE, given.frames))
        for kind in given.kinds.split(","):
            with tempfile.TemporaryDirectory() as folder:
                path = written(Path(folder), kind, pictures, max(given.frames // ONCE, 1), given.quality)
                rows += of_clip(path, f"{scene} | {kind}", counts, given.rounds)
    command = "python tests/benchmarks/bench_cores.py " + " ".join(map(_quoted, sys.argv[1:]))
    write_table(command.strip(), rows, cores)


def _quoted(word: str) -> str:
    return f'"{word}"' if set(word) & set(" ;,") and not word.replace(",", "").isdigit() else word


def of_clip(path: Path, name: str, counts: list[int], rounds: int) -> list[str]:
    """A row for each number of processes; decoding and measuring take turns, for other work on the machine."""
    settings = MeasureSettings()
    with open_clip(path) as reader:
        look = look_at(reader, recording_of(settings, FACTS, where="benchmark"), settings)
        size = path.stat().st_size / reader.facts.frame_count
    measure(path, look, 1)
    decoded, found = [], {count: [] for count in counts}  # type: ignore[var-annotated]
    for _ in range(rounds):
        decoded.append(decode(path))
        for count in counts:
            found[count].append(measure(path, look, count))
    wall0, cpu0 = np.median(decoded, axis=0)
    one = float(np.median(found[counts[0]], axis=0)[1])
    rows = []
    for count in counts:
        wall, cpu, alone, memory = np.median(found[count], axis=0)
        rows.append(
            f"| {name}, {size:.0f} | {count} | {wall0:.3f} | {wall:.3f} | {wall / wall0:.2f} | {cpu0:.3f} | "
            f"{cpu:.3f} | {cpu / one:.2f} | {100 * alone:.1f} % | {f'{memory:.0f}' if memory else '–'} |"
        )
        print(rows[-1], flush=True)
    return rows


def write_table(command: str, rows: list[str], cores: int) -> None:
    """Put the table into `RESULTS.md`, in place of the one of the same command."""
    head = (
        "| scene | format, bytes a frame | processes | decoding, wall | wall | wall / decoding | decoding, processor | processor | over one "
        "process | alone | MB |"
    )
    mark = f"`{command}`"
    table = "\n".join(
        [mark, "", f"{cores} cores; ms a frame, medians.", "", head, "|" + " --- |" * 11, *rows]
    )
    title = "# What measuring costs\n\nEach table is written by the command above it (`tests/benchmarks/`)."
    parts = RESULTS.read_text(encoding="utf-8").rstrip().split("\n\n## ") if RESULTS.exists() else [title]
    parts = [part for part in parts if mark not in part]
    RESULTS.write_text(
        "\n\n## ".join([*parts, f"Processes beside one another\n\n{table}"]) + "\n", encoding="utf-8"
    )


if __name__ == "__main__":
    main()
