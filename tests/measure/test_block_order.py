"""Blocks that come in any order: the same frames are told to repeat, the same is measured."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from pandas.testing import assert_frame_equal

import poolwatch
from poolwatch.clips import lanes, lanes_of, open_clip, repeated
from poolwatch.footage import FootageOptions, write_frames
from poolwatch.measure.gather import _Repeats
from poolwatch.model.clip import Block
from poolwatch.simulate import Scene, Simulation


@pytest.mark.parametrize("seed", range(12))
def test_repeats_are_told_whatever_the_order(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frames = rng.integers(0, 255, (60, 4, 5)).astype(np.uint8)
    for k in rng.integers(1, 60, 20):
        frames[k] = frames[k - 1]
    decoded = rng.random(60) > 0.1
    edges = [0, *np.sort(rng.choice(np.arange(1, 60), 14, replace=False)).tolist(), 60]
    blocks = [
        Block(start, frames[start:stop], decoded[start:stop]) for start, stop in itertools.pairwise(edges)
    ]
    # Blocks of a piece come in their order, those of several pieces as they like.
    pieces = np.array_split(np.arange(len(blocks)), 5)
    order = rng.permutation(np.repeat(np.arange(5), [len(piece) for piece in pieces]))
    left = [list(piece) for piece in pieces]
    repeats, told = _Repeats(), np.full(60, -1)
    for piece in order:
        for (block, _, _), doubled in repeats.told((blocks[left[piece].pop(0)], None, None)):
            assert len(block.frames) == len(doubled)
            span = slice(block.start, block.start + len(doubled))
            assert (told[span] == -1).all()
            told[span] = doubled
            assert np.array_equal(block.frames, frames[span])
    whole = repeated(frames, None) & decoded
    whole[1:] &= decoded[:-1]
    assert np.array_equal(told, whole)


@pytest.mark.slow
def test_pieces_of_h264_read_side_by_side_change_no_digit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scene = Scene.checked(
        {
            "frames": 240,
            "seed": 9,
            "camera": {"width": 256, "height": 128},
            "spatter": {"rate_per_s": 400.0},
            "pool": {"length_mm": 1.6, "width_mm": 0.8},
        },
        where="test",
    )
    drawn = Simulation(scene).frames(0, 240)
    for k in (40, 80, 81, 120, 173):  # most of them first in a piece
        drawn[k] = drawn[k - 1]
    # Without loss, or a keyframe would not repeat the frame before it.
    options = FootageOptions(keyframe_interval=40, b_frames=0)
    path = write_frames(
        tmp_path / "weld.mp4", [drawn], format="mp4-h264-lossless", depth_bits=8, options=options
    )
    monkeypatch.setattr(lanes, "_LEAST", 40)
    with open_clip(path) as reader:
        assert len(lanes_of(reader, 2)) >= 5
    facts = {"record_rate_hz": 10_000.0, "mm_per_px": 0.02, "exposure_s": 4e-5}
    one = poolwatch.measure_clip(path, workers=1, **facts)
    assert one.run["statuses"]["repeated"] == 5
    for workers, block in ((2, 64), (3, 7)):
        more = poolwatch.measure_clip(path, workers=workers, block_size=block, **facts)
        for name in ("frames", "spatter", "spatter_rejected", "tracks", "spectra"):
            assert_frame_equal(getattr(one, name), getattr(more, name), obj=name)
        assert one.run["statuses"] == more.run["statuses"]
