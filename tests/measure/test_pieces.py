"""A clip cut into pieces, measured by whoever and in any order: no digit changes, and nothing is lost with a helper."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from poolwatch.clips import open_clip
from poolwatch.clips.reader import BaseReader
from poolwatch.measure import MeasureSettings, gather
from poolwatch.measure.piece import Ends, Part, Piece, PieceWork
from poolwatch.model import crew
from poolwatch.model.crew import Crew, CrewWork, HelperSignal
from poolwatch.model.errors import ClipError
from tests.measure.helped import FRAMES, Case, case_of, columns, drawn, with_helpers

pytestmark = pytest.mark.slow


class InTurns(Crew):
    """Helpers in this process, whose work goes on in any order, and of whom some get lost."""

    def __init__(self, work: CrewWork, seed: int, lost: float = 0.05) -> None:
        super().__init__(work)
        self.rng, self.lost = np.random.default_rng(seed), lost
        self.free, self.runs, self.begun = [0, 1, 2], {}, 0  # type: ignore[var-annotated]

    def begin(self, helper: int, task: Any) -> None:
        self.begun += 1
        self.runs[helper] = self._work.run(task)

    def answers(self, *, wait: bool) -> Iterator[tuple[int, Any]]:
        if self.free and self.rng.random() < 0.7:
            yield self.free.pop(), HelperSignal.FREE
        for helper in self.rng.permutation(list(self.runs)).tolist():
            while helper in self.runs and (wait or self.rng.random() < 0.6):
                if self.rng.random() < self.lost:
                    del self.runs[helper]
                    self.free.append(helper)
                    yield helper, HelperSignal.LOST
                    break
                try:
                    yield helper, next(self.runs[helper])
                except StopIteration:
                    del self.runs[helper]
                    yield helper, HelperSignal.FREE

    def _post(self, helper: int, *message: Any) -> None: ...

    def _next(self, wait_s: float) -> None: ...

    def release(self, helper: int) -> None: ...

    def end(self) -> None:
        self._work.close()


CASES = [
    ("glowing", "npy"),
    ("glowing", "avi-mjpeg"),
    ("glowing", "mp4-h264-lossless"),
    ("glowing", "ffv1-groups"),
    ("illuminated", "npy"),
    ("illuminated", "mp4-h264-lossless"),
]


@pytest.fixture(scope="module", params=CASES, ids=["-".join(case) for case in CASES])
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Case:
    return case_of(drawn(*request.param, tmp_path_factory.mktemp("clip")))


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return case_of(drawn("glowing", "npy", tmp_path_factory.mktemp("clip")))


@pytest.fixture(scope="module")
def whole(case: Case) -> gather.Gathered:
    found = case.gathered()
    assert (found.status == "repeated").sum() >= 8
    return found


def same(one: gather.Gathered, other: gather.Gathered) -> None:
    there = columns(other)
    for name, column in columns(one).items():
        np.testing.assert_array_equal(column, there[name], err_msg=name)
    assert one.findings == other.findings


@pytest.mark.often("glowing-avi-mjpeg-0")
@pytest.mark.parametrize("seed", range(4))
def test_pieces_and_helpers_change_no_digit(
    seed: int, case: Case, whole: gather.Gathered, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gather, "_LEAST", (20, 26, 7, 1)[seed])
    monkeypatch.setattr(gather, "_MOST", (20, 26, 90, 40)[seed])
    crews: list[InTurns] = []

    def recruit(work: CrewWork) -> Crew:
        crews.append(InTurns(work, seed))
        return crews[-1]

    same(whole, case.gathered(recruit=recruit, size=(64, 20, 9, 33)[seed]))
    assert crews[0].begun >= 2


def test_ffv1_is_cut_at_the_keyframes_of_its_groups(tmp_path: Path) -> None:
    with open_clip(drawn("glowing", "ffv1-groups", tmp_path)) as reader:
        assert [start for start, _ in reader.pieces(1000)] == list(range(0, FRAMES, 12))


@pytest.mark.often("glowing-mp4-h264-lossless")
def test_no_frame_is_decoded_twice(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gather, "_LEAST", 20)
    times = np.zeros(FRAMES, dtype=int)
    count = BaseReader._block

    def counted(self: BaseReader, first: int, frames: Any, decoded: Any) -> Any:
        times[first : first + len(frames)] += 1
        return count(self, first, frames, decoded)

    monkeypatch.setattr(BaseReader, "_block", counted)
    found = case.gathered(recruit=lambda work: InTurns(work, 3, lost=0.0))
    assert (times[: len(found.status)] == 1).all()


@pytest.mark.long
def test_damage_at_the_ends_of_pieces_is_named_alike(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = drawn("glowing", "mkv-ffv1", tmp_path)
    data = bytearray(path.read_bytes())
    for place in (0.2, 0.55, 0.8):
        at = int(len(data) * place)
        data[at : at + 4] = bytes(value ^ 255 for value in data[at : at + 4])
    path.write_bytes(data)
    case = case_of(path)
    one = case.gathered()
    assert len(one.findings.undecodable) >= 2
    first = one.findings.undecodable[0]
    for cut in (first, first + 1):
        cuts = [Piece(0, cut), Piece(cut, FRAMES)]
        monkeypatch.setattr(gather, "_at_least", lambda pieces, least, cuts=cuts: iter(cuts))
        same(one, case.gathered(recruit=lambda work: InTurns(work, 5, lost=0.0)))


@pytest.mark.parametrize("seed", range(5))
def test_of_several_pieces_that_cannot_be_read_the_first_is_named(
    seed: int, plain: Case, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gather, "_LEAST", 20)
    measure = PieceWork.measure

    def failing(self: PieceWork, reader: Any, start: int, stop: int, **how: Any) -> Iterator[Part | Ends]:
        if start >= 100:
            raise ClipError(f"frame {start} cannot be read")
        yield from measure(self, reader, start, stop, **how)

    monkeypatch.setattr(PieceWork, "measure", failing)
    monkeypatch.setattr(gather, "_MOST", 20)
    with pytest.raises(ClipError, match="frame 100 cannot be read"):
        plain.gathered(recruit=lambda work: InTurns(work, seed))


@pytest.mark.often("glowing-mp4-h264-lossless")
def test_processes_give_the_same(case: Case, whole: gather.Gathered, monkeypatch: pytest.MonkeyPatch) -> None:
    found, begun = with_helpers(case, 2, workers=3)
    assert begun == {0, 1}
    same(whole, found)


@pytest.mark.often("SIGKILL")
@pytest.mark.parametrize("how", ["SIGKILL", "SIGSTOP"])
def test_what_a_lost_helper_had_in_hand_is_measured_here(
    how: str, plain: Case, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = plain.gathered()
    begin = crew.OwnProcesses.begin

    def ended(self: crew.OwnProcesses, helper: int, task: tuple[Any, ...]) -> None:
        os.kill(self._processes[helper].pid, getattr(signal, how))
        begin(self, helper, task)

    monkeypatch.setattr(crew.OwnProcesses, "begin", ended)
    monkeypatch.setattr(crew, "_PATIENCE_S", 1.0 if how == "SIGSTOP" else 60.0)
    found, begun = with_helpers(plain, 2, workers=3)
    assert begun == {0, 1}
    same(one, found)


@pytest.mark.long
def test_a_clip_in_one_piece_is_decoded_ahead(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    case = case_of(drawn("glowing", "npy", tmp_path))
    one = case.gathered(size=16)
    monkeypatch.setattr(BaseReader, "pieces", lambda self, count: [(0, FRAMES)])
    threads: set[str] = set()
    count = BaseReader._block

    def noted(self: BaseReader, *block: Any) -> Any:
        threads.add(threading.current_thread().name)
        return count(self, *block)

    monkeypatch.setattr(BaseReader, "_block", noted)
    same(one, case.gathered(workers=3, size=16))
    assert len(threads) == 1
    assert threading.current_thread().name not in threads


def test_where_no_process_can_be_started_all_is_measured_here(
    plain: Case, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = plain.gathered()
    monkeypatch.setattr(crew, "WORTH_S", 1e-6)
    monkeypatch.setattr("poolwatch.model.processes.sys.executable", None)
    same(one, plain.gathered(workers=3))


def test_a_short_clip_starts_no_process(plain: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crew, "Process", None)
    monkeypatch.setattr(gather.time, "perf_counter", itertools.count(step=0.01).__next__)
    assert len(plain.gathered(workers=8).status) == FRAMES


UNGUARDED = """
import sys
print("begins", flush=True)
import poolwatch
from poolwatch.model import crew
crew.WORTH_S = 0.01
result = poolwatch.measure_clip(sys.argv[1], workers=3, record_rate_hz=10_000.0, mm_per_px=0.02)
print("frames", len(result.frames))
"""


@pytest.mark.long
def test_a_program_without_a_guard_runs_once(plain: Case, tmp_path: Path) -> None:
    program = tmp_path / "program.py"
    program.write_text(UNGUARDED, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(program), str(plain.path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=600,
    )
    assert done.stdout.split("\n") == ["begins", f"frames {FRAMES}", ""]
    assert done.stderr == ""


LOADED = """
import sys
from poolwatch.measure.piece import Piece, PieceWork
from poolwatch.measure.gather import RemoteWork
from poolwatch.model.processes import unpacked
with open(sys.argv[1], "rb") as sent:
    work = unpacked(sent.read())
work.prepare()
list(work.run(Piece(0, 60)))
print(*[name for name in ("pandas", "scipy.stats", "scipy.linalg", "matplotlib") if name in sys.modules])
memory = dict(line.split(":") for line in open("/proc/self/status"))
print(sum(sign * int(memory[name].split()[0]) for name, sign in (("VmHWM", 1), ("RssFile", -1))) // 1024)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc")
def test_a_helper_loads_no_more_than_a_piece_needs(plain: Case, tmp_path: Path) -> None:
    with open_clip(plain.path) as reader:
        work = gather.RemoteWork(reader.facts, PieceWork(plain.look.for_frames(), MeasureSettings(), 64))
    sent = tmp_path / "work"
    sent.write_bytes(crew.packed(work))
    # Some pictures of the ground and its noise at 32 bits, no sample.
    assert sent.stat().st_size < 60 * 192 * 112 * 4
    done = subprocess.run(
        [sys.executable, "-c", LOADED, str(sent)], capture_output=True, text=True, check=True
    )
    *loaded, memory = done.stdout.split()
    assert loaded == []
    # Of the 250 MB that a helper may take, half are the libraries' files; the system counts more of these where it keeps
    # them in large pages, so what is the process's own is held.
    assert int(memory) < 125
