"""Blocks decoded in other processes: the same frames and findings, whatever becomes of the processes."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import numpy as np
import pytest

from poolwatch.clips import ClipSettings, ReadFindings, beside, blocks_beside, open_clip
from poolwatch.footage import FORMATS, write_frames

pytestmark = pytest.mark.slow

FRAMES, SIZE = 90, 8


def pictures(depth: int = 8) -> np.ndarray:
    kind = np.uint8 if depth == 8 else np.uint16
    return np.random.default_rng(5).integers(0, 2**depth, (FRAMES, 24, 40)).astype(kind)


@pytest.fixture(params=["mkv-ffv1", "avi-ffv1", "tiff", "npy"])
def clip(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    kind = request.param
    return write_frames(tmp_path / f"clip{FORMATS[kind].ending}", [pictures()], format=kind, depth_bits=8)


def read(
    path: Path, helpers: int, least: float = 0.0
) -> tuple[np.ndarray, np.ndarray, list[int], ReadFindings]:
    with open_clip(path) as reader:
        blocks = list(
            blocks_beside(
                reader, ClipSettings(), size=SIZE, helpers=helpers, least_left_s=least, least_frame_s=least
            )
        )
        return (
            np.concatenate([block.frames for block in blocks]),
            np.concatenate([block.decoded for block in blocks]),
            [block.start for block in blocks],
            reader.findings(),
        )


@pytest.mark.parametrize("helpers", [1, 2])
def test_frames_and_findings_are_the_same(clip: Path, helpers: int) -> None:
    frames, decoded, starts, findings = read(clip, helpers)
    assert np.array_equal(frames, pictures())
    assert decoded.all()
    assert starts == list(range(0, FRAMES, SIZE))
    assert findings == read(clip, 0)[3]


def test_damaged_frames_are_named_by_their_numbers(tmp_path: Path) -> None:
    path = write_frames(tmp_path / "clip.mkv", [pictures()], format="mkv-ffv1", depth_bits=8)
    data = bytearray(path.read_bytes())
    for place in (0.4, 0.55, 0.8):
        at = int(len(data) * place)
        data[at : at + 4] = bytes(value ^ 255 for value in data[at : at + 4])
    path.write_bytes(data)
    alone, beside_it = read(path, 0), read(path, 2)
    assert not alone[1].all()
    assert np.array_equal(alone[0], beside_it[0])
    assert np.array_equal(alone[1], beside_it[1])
    assert alone[3] == beside_it[3]


def test_a_process_that_is_killed_or_cannot_start_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_frames(tmp_path / "clip.mkv", [pictures()], format="mkv-ffv1", depth_bits=8)
    started: list[int] = []
    popen = beside.subprocess.Popen

    def killed(*args: object, **options: object) -> object:
        process = popen(*args, **options)  # type: ignore[call-overload]
        started.append(process.pid)
        os.kill(process.pid, signal.SIGKILL)
        return process

    monkeypatch.setattr(beside.subprocess, "Popen", killed)
    assert np.array_equal(read(path, 1)[0], pictures())
    assert len(started) == 1

    def refused(*args: object, **options: object) -> object:
        raise OSError("no more processes")

    monkeypatch.setattr(beside.subprocess, "Popen", refused)
    assert np.array_equal(read(path, 1)[0], pictures())


def test_a_process_that_hangs_or_says_something_else_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_frames(tmp_path / "clip.mkv", [pictures()], format="mkv-ffv1", depth_bits=8)
    popen = beside.subprocess.Popen
    started = []

    def replaced(program: str) -> None:
        def start(command: list[str], **options: object) -> object:
            started.append(popen([command[0], "-c", program], **options))  # type: ignore[call-overload]
            return started[-1]

        monkeypatch.setattr(beside.subprocess, "Popen", start)

    monkeypatch.setattr(beside, "_PATIENCE_S", 0.5)
    replaced("import time; time.sleep(600)")
    assert np.array_equal(read(path, 1)[0], pictures())
    # A start-up file that prints, before frames that would all be moved by its words.
    replaced("import sys; sys.stdout.buffer.write(b'hello' + b'\\1' * 200_000)")
    assert np.array_equal(read(path, 1)[0], pictures())
    assert [process.poll() is not None for process in started] == [True, True]
    monkeypatch.setattr(beside.subprocess, "Popen", popen)
    monkeypatch.setattr(beside.sys, "executable", None)
    assert np.array_equal(read(path, 1)[0], pictures())


def test_no_process_is_started_where_it_does_not_pay(clip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*args: object, **options: object) -> object:
        raise AssertionError("started")

    monkeypatch.setattr(beside.subprocess, "Popen", refused)
    assert np.array_equal(read(clip, 2, least=10.0)[0], pictures())


def test_leaving_early_ends_the_processes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_frames(tmp_path / "clip.mkv", [pictures()], format="mkv-ffv1", depth_bits=8)
    started = []
    popen = beside.subprocess.Popen

    def noted(*args: object, **options: object) -> object:
        started.append(popen(*args, **options))  # type: ignore[call-overload]
        return started[-1]

    monkeypatch.setattr(beside.subprocess, "Popen", noted)
    with open_clip(path) as reader:
        blocks = blocks_beside(
            reader, ClipSettings(), size=SIZE, helpers=2, least_left_s=0.0, least_frame_s=0.0
        )
        for _ in range(4):
            next(blocks)
        blocks.close()
    assert [process.poll() is not None for process in started] == [True, True]


def test_clips_whose_frames_lean_on_others_are_read_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_frames(tmp_path / "clip.mp4", [pictures()], format="mp4-h264", depth_bits=8)
    monkeypatch.setattr(beside.subprocess, "Popen", None)
    frames = read(path, 2)[0]
    assert np.array_equal(frames, read(path, 0)[0])
