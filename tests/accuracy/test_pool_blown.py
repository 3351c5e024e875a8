"""Pools blown out to full scale, drawn at random: rim at 1.1 to 2 of full scale, hot solid beside it, blur, scale, codec.

``-m long`` draws more; `tests/benchmarks/bench_blown_out.py` prints them.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.bench_blown_out import BAR_PX, measured


@pytest.fixture(scope="module", params=[(8, 24), pytest.param((60, 96), marks=pytest.mark.long)])
def clips(request):
    count, frames = request.param
    return [measured(seed, frames) for seed in range(9200, 9200 + count)]


@pytest.mark.long
def test_length_and_width_of_each(clips):
    for clip in clips:
        assert clip["ok"] == 1.0
        assert clip["clipped"] > 0.5  # what the flag `edge_saturated` stands on
        for what in ("l", "w"):
            assert abs(clip[f"d{what}"]) < BAR_PX, clip
            assert clip[f"s{what}"] < 0.35, clip


@pytest.mark.long
def test_most_are_far_within_the_bar(clips):
    worse = [max(abs(clip["dl"]), abs(clip["dw"])) for clip in clips]
    assert np.median(worse) < 0.2


@pytest.mark.long
def test_the_spread_of_the_edge_is_found(clips):
    for clip in clips:
        found = clip["found"] / clip["spread"]
        assert found == pytest.approx(1.0, abs=0.09 if clip["h264"] else 0.03), clip


@pytest.mark.long
def test_both_ways_of_storing_are_drawn(clips):
    assert {clip["h264"] for clip in clips} == {0.0, 1.0}
