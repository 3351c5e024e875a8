"""A clip cut into pieces, measured by whoever and in any order: no digit changes, and nothing is lost with a helper."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pandas.testing import assert_frame_equal

import poolwatch
from poolwatch.clips import open_clip
from poolwatch.clips.reader import BaseReader
from poolwatch.footage import FORMATS, FootageOptions, write_frames
from poolwatch.measure import Measurement, MeasureSettings, gather
from poolwatch.measure.look import look_at
from poolwatch.measure.piece import Ends, Part, PieceWork
from poolwatch.measure.settings import recording_of
from poolwatch.model import crew
from poolwatch.model.crew import Crew, Signal, Work
from poolwatch.model.errors import ClipError
from poolwatch.simulate import Scene, Simulation

FACTS = {"record_rate_hz": 10_000.0, "mm_per_px": 0.02, "travel_speed_mm_s": 100.0}
FRAMES = 260
# A picture that comes again, black, and black again: in the middle, and wherever pieces of 20 or 26 frames meet.
REPEATS = (1, 20, 26, 40, 41, 52, 100, 104, 120, 121, 122, 130, 156, 180, 208, 240)
BLACK = (60, 61, 77, 78, 79, 200)


class InTurns(Crew):
    """Helpers in this process, whose work goes on in any order, and of whom some get lost."""

    def __init__(self, work: Work, seed: int, lost: float = 0.05) -> None:
        super().__init__(work)
        self.rng, self.lost = np.random.default_rng(seed), lost
        self.free, self.runs, self.begun = [0, 1, 2], {}, 0  # type: ignore[var-annotated]

    def begin(self, helper: int, task: tuple[Any, ...]) -> None:
        self.begun += 1
        self.runs[helper] = self._work.run(*task)

    def answers(self, *, wait: bool) -> Iterator[tuple[int, Any]]:
        if self.free and self.rng.random() < 0.7:
            yield self.free.pop(), Signal.FREE
        for helper in self.rng.permutation(list(self.runs)).tolist():
            while helper in self.runs and (wait or self.rng.random() < 0.6):
                if self.rng.random() < self.lost:
                    del self.runs[helper]
                    self.free.append(helper)
                    yield helper, Signal.LOST
                    break
                try:
                    yield helper, next(self.runs[helper])
                except StopIteration:
                    del self.runs[helper]
                    yield helper, Signal.FREE

    def _post(self, helper: int, *message: Any) -> None: ...

    def _next(self, wait_s: float) -> None: ...

    def release(self, helper: int) -> None: ...

    def end(self) -> None:
        self._work.close()


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
    options = FootageOptions(keyframe_interval=20, b_frames=0, jpeg_quality=4)
    return write_frames(
        folder / f"clip{FORMATS[form].ending}", [frames], format=form, depth_bits=8, options=options
    )


CASES = [
    ("glowing", "npy"),
    ("glowing", "avi-mjpeg"),
    ("glowing", "mp4-h264-lossless"),
    ("illuminated", "npy"),
    ("illuminated", "mp4-h264-lossless"),
]


@pytest.fixture(scope="module", params=CASES, ids=["-".join(case) for case in CASES])
def clip(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return drawn(*request.param, tmp_path_factory.mktemp("clip"))


@pytest.fixture(scope="module")
def whole(clip: Path) -> Measurement:
    result = poolwatch.measure_clip(clip, workers=1, **FACTS)
    assert result.run["statuses"]["repeated"] >= 8
    return result


def same(one: Measurement, other: Measurement) -> None:
    for name in ("frames", "spatter", "spatter_rejected", "tracks", "spectra", "score"):
        assert_frame_equal(getattr(one, name), getattr(other, name), obj=name)
    for part in ("statuses", "drops", "flags", "input", "steady", "look"):
        assert one.run[part] == other.run[part], part
    assert len(one.outlines) == len(other.outlines)
    for k in range(len(one.outlines)):
        assert np.array_equal(one.outlines(k), other.outlines(k)), k


@pytest.mark.parametrize("seed", range(4))
def test_pieces_and_helpers_change_no_digit(
    seed: int, clip: Path, whole: Measurement, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gather, "_LEAST", (20, 26, 7, 1)[seed])
    monkeypatch.setattr(gather, "_MOST", (20, 26, 90, 40)[seed])
    crews: list[InTurns] = []

    def recruit(work: Work) -> Crew:
        crews.append(InTurns(work, seed))
        return crews[-1]

    size = (64, 20, 9, 33)[seed]
    same(whole, poolwatch.measure_clip(clip, recruit=recruit, block_size=size, **FACTS))
    assert crews[0].begun >= 2


@pytest.mark.parametrize("context", ["glowing", "illuminated"])
def test_no_frame_is_decoded_twice(
    context: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gather, "_LEAST", 20)
    path = drawn(context, "npy", tmp_path)
    times = np.zeros(FRAMES, dtype=int)
    read = BaseReader.blocks

    def counted(self: BaseReader, start: int = 0, stop: int | None = None, *, size: int = 64) -> Iterator[Any]:
        for block in read(self, start, stop, size=size):
            times[block.start : block.start + len(block.frames)] += 1
            yield block

    monkeypatch.setattr(BaseReader, "blocks", counted)
    poolwatch.measure_clip(path, recruit=lambda work: InTurns(work, 3, lost=0.0), **FACTS)
    with open_clip(path) as reader:
        assert (times[: reader.facts.frame_count] == 1).all()


def test_damage_at_the_ends_of_pieces_is_named_alike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = drawn("glowing", "mkv-ffv1", tmp_path)
    data = bytearray(path.read_bytes())
    for place in (0.2, 0.55, 0.8):
        at = int(len(data) * place)
        data[at : at + 4] = bytes(value ^ 255 for value in data[at : at + 4])
    path.write_bytes(data)
    one = poolwatch.measure_clip(path, workers=1, **FACTS)
    assert one.run["statuses"]["undecodable"] >= 2
    first = int(np.flatnonzero(one.frames["status"] == "undecodable")[0])
    for cut in (first, first + 1):
        monkeypatch.setattr(gather, "_at_least", lambda pieces, least, cut=cut: iter([(0, cut), (cut, FRAMES)]))
        same(one, poolwatch.measure_clip(path, recruit=lambda work: InTurns(work, 5, lost=0.0), **FACTS))


@pytest.mark.parametrize("seed", range(5))
def test_of_several_pieces_that_cannot_be_read_the_first_is_named(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gather, "_LEAST", 20)
    measure = PieceWork.measure

    def failing(self: PieceWork, reader: Any, start: int, stop: int) -> Iterator[Part | Ends]:
        if start >= 100:
            raise ClipError(f"frame {start} cannot be read")
        yield from measure(self, reader, start, stop)

    monkeypatch.setattr(PieceWork, "measure", failing)
    monkeypatch.setattr(gather, "_MOST", 20)
    with pytest.raises(ClipError, match="frame 100 cannot be read"):
        poolwatch.measure_clip(
            drawn("glowing", "npy", tmp_path), recruit=lambda work: InTurns(work, seed), **FACTS
        )


def with_processes(path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Measurement, list[int]]:
    """Measured by two helpers in processes of their own, which get the first pieces."""
    begun: list[int] = []
    run = gather._Gathering.run

    def waiting(self: Any) -> Any:
        self._expected = True
        begin = self._crew.begin

        def noted(helper: int, task: tuple[Any, ...]) -> None:
            begun.append(helper)
            begin(helper, task)

        self._crew.begin = noted
        self._crew.expect(10.0)
        deadline = time.monotonic() + 60
        while len(set(begun)) < 2 and time.monotonic() < deadline:
            self._serve(wait=False)
            time.sleep(0.02)
        return run(self)

    monkeypatch.setattr(gather._Gathering, "run", waiting)
    monkeypatch.setattr(gather, "_LEAST", 30)
    return poolwatch.measure_clip(path, workers=3, **FACTS), begun


@pytest.mark.slow
def test_processes_give_the_same(
    clip: Path, whole: Measurement, monkeypatch: pytest.MonkeyPatch
) -> None:
    result, begun = with_processes(clip, monkeypatch)
    assert set(begun) == {0, 1}
    same(whole, result)


@pytest.mark.slow
@pytest.mark.parametrize("how", ["killed", "silent", "changed"])
def test_what_a_lost_helper_had_in_hand_is_measured_here(
    how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = drawn("glowing", "npy", tmp_path)
    one = poolwatch.measure_clip(path, workers=1, **FACTS)
    begin = crew.OwnProcesses.begin

    def ended(self: crew.OwnProcesses, helper: int, task: tuple[Any, ...]) -> None:
        pid = self._processes[helper].pid
        os.kill(pid, signal.SIGKILL if how == "killed" else signal.SIGSTOP)
        begin(self, helper, task)

    if how != "changed":
        monkeypatch.setattr(crew.OwnProcesses, "begin", ended)
    monkeypatch.setattr(crew, "_PATIENCE_S", 1.0 if how == "silent" else 60.0)
    result, begun = with_processes(path, monkeypatch)
    assert set(begun) == {0, 1}
    same(one, result)


def test_where_no_process_can_be_started_all_is_measured_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = drawn("glowing", "npy", tmp_path)
    one = poolwatch.measure_clip(path, workers=1, **FACTS)
    monkeypatch.setattr(crew, "WORTH_S", 1e-6)
    monkeypatch.setattr("poolwatch.model.processes.sys.executable", None)
    same(one, poolwatch.measure_clip(path, workers=3, **FACTS))


def test_a_short_clip_starts_no_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("poolwatch.model.crew.Process", None)
    monkeypatch.setattr(gather.time, "perf_counter", itertools.count(step=0.001).__next__)
    assert len(poolwatch.measure_clip(drawn("glowing", "npy", tmp_path), workers=8, **FACTS).frames) == FRAMES


UNGUARDED = """
import sys
print("begins", flush=True)
import poolwatch
from poolwatch.model import crew
crew.WORTH_S = 0.01
result = poolwatch.measure_clip(sys.argv[1], workers=3, record_rate_hz=10_000.0, mm_per_px=0.02)
print("frames", len(result.frames))
"""


def test_a_program_without_a_guard_runs_once(tmp_path: Path) -> None:
    path = drawn("glowing", "npy", tmp_path)
    program = tmp_path / "program.py"
    program.write_text(UNGUARDED, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(program), str(path)], capture_output=True, text=True, check=True, timeout=120
    )
    assert done.stdout.split("\n") == ["begins", f"frames {FRAMES}", ""]
    assert done.stderr == ""


LOADED = """
import sys
from poolwatch.measure.piece import PieceWork
from poolwatch.measure.gather import RemoteWork
from poolwatch.model.processes import unpacked
list(unpacked(open(sys.argv[1], "rb").read()).run(0, 60))
print(*[name for name in ("pandas", "scipy.stats", "scipy.linalg", "matplotlib") if name in sys.modules])
for line in open("/proc/self/status"):
    if line.startswith("VmHWM"):
        print(int(line.split()[1]) // 1024)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc")
def test_a_helper_loads_no_more_than_a_piece_needs(tmp_path: Path) -> None:
    path = drawn("glowing", "npy", tmp_path)
    settings = MeasureSettings()
    with open_clip(path) as reader:
        look = look_at(reader, recording_of(settings, FACTS, where="test"), settings)
        work = gather.RemoteWork(reader.facts, PieceWork(look.for_frames(), settings, 64))
    sent = tmp_path / "work"
    sent.write_bytes(crew.packed(work))
    # Some pictures of the ground and its noise at 32 bits, no sample.
    assert sent.stat().st_size < 60 * 192 * 112 * 4
    done = subprocess.run(
        [sys.executable, "-c", LOADED, str(sent)], capture_output=True, text=True, check=True
    )
    *loaded, memory = done.stdout.split()
    assert loaded == []
    assert int(memory) < 250
