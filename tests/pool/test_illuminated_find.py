"""The first look at illuminated footage and the measuring of its frames: what they promise beside accuracy."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from poolwatch.model.errors import MeasurementError
from poolwatch.pool.illuminated import find_illuminated, learn_illuminated, window_length
from poolwatch.pool.settings import PoolSettings
from poolwatch.simulate import Scene, Simulation

pytestmark = pytest.mark.slow

SETTINGS = PoolSettings()
MOTION = {
    "length": {"tones": [{"frequency_hz": 310, "amplitude": 0.04}], "noise_sd": 0.015},
    "width": {"tones": [{"frequency_hz": 470, "amplitude": 0.03}], "noise_sd": 0.01},
}


def lit(frames: int = 70, **parts: Any) -> tuple[Simulation, np.ndarray, tuple[float, float]]:
    camera = {"width": 200, "height": 110, "mm_per_px": 0.025, **parts.pop("camera", {})}
    scene = Scene.checked(
        {"kind": "illuminated", "frames": frames, "camera": camera, "pool": MOTION, **parts}, where="test"
    )
    sim = Simulation(scene)
    angle = math.radians(scene.camera.direction_deg)
    return sim, sim.frames(0, frames), (math.cos(angle), -math.sin(angle))


def windows(frames: np.ndarray, count: int = 6, length: int = 17) -> np.ndarray:
    starts = np.linspace(0, len(frames) - length, count).astype(int)
    return np.array([frames[s : s + length] for s in starts])


def same(one: Any, two: Any) -> bool:
    numbers = ("front", "rear", "left", "right", "area", "x", "y", "brightness", "gain", "keyhole")
    return (
        one.status == two.status
        and np.array_equal(one.vertices, two.vertices)
        and np.array_equal(
            [getattr(one, n) for n in numbers], [getattr(two, n) for n in numbers], equal_nan=True
        )
    )


@pytest.fixture(scope="module")
def clip():
    sim, frames, forward = lit(seed=501, travel_speed_mm_s=80.0)
    return (
        sim,
        frames,
        forward,
        learn_illuminated(windows(frames), 255.0, forward=forward, settings=SETTINGS),
    )


def test_windows_are_as_long_as_memory_allows():
    rates = 1000, 3000, 5000, 10_000, 20_000, 30_000, 1e6
    assert [window_length(r) for r in rates] == [9, 21, 33, 33, 33, 49, 65]
    # A short clip keeps several runs: as long as a quarter of it each way, but not below 0.8 ms.
    assert [window_length(10_000, n) for n in (17, 40, 64, 1000)] == [17, 21, 33, 33]


def test_metal_and_edge_are_learned(clip):
    _, _, _, look = clip
    # 80 mm/s at 10 kHz and 0.025 mm a pixel, backwards.
    assert look.metal_px[0] == pytest.approx(-0.32, abs=0.005)
    assert abs(look.metal_px[0] + 0.32) < 4 * look.metal_u_px[0] + 0.002
    assert look.metal_px[1] == pytest.approx(0.0, abs=0.005)
    assert not look.standing
    assert not look.moves
    assert look.before == look.after == max(look.lags) <= 8
    # Point spread 0.9 px and the pixel's own width.
    assert look.evidence.sigma == pytest.approx(math.hypot(0.9, 1 / math.sqrt(12)), abs=0.15)
    # Shot and read noise of two frames at the metal's brightness of 0.41.
    expected = 2 * (0.41 / 20_000 + 0.004**2) * 255**2
    assert look.noise[0] + look.noise[1] * 0.41 * 255 == pytest.approx(expected, rel=0.5)


def test_a_frame_depends_on_its_window_alone(clip):
    _, frames, forward, look = clip
    whole = find_illuminated(frames, 0, len(frames), look, forward=forward, settings=SETTINGS)
    assert {p.status for p in whole} == {"ok"}
    for i in (0, 3, 8, 31, 62, 69):
        first, last = max(i - look.before, 0), min(i + look.after + 1, len(frames))
        alone = find_illuminated(frames[first:last], i - first, 1, look, forward=forward, settings=SETTINGS)
        assert same(alone[0], whole[i]), i


@pytest.mark.parametrize("shape", [(1, 60), (60, 1), (2, 60), (11, 200)])
def test_frames_with_no_room_for_metal_are_refused_by_name(shape):
    runs = np.random.default_rng(1).integers(50, 200, (3, 17, *shape)).astype(np.uint8)
    with pytest.raises(MeasurementError, match=f"{shape[1]} x {shape[0]} px are too small"):
        learn_illuminated(runs, 255.0, forward=(1.0, 0.0), settings=SETTINGS)
    with pytest.raises(ValueError, match="shape"):
        learn_illuminated(runs[0], 255.0, forward=(1.0, 0.0), settings=SETTINGS)


@pytest.mark.long
def test_whatever_motion_was_given_the_clips_own_is_found(clip):
    _, frames, forward, _ = clip
    for given in ((-0.32, 0.0), (-0.40, 0.0), (0.9, 0.3)):
        look = learn_illuminated(windows(frames), 255.0, forward=forward, metal_px=given, settings=SETTINGS)
        assert look.metal_px == pytest.approx((-0.32, 0.0), abs=0.005), given


def test_bad_frames_are_named_and_spoil_no_other():
    sim, frames, forward = lit(
        seed=502, disturbances={"black_frames": [20, 21], "blown_frames": [30], "repeated_frames": [40, 41]}
    )
    look = learn_illuminated(windows(frames), 255.0, forward=forward, settings=SETTINGS)
    pools = find_illuminated(frames, 0, len(frames), look, forward=forward, settings=SETTINGS)
    state = sim.truth_frames["state"]
    assert [p.status for p, s in zip(pools, state, strict=True) if s in ("dark", "blown")] == [
        "dark",
        "dark",
        "blown",
    ]
    ok = (state == "ok").to_numpy()
    assert {p.status for p, k in zip(pools, ok, strict=True) if k} == {"ok"}
    error = np.array([p.front - p.rear for p in pools]) - sim.truth_frames["length_px"].to_numpy()
    near = ok & (np.abs(np.arange(70) - 30) < 14)
    assert np.abs(error[near]).max() < 4.0


@pytest.mark.often("0.95")
@pytest.mark.parametrize(("spot", "seen"), [(0.95, True), (0.03, True), (None, False)])
def test_a_keyhole_is_measured_where_there_is_one(spot, seen):
    keyhole = {"spots_mm": []} if spot is None else {"brightness": spot}
    sim, frames, forward = lit(seed=503, keyhole=keyhole)
    look = learn_illuminated(windows(frames), 255.0, forward=forward, settings=SETTINGS)
    assert look.keyhole.seen is seen
    assert look.keyhole_dark is (spot == 0.03)
    pool = find_illuminated(frames, 20, 1, look, forward=forward, settings=SETTINGS)[0]
    if not seen:
        assert np.isnan(pool.keyhole)
        assert np.isnan(pool.keyhole_area)
        return
    truth = sim.truth_frames.iloc[20]
    assert math.hypot(look.keyhole.x - truth.origin_x_px, look.keyhole.y - truth.origin_y_px) < 1.5
    # Brightness 0 reads 0.01 of full scale; lighting of ±10 % lies over the spot, the core averages its flank.
    assert pool.keyhole / 255 == pytest.approx(spot + 0.01, abs=0.06 + 0.1 * spot)
    # exp(-(2 r / d)^4) is above a half within 0.456 d.
    assert pool.keyhole_area == pytest.approx(math.pi * (0.456 * 0.36 / 0.025) ** 2, rel=0.35)


def test_frames_without_a_pool_have_none():
    sim, frames, forward = lit(
        160, seed=504, welds=[{"start_s": 0.003, "stop_s": 0.011}], ramp_s=5e-4, camera={"rate_hz": 10_000.0}
    )
    look = learn_illuminated(windows(frames[40:105]), 255.0, forward=forward, settings=SETTINGS)
    pools = find_illuminated(frames, 0, len(frames), look, forward=forward, settings=SETTINGS)
    size = sim.truth_frames["size"].to_numpy()
    full = [p.status for p, s in zip(pools, size, strict=True) if s == 1]
    none = [p.status for p, s in zip(pools, size, strict=True) if s == 0]
    assert full.count("ok") >= 0.97 * len(full)
    assert "ok" not in none


@pytest.mark.long
def test_a_pool_cut_by_the_border_is_not_guessed():
    _, frames, forward = lit(seed=505)
    look = learn_illuminated(windows(frames), 255.0, forward=forward, settings=SETTINGS)
    left = int(look.outline[:, 0].mean())
    cut = frames[:, :, left:]
    moved = learn_illuminated(windows(frames), 255.0, forward=forward, settings=SETTINGS)
    from dataclasses import replace

    shifted = replace(
        moved,
        x=moved.x - left,
        outline=moved.outline - (left, 0),
        box=(moved.box[0], moved.box[1], 0, moved.box[3] - left),
    )
    pools = find_illuminated(cut, 20, 6, shifted, forward=forward, settings=SETTINGS)
    assert {p.status for p in pools} == {"cut_off"}
    assert all(np.isnan(p.area) for p in pools)


def test_metal_without_a_pool_is_refused():
    rng = np.random.default_rng(6)
    plate = 100 + 15 * gaussian_filter(rng.standard_normal((120, 400)), 1.5) * 5
    frames = np.array([plate[:, k : k + 200] + rng.normal(0, 1.5, (120, 200)) for k in range(60)])
    with pytest.raises(MeasurementError, match="no pool found"):
        learn_illuminated(
            windows(frames.round().astype(np.uint8)), 255.0, forward=(1.0, 0.0), settings=SETTINGS
        )


def test_flicker_of_everything_is_refused():
    rng = np.random.default_rng(7)
    frames = (120 + 40 * gaussian_filter(rng.standard_normal((60, 120, 160)), (0.5, 3, 3)) * 10).clip(0, 255)
    with pytest.raises(MeasurementError, match=r"no rigid motion|no pool found"):
        learn_illuminated(windows(frames.astype(np.uint8)), 255.0, forward=(1.0, 0.0), settings=SETTINGS)
