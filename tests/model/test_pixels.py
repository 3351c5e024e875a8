"""Frames of 8 and of 16 bits in one kernel: the same values whichever it is."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.model.pixels import by_depth, grey_at, part_of, whole


@pytest.fixture(params=[np.uint8, np.uint16])
def frames(request):
    top = np.iinfo(request.param).max
    return np.random.default_rng(4).integers(0, top + 1, (3, 7, 11)).astype(request.param)


def test_parts_and_wholes_are_those_of_the_frames(frames):
    pictures = by_depth(frames)
    for i, frame in enumerate(frames):
        for r0, r1, c0, c1 in ((0, 7, 0, 11), (2, 5, 3, 4), (6, 7, 10, 11), (3, 3, 2, 2)):
            part = part_of(pictures, i, r0, r1, c0, c1)
            assert part.dtype == np.uint16
            assert (part == frame[r0:r1, c0:c1]).all()
        assert (whole(pictures, i, np.full((7, 11), 9, dtype=np.uint16)) == frame).all()
        assert grey_at(pictures, i, 6, 10) == frame[6, 10]


def test_a_part_is_a_copy(frames):
    pictures = by_depth(frames)
    before = frames.copy()
    part_of(pictures, 0, 0, 7, 0, 11)[:] = 0
    assert (frames == before).all()


def test_frames_are_copied_only_where_they_lie_scattered(frames):
    own = frames.dtype == np.uint16
    assert np.shares_memory(by_depth(frames)[own], frames)
    cut = frames[:, 1:6, 2:9]
    pictures = by_depth(cut)
    assert (pictures[own] == cut).all()
    assert pictures[own].flags.c_contiguous
    assert len(pictures[not own]) == 0


def test_no_frames_at_all(frames):
    assert all(len(kind) == 0 for kind in by_depth(frames[:0]))
