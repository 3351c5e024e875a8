"""Frames that are missing without a trace in the file show in what moves smoothly, and in nothing else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import poolwatch
from poolwatch.clips import open_clip
from poolwatch.footage import write_frames
from poolwatch.measure.dropped_frames import DroppedFrames, by_particles, by_ways
from poolwatch.simulate import Scene, write_simulation


def flights(
    rng: np.random.Generator, count: int, dropped: tuple[int, ...], noise: float, drag: float = 0.0
) -> DroppedFrames:
    """Tracks of `count` particles over 200 frames of the weld; frames in `dropped` (numbers in the weld) are lost."""
    kept = np.setdiff1d(np.arange(200), dropped)
    particle, frame, places = [], [], []
    for number in range(count):
        first, long = rng.integers(0, 170), rng.integers(6, 30)
        speed, turn = rng.uniform(2, 9), rng.uniform(0, 2 * np.pi)
        for place, moment in enumerate(kept):
            if first <= moment < first + long and rng.random() > 0.05:
                age = moment - first
                way = speed * (age if not drag else (1 - np.exp(-drag * age)) / drag)
                particle.append(number)
                frame.append(place)
                places.append([way * np.cos(turn), way * np.sin(turn)] + rng.normal(0, noise, 2))
    return by_particles(np.array(particle), np.array(frame), np.array(places))


@pytest.mark.parametrize("seed", range(4))
def test_particles_that_jump_together(seed: int) -> None:
    rng = np.random.default_rng(seed)
    found = flights(rng, 300, (40, 90, 91, 150), noise=0.1, drag=0.01)
    # Numbers in the file of the frames before the holes: of 40, of 90 and 91, of 150.
    assert (found.judged_by, found.after, found.count) == ("particles", (39, 88, 146), (1, 2, 1))


@pytest.mark.parametrize("seed", range(20))
def test_no_false_alarm(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    assert flights(rng, 150, (), noise=0.25, drag=0.02).after == ()


def test_one_particle_alone_is_no_proof_and_none_tells_nothing() -> None:
    frame = np.arange(12)
    places = np.column_stack([np.where(frame > 5, frame + 1, frame) * 4.0, np.zeros(12)])
    alone = by_particles(np.zeros(12), frame, places)
    assert (alone.judged_by, alone.after) == ("particles", ())
    twice = by_particles(np.repeat([0, 1], 12), np.tile(frame, 2), np.concatenate([places, places[:, ::-1]]))
    assert twice.after == (5,)
    assert by_particles(np.empty(0), np.empty(0, np.int64), np.empty((0, 2))) == DroppedFrames()
    assert by_particles(np.arange(3), np.arange(3), np.zeros((3, 2))) == DroppedFrames()


def test_two_wisps_that_stumble_alike_are_no_proof() -> None:
    # Steps as short and long as those of plume followed for a while, among them one that happens to be doubled.
    steps = np.array([2.1, 9.4, 4.2, 1.6, 4.5, 2.9, 0.9, 4.4, 4.0, 1.2])
    along = np.concatenate([[0.0], np.cumsum(steps)])
    way = np.column_stack([along, np.zeros(11)])
    frame = np.arange(11)
    found = by_particles(np.repeat([0, 1], 11), np.tile(frame, 2), np.concatenate([way, 0.97 * way]))
    assert found.after == ()
    even = np.where(np.arange(10) == 4, 6.0, 3.0)
    way = np.column_stack([np.concatenate([[0.0], np.cumsum(even)]), np.zeros(11)])
    found = by_particles(np.repeat([0, 1], 11), np.tile(frame, 2), np.concatenate([way, 0.97 * way]))
    assert found.after == (4,)


GONE = (30, 61, 62, 110)


def clip(folder: Path, kind: str, **more: object) -> Path:
    scene = {
        "kind": kind,
        "frames": 140,
        "seed": 19,
        "travel_speed_mm_s": 80.0,
        "camera": {"width": 200, "height": 120, "mm_per_px": 0.035, "exposure_s": 2e-5, **more},
        "pool": {"length_mm": 2.2, "length": {"noise_sd": 0.02}, "width": {"noise_sd": 0.01}},
        "keyhole": {"brightness": 0.6},
        "spatter": {"rate_per_s": 5000 if kind == "glowing" else 0, "diameter_mm": 0.15, "speed_mm_s": 1200},
    }
    return write_simulation(Scene.checked(scene, where="test"), folder, format="npy")


@pytest.mark.often("glowing")
@pytest.mark.slow
@pytest.mark.parametrize("kind", ["glowing", "illuminated"])
def test_dropped_frames_are_flagged_and_whole_clips_are_not(kind: str, tmp_path: Path) -> None:
    path = clip(tmp_path, kind)
    facts = {
        "record_rate_hz": 10_000.0,
        "mm_per_px": 0.035,
        "travel_speed_mm_s": 80.0,
        "exposure_s": 2e-5,
    }
    whole = poolwatch.measure_clip(path, **facts)
    told = "particles" if kind == "glowing" else "metal"
    assert whole.run["drops"] == {"judged_by": told, "after": (), "count": ()}
    assert "dropped_frames" not in whole.flags
    frames = np.load(path)
    np.save(tmp_path / "holes.npy", np.delete(frames, GONE, axis=0))
    holes = poolwatch.measure_clip(tmp_path / "holes.npy", **facts)
    assert "dropped_frames" in holes.flags
    found = dict(zip(holes.run["drops"]["after"], holes.run["drops"]["count"], strict=True))
    true = {29: 1, 59: 2, 106: 1}
    if kind == "illuminated":
        assert found == true
    else:  # where at least two particles fly
        assert found.items() <= true.items()
        assert len(found) >= 2
    # A frame that the camera gives twice is told as such, not as a jump behind it.
    doubled = frames.copy()
    doubled[[50, 90]] = doubled[[49, 89]]
    np.save(tmp_path / "doubled.npy", doubled)
    again = poolwatch.measure_clip(tmp_path / "doubled.npy", **facts)
    assert "repeated_frames" in again.flags
    assert "dropped_frames" not in again.flags


def test_time_stamps_that_are_uneven_or_have_holes(tmp_path: Path) -> None:
    import av

    frames = np.random.default_rng(3).integers(0, 200, (60, 48, 64)).astype(np.uint8)

    def flags(name: str, times: list[int]) -> tuple[str, ...]:
        path = tmp_path / f"{name}.mp4"
        with av.open(str(path), "w") as out:
            stream = out.add_stream("libx264", rate=25, options={"qp": "0"})
            stream.width, stream.height, stream.pix_fmt = 64, 48, "gray"
            for time, frame in zip(times, frames, strict=False):
                picture = av.VideoFrame.from_ndarray(frame, format="gray")
                picture.pts = time
                out.mux(stream.encode(picture))
            out.mux(stream.encode(None))
        with open_clip(path) as reader:
            return reader.facts.flags

    every = range(60)
    assert not {"uneven_times", "missing_frames"} & set(flags("even", [n * 4 for n in every]))
    rng = np.random.default_rng(1)
    jitter = np.cumsum(rng.integers(3, 9, 60)).tolist()
    assert "uneven_times" in flags("uneven", jitter)
    path = write_frames(tmp_path / "even.mkv", frames, format="mkv-ffv1", depth_bits=8, playback_rate_hz=30)
    with open_clip(path) as reader:  # 33 and 34 ms in turn are rounding
        assert "uneven_times" not in reader.facts.flags


def test_metal_that_is_lost_for_some_frames_is_no_drop() -> None:
    rng = np.random.default_rng(3)
    ways = 1.0 + 0.1 * rng.standard_normal(200)
    ways[[60, 140]] = 3.05, 1.95
    assert by_ways(ways) == DroppedFrames("metal", (60, 140), (2, 1))
    # Two whole numbers among odd ways: a shower that was followed instead of the sheet.
    ways[100:104] = 2.98, 2.4, 3.02, 1.6
    assert by_ways(ways) == DroppedFrames("metal", (60, 140), (2, 1))
    assert by_ways(np.full(200, np.nan)) == DroppedFrames()
