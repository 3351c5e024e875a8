"""Fingerprints, repeated frames, and the order of stills."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numpy as np
import pytest

from poolwatch.clips import fingerprint, open_clip, repeated
from poolwatch.footage import write_frames
from poolwatch.model.errors import ClipError


def test_fingerprint_by_the_documented_recipe(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(b"abc")
    assert fingerprint(path) == hashlib.sha256(b"poolwatch-1\n3\nabc").hexdigest()[:16]
    large = np.random.default_rng(0).bytes((17 << 20) + 12345)
    path.write_bytes(large)
    mib = 1 << 20
    want = hashlib.sha256(b"poolwatch-1\n" + f"{len(large)}\n".encode())
    for k in range(16):
        start = k * (len(large) - mib) // 15
        want.update(large[start : start + mib])
    assert fingerprint(path) == want.hexdigest()[:16]


def test_fingerprint_goes_by_content(tmp_path: Path) -> None:
    one, two = tmp_path / "a.avi", tmp_path / "b.avi"
    one.write_bytes(bytes(1000))
    two.write_bytes(bytes(1000))
    os.utime(two, (1, 1))
    assert fingerprint(one) == fingerprint(two)
    for place in (0, 500, 999):
        data = bytearray(1000)
        data[place] = 1
        two.write_bytes(data)
        assert fingerprint(one) != fingerprint(two)
    two.write_bytes(bytes(1001))
    assert fingerprint(one) != fingerprint(two)


def test_fingerprint_is_quick_for_a_large_file(tmp_path: Path) -> None:
    path = tmp_path / "sparse.avi"
    with path.open("wb") as file:
        file.truncate(100 << 30)
    assert len(fingerprint(path)) == 16  # would take minutes if it read all


def test_fingerprint_of_folders_and_sidecars(tmp_path: Path) -> None:
    frames = np.arange(3 * 4 * 5, dtype=np.uint8).reshape(3, 4, 5)
    a = write_frames(tmp_path / "a", frames, format="png-folder", depth_bits=8)
    b = write_frames(tmp_path / "b", frames, format="png-folder", depth_bits=8)
    assert fingerprint(a) == fingerprint(b)
    (b / "frame_000001.png").rename(b / "frame_000007.png")
    assert fingerprint(a) != fingerprint(b)
    raw = write_frames(tmp_path / "c.raw", frames, format="raw", depth_bits=8)
    before = fingerprint(raw)
    sidecar = tmp_path / "c.raw.toml"
    sidecar.write_text(sidecar.read_text().replace("width = 5", "width = 4"))
    assert fingerprint(raw) != before
    with pytest.raises(ClipError, match=r"no such file or folder"):
        fingerprint(tmp_path / "none")


def test_repeated_frames() -> None:
    frames = np.random.default_rng(0).integers(0, 256, (9, 40, 50)).astype(np.uint8)
    frames[3] = frames[2]
    frames[4] = frames[2]
    frames[7] = frames[6]
    assert np.flatnonzero(repeated(frames)).tolist() == [3, 4, 7]
    frames[7, 1, 1] ^= 1  # a single pixel off the sampling grid
    assert np.flatnonzero(repeated(frames)).tolist() == [3, 4]
    assert repeated(frames[3:5], frames[2]).tolist() == [True, True]
    assert repeated(frames[:0]).tolist() == []


@pytest.mark.parametrize("size", [1, 2, 5, 100])
def test_repeats_do_not_depend_on_blocks(size: int) -> None:
    frames = np.random.default_rng(1).integers(0, 3, (40, 1, 1)).astype(np.uint8)
    masks, last = [], None
    for start in range(0, 40, size):
        masks.append(repeated(frames[start : start + size], last))
        last = frames[start : start + size][-1]
    np.testing.assert_array_equal(np.concatenate(masks), repeated(frames))


def test_stills_come_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    import cv2

    for number in (1, 2, 9, 10, 11, 100):
        cv2.imwrite(str(tmp_path / f"cam2_weld {number}.png"), np.full((4, 5), number, np.uint8))
    (tmp_path / ".hidden.png").write_bytes(b"x")
    (tmp_path / "readme.txt").write_text("x")
    with open_clip(tmp_path) as clip:
        assert clip.frames(range(6))[:, 0, 0].tolist() == [1, 2, 9, 10, 11, 100]
        assert any("taken as consecutive" in note for note in clip.facts.notes)


def test_every_tenth_still_is_no_gap(tmp_path: Path) -> None:
    import cv2

    for number in range(0, 100, 10):
        if number != 50:
            cv2.imwrite(str(tmp_path / f"f{number:04d}.bmp"), np.full((4, 5, 3), number, np.uint8))
    with open_clip(tmp_path) as clip:
        block = next(clip.blocks())
    assert np.flatnonzero(~block.decoded).tolist() == [5]
    assert block.frames[:, 0, 0].tolist() == [0, 10, 20, 30, 40, 0, 60, 70, 80, 90]
