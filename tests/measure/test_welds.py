"""Several welds in one clip: told apart, the longest scored, another on request."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch import measure_clip
from poolwatch.measure.settings import MeasureSettings
from poolwatch.measure.welds import longest, welds_of
from poolwatch.model.errors import UsageError
from poolwatch.simulate import Scene, Simulation

pytestmark = pytest.mark.slow

FACTS = {"record_rate_hz": 5000.0, "mm_per_px": 0.04, "travel_speed_mm_s": 60.0}


def words(*runs: tuple[str, int]) -> list[str]:
    return [word for word, count in runs for _ in range(count)]


@pytest.mark.parametrize(
    ("status", "welds"),
    [
        (words(("ok", 300)), [(0, 300)]),
        (words(("dark", 50), ("ok", 300), ("no_pool", 40)), [(0, 390)]),  # one weld with its ends
        (words(("ok", 200), ("dark", 19), ("ok", 200)), [(0, 419)]),  # a short gap is in one weld
        (words(("ok", 200), ("dark", 20), ("ok", 150)), [(0, 200), (220, 370)]),
        (words(("ok", 200), ("blown", 60), ("ok", 200)), [(0, 460)]),  # the pool is there
        (words(("ok", 400), ("dark", 50), ("ok", 25)), [(0, 475)]),  # a flash
        (words(("ok", 40), ("dark", 60), ("hidden", 30), ("ok", 90), ("dark", 5)), [(0, 40), (100, 220)]),
        (words(("ok", 90), ("dark", 1), ("repeated", 50), ("ok", 80)), [(0, 90), (141, 221)]),
        (words(("ok", 90), ("repeated", 50), ("ok", 80)), [(0, 220)]),
        ([], [(0, 0)]),
    ],
)
def test_welds_are_parted_by_lasting_gaps(status, welds):
    assert welds_of(status) == welds


def test_the_longest_weld_is_that_with_the_most_frames_measured():
    status = words(("ok", 60), ("dark", 30), ("cut_off", 200), ("ok", 40))
    assert longest([(0, 60), (90, 330)], status) == (0, 60)
    assert longest([(0, 60), (60, 120), (120, 180)], ["ok"] * 180) == (0, 60)


def pictures(frames: int, seed: int, sway: float) -> np.ndarray:
    scene = {
        "frames": frames,
        "seed": seed,
        "camera": {"width": 160, "height": 96, "mm_per_px": 0.04, "rate_hz": 5000.0},
        "pool": {"length": {"noise_sd": sway}},
    }
    return Simulation(Scene.checked(scene, where="test")).frames(0, frames)


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """A weld of 250 frames, 120 dark frames, a livelier weld of 400."""
    rng = np.random.default_rng(5)
    first, second = pictures(250, 3, 0.01), pictures(400, 4, 0.04)
    dark = rng.integers(3, 8, (120, *first.shape[1:]), dtype=first.dtype)
    path = tmp_path_factory.mktemp("welds") / "two.npy"
    np.save(path, np.concatenate([first, dark, second]))
    return path, second


def test_the_longest_weld_alone_is_scored(recording, tmp_path):
    path, second = recording
    both = measure_clip(path, **FACTS)
    assert "several_welds" in both.score["flags"].iloc[0].split()
    assert 370 <= both.run["steady"]["start"] < both.run["steady"]["stop"] <= 770
    np.save(tmp_path / "second.npy", second)
    alone = measure_clip(tmp_path / "second.npy", **FACTS)
    assert "several_welds" not in alone.score["flags"].iloc[0].split()
    assert (both.frames["status"].iloc[370:] == "ok").mean() > 0.97
    for column in ("pool_length_mean_mm", "pool_length_cv"):
        assert both.score[column].iloc[0] == pytest.approx(alone.score[column].iloc[0], rel=0.02)


@pytest.mark.long
def test_another_weld_is_scored_on_request(recording):
    path, _ = recording
    settings = MeasureSettings.checked({"stability": {"steady": {"stop_s": 0.05}}}, where="test")
    first = measure_clip(path, settings=settings, **FACTS)
    assert first.run["steady"]["stop"] <= 250
    assert "several_welds" not in first.flags
    assert first.score["pool_length_cv"].iloc[0] < 0.02


@pytest.mark.long
def test_a_part_without_frames_is_refused(recording):
    path, _ = recording
    settings = MeasureSettings.checked({"stability": {"steady": {"start_s": 10.0}}}, where="test")
    with pytest.raises(UsageError, match="start_s"):
        measure_clip(path, settings=settings, **FACTS)


def test_a_stop_before_the_start_is_refused_before_any_work():
    with pytest.raises(UsageError, match=r"stop_s 0\.01 must be above start_s 0\.02"):
        MeasureSettings.checked({"stability": {"steady": {"start_s": 0.02, "stop_s": 0.01}}}, where="here")


@pytest.mark.long
def test_how_the_weld_that_was_scored_looks_is_what_counts(tmp_path):
    steady = pictures(400, 6, 0.02)
    dim = (pictures(200, 7, 0.02) * 0.7).astype(steady.dtype)
    np.save(tmp_path / "two.npy", np.concatenate([dim, np.full((60, *dim.shape[1:]), 4, dim.dtype), steady]))
    both = measure_clip(tmp_path / "two.npy", **FACTS)
    assert "several_welds" in both.flags
    assert not {"gain_drift", "flicker"} & set(both.flags)
