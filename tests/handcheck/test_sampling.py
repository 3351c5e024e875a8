"""The draw of frames: at random, the same for the same seed, worst moments by the series."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from poolwatch.handcheck.sampling import Wanted, badness, draw_frames
from poolwatch.model.errors import MeasurementError, UsageError


def test_one_in_each_share_of_time(invented):
    clip = invented(seed=2)
    for seed in range(20):
        draw = draw_frames(clip.measurement, seed)
        assert [frame // 100 for frame in draw.random] == list(range(15))
        assert not set(draw.random) & set(draw.worst)
        assert draw.frames == tuple(sorted(draw.frames))
        assert draw.run[1] - draw.run[0] == 29


def test_no_frame_is_drawn_twice(invented):
    """A short clip whose frames do not divide into equal shares."""
    clip = invented(seed=2, count=47).measurement
    for seed in range(300):
        draw = draw_frames(clip, seed, Wanted(20, 3, 0))
        assert len(set(draw.frames)) == 23


def test_every_frame_is_as_likely(invented):
    clip = invented(seed=2, count=150).measurement
    drawn = np.concatenate([draw_frames(clip, seed, Wanted(15, 0, 0)).random for seed in range(600)])
    counts = np.bincount(drawn, minlength=150)
    assert stats.chisquare(counts).pvalue > 1e-3


def test_same_seed_same_draw(invented):
    one, two = (invented(seed=2).measurement for _ in range(2))
    assert draw_frames(one, 9) == draw_frames(two, 9)
    assert draw_frames(one, 9) != draw_frames(one, 10)
    # Written down, so that another version or machine that draws others is noticed.
    assert draw_frames(one, 9, Wanted(6, 0, 10)).random == (138, 393, 677, 941, 1001, 1264)


def test_worst_moments_are_moments_of_their_own(invented):
    clip = invented(seed=3, jumps=8)
    draw = draw_frames(clip.measurement, 1)
    assert min(np.diff(sorted(draw.worst))) >= 15
    bad = badness([clip.measurement.frames["pool_length_mm"].to_numpy()])
    assert bad[list(draw.worst)].min() > np.quantile(bad, 0.99)


def test_badness_by_its_definition():
    values = np.random.default_rng(1).normal(size=400)
    values[200] += 30

    def robust(away):
        return np.abs(away) / (1.4826 * np.median(np.abs(away)))

    around = np.array([np.median(np.pad(values, 2, mode="edge")[k : k + 5]) for k in range(400)])
    expected = np.maximum(robust(values - np.median(values)), robust(values - around))
    assert badness([values]) == pytest.approx(expected)
    assert badness([np.ones(20)]).max() == 0


def test_frames_that_were_not_measured_are_not_drawn(invented):
    measured = invented(seed=2).measurement
    measured.frames.loc[100:1399, "status"] = "blown"
    draw = draw_frames(measured, 1)
    assert all(frame < 100 or frame >= 1400 for frame in draw.frames)


def test_too_short_and_wrong_numbers(invented):
    with pytest.raises(MeasurementError, match="has 30 measured frames, too few"):
        draw_frames(invented(seed=2, count=30).measurement, 1)
    with pytest.raises(UsageError, match="at least 6 must be drawn at random"):
        Wanted(random=5)
    assert Wanted.read("15+5+30") == Wanted()
    with pytest.raises(ValueError, match="is not of the form"):
        Wanted.read("15")
