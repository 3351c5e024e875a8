"""Pieces of a clip decoded side by side: the same frames, findings and faults as one decoder gives."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from poolwatch.clips import ReadFindings, blocks_in_lanes, lanes, lanes_of, open_clip
from poolwatch.clips.video import VideoReader
from poolwatch.footage import FORMATS, FootageOptions, write_frames
from poolwatch.model.errors import ClipError

FRAMES, SIZE = 230, 7


@pytest.fixture(autouse=True)
def _short_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lanes, "_LEAST", 20)


def clip(
    folder: Path, kind: str = "mp4-h264", *, depth: int = 8, interval: int = 12, b_frames: int = 2
) -> Path:
    moving = np.add.outer(np.arange(FRAMES), np.add.outer(3 * np.arange(48), np.arange(64)))
    noise = np.random.default_rng(7).integers(0, 30, (FRAMES, 48, 64))
    pictures = ((moving % 200 + noise) << (depth - 8)).astype(np.uint8 if depth == 8 else np.uint16)
    options = FootageOptions(keyframe_interval=interval, b_frames=b_frames)
    return write_frames(
        folder / f"clip{FORMATS[kind].ending}", [pictures], format=kind, depth_bits=depth, options=options
    )


def read(path: Path, count: int) -> tuple[np.ndarray, np.ndarray, ReadFindings]:
    with open_clip(path) as reader:
        pieces = lanes_of(reader, count)
        assert bool(pieces) == (count > 1)
        found = (
            blocks_in_lanes(reader, pieces, size=SIZE, lanes=count) if pieces else reader.blocks(size=SIZE)
        )
        blocks = sorted(found, key=lambda block: block.start)
        assert sum(len(block.frames) for block in blocks) == reader.facts.frame_count
        ends = [block.start + len(block.frames) for block in blocks]
        assert [block.start for block in blocks] == [0, *ends[:-1]]
        return (
            np.concatenate([block.frames for block in blocks]),
            np.concatenate([block.decoded for block in blocks]),
            reader.findings(),
        )


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize(
    ("kind", "depth", "b_frames"),
    [("mp4-h264", 8, 2), ("mkv-h264", 8, 0), ("mov-h264", 8, 3), ("mp4-h264", 10, 2)],
)
def test_frames_and_findings_are_the_same(
    tmp_path: Path, kind: str, depth: int, b_frames: int, count: int
) -> None:
    path = clip(tmp_path, kind, depth=depth, b_frames=b_frames)
    one, many = read(path, 1), read(path, count)
    assert np.array_equal(one[0], many[0])
    assert np.array_equal(one[1], many[1])
    assert one[2] == many[2]
    assert many[2].frames_decoded == FRAMES


def test_damage_is_found_alike(tmp_path: Path) -> None:
    whole = clip(tmp_path).read_bytes()
    lost = []
    for seed in range(4):
        data = bytearray(whole)
        for place in np.random.default_rng(seed).uniform(0.15, 0.9, 3):
            at = int(len(data) * place)
            data[at : at + 40] = bytes(value ^ 255 for value in data[at : at + 40])
        path = tmp_path / f"damaged-{seed}.mp4"
        path.write_bytes(data)
        one, many = read(path, 1), read(path, 2)
        assert np.array_equal(one[0], many[0])
        assert one[2] == many[2]
        lost.append(len(one[2].undecodable))
    assert np.count_nonzero(lost) >= 2


def test_only_clips_with_keyframes_and_damage_told_apart_are_shared(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for kind in ("avi-mjpeg", "mkv-ffv1", "npy"):
        with open_clip(clip(tmp_path, kind)) as reader:
            assert lanes_of(reader, 2) == []
    with open_clip(clip(tmp_path)) as reader:
        assert len(lanes_of(reader, 2)) > 5
        assert lanes_of(reader, 1) == []
        monkeypatch.setattr(lanes, "_MOST", 10)
        assert lanes_of(reader, 2) == []


def test_the_first_fault_is_the_one_that_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = VideoReader.blocks

    def failing(self: VideoReader, start: int = 0, stop: int | None = None, *, size: int = 64) -> Iterator:
        for block in plain(self, start, stop, size=size):
            if block.start >= 60:
                raise ClipError(f"fault in the piece from frame {start}")
            yield block

    with open_clip(clip(tmp_path)) as reader:
        pieces = lanes_of(reader, 3)
        first = next(start for start, stop in pieces if stop > 67)
        monkeypatch.setattr(VideoReader, "blocks", failing)
        with pytest.raises(ClipError, match=f"piece from frame {first}$"):
            list(blocks_in_lanes(reader, pieces, size=SIZE, lanes=3))


def test_no_lane_waits_for_a_piece_that_another_gave_up_behind_a_fault() -> None:
    shared = lanes._Shared([(k, k + 1) for k in range(6)], 3)
    # Piece 0 failed, piece 1 was taken by a lane that then ended; 2 is through, 3 was given up too.
    shared._unread, shared._next = {1, 3, 4, 5}, 4
    shared._failed[0] = ClipError("fault")
    lane = threading.Thread(target=shared._take, daemon=True)
    lane.start()
    lane.join(5)
    assert not lane.is_alive()


def test_leaving_early_ends_the_lanes(tmp_path: Path) -> None:
    before = threading.active_count()
    with open_clip(clip(tmp_path)) as reader:
        blocks = blocks_in_lanes(reader, lanes_of(reader, 2), size=SIZE, lanes=2)
        next(blocks)
        assert threading.active_count() > before
        blocks.close()
        assert threading.active_count() == before


def test_no_lane_runs_far_ahead(tmp_path: Path) -> None:
    with open_clip(clip(tmp_path)) as reader:
        pieces = lanes_of(reader, 2)
        of = {frame: k for k, (start, stop) in enumerate(pieces) for frame in range(start, stop)}
        through: dict[int, int] = {}
        for block in blocks_in_lanes(reader, pieces, size=SIZE, lanes=2):
            piece = of[block.start]
            unread = min(k for k in range(len(pieces)) if through.get(k, 0) < pieces[k][1] - pieces[k][0])
            # One block may still be on its way from each lane.
            assert piece - unread <= 3
            through[piece] = through.get(piece, 0) + len(block.frames)
