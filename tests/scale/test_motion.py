"""Motion of the metal and registration on scenes of exactly known motion."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scale_scenes import Sheet, weld_clip

from poolwatch.model.errors import MeasurementError, UsageError
from poolwatch.scale.clip_motion import motion_in_clip
from poolwatch.scale.motion import rigid_motion
from poolwatch.scale.travel import Travel, scale_from_travel


def angle_between(a: float, b: float) -> float:
    return (a - b + 180) % 360 - 180


# mm/s, frames/s, mm/px: 20 to 120 mm/s at 2 to 20 kHz, 0.05 to 3 px a frame.
TRAVELS = [
    (20.0, 20_000.0, 0.02, 180.0, 21),
    (60.0, 2_000.0, 0.012, 175.0, 22),
    (120.0, 5_000.0, 0.02, -90.0, 23),
    (120.0, 2_000.0, 0.02, 33.0, 24),
]


@pytest.mark.often("120.0-5000", "20.0-20000")
@pytest.mark.slow
@pytest.mark.parametrize(("speed", "rate", "scale", "direction", "seed"), TRAVELS)
def test_travel_speed_gives_the_scale_within_one_per_cent(speed, rate, scale, direction, seed):
    px = speed / rate / scale
    n = 64 if px > 0.2 else 140
    frames = weld_clip(
        seed, n=n, height=144, width=224, speed_px=px, direction_deg=direction, noise=0.03, dirt=0.06
    )
    motion = rigid_motion(frames)
    made = scale_from_travel(
        motion,
        Travel(rate, speed, 0.002 * speed),
        view=(224, 144),
    )
    assert made.scale.mm_per_px == pytest.approx(scale, rel=0.01)
    assert abs(made.scale.mm_per_px - scale) < made.budget.expanded(0.99)
    assert made.scale.u_mm_per_px < 0.01 * scale
    assert abs(angle_between(motion.direction_deg, direction)) < max(1.0, 3 * motion.u_direction_deg)
    assert abs(angle_between(motion.travel_direction_deg, direction + 180)) < max(
        1.0, 3 * motion.u_direction_deg
    )


@pytest.mark.long
@pytest.mark.slow
def test_the_error_bar_of_the_speed_covers_the_error():
    z = []
    for seed in range(31, 41):
        px = 0.3 + 0.17 * (seed - 31)
        frames = weld_clip(
            seed,
            n=40,
            height=112,
            width=160,
            speed_px=px,
            direction_deg=36.0 * seed,
            noise=0.03,
            shake_px=0.1,
        )
        motion = rigid_motion(frames)
        assert motion.moving
        z.append((motion.speed - px) / motion.u_speed)
    z = np.array(z)
    assert (np.abs(z) < 3).all()
    assert 0.3 < math.sqrt(float((z**2).mean())) < 1.6


def test_a_standing_camera_is_told_from_a_riding_one():
    frames = weld_clip(51, n=40, height=128, width=192, speed_px=0.0, direction_deg=0, shake_px=0.4)
    motion = rigid_motion(frames)
    assert not motion.moving
    assert (motion.dx, motion.dy) == (0.0, 0.0)
    assert math.isnan(motion.travel_direction_deg)
    with pytest.raises(MeasurementError, match="stands still"):
        scale_from_travel(motion, Travel(1000, 10))


def test_the_mask_keeps_a_fixture_out():
    frames = weld_clip(52, n=40, height=128, width=224, speed_px=0.8, direction_deg=180, pool=False)
    # A fixture with strong texture that rides with the camera covers more than half of the view.
    fixture = np.clip(120 + 50 * Sheet(99).at(128, 224), 0, 255).astype(np.uint8)
    frames[:, :, :132] = fixture[None, :, :132]
    mask = np.zeros((128, 224), dtype=bool)
    mask[:, :140] = True
    motion = rigid_motion(frames, mask, tile_px=24)
    assert motion.moving
    assert motion.speed == pytest.approx(0.8, rel=0.01)


@pytest.mark.long
@pytest.mark.slow
def test_slow_travel_in_a_long_clip_is_found_with_frames_further_apart():
    px = 0.02
    numbers: list[int] = []
    sheet = Sheet(61)
    rng = np.random.default_rng(61)

    def read(indices):
        numbers.extend(indices)
        frames = [
            100 + 20 * sheet.at(96, 160, px * i, 0.0) + 4 * rng.standard_normal((96, 160)) for i in indices
        ]
        return np.clip(np.rint(frames), 0, 255).astype(np.uint8)

    motion = motion_in_clip(read, 100, 3000)
    assert motion.speed == pytest.approx(px, rel=0.005)
    assert min(numbers) >= 100
    assert max(numbers) < 3000


def test_a_tilted_view_shows_as_a_change_over_the_view():
    # 10 % faster at the right border than at the left.
    sheet, n, height, width = Sheet(71), 40, 128, 224
    x = np.arange(width)
    frames = np.empty((n, height, width), dtype=np.uint8)
    for i in range(n):
        # Content moves along x with speed 0.6 (1 + 0.1 (x/width - 1/2)): material coordinate by integration.
        gain = 0.1 / width
        start = np.log1p(gain * (x - width / 2)) / gain
        material = np.expm1((start - 0.6 * i) * gain) / gain + width / 2
        wave_x = np.exp(1j * np.outer(sheet.kx, material))
        wave_y = np.exp(1j * (np.outer(sheet.ky, np.arange(height)) + sheet.phase[:, None]))
        frames[i] = np.clip(110 + 25 * sheet.amplitude * np.real(wave_y.T @ wave_x), 0, 255)
    motion = rigid_motion(frames)
    assert motion.speed == pytest.approx(0.6, rel=0.02)
    left, right = motion.at(0, 64)[0], motion.at(width - 1, 64)[0]
    assert right / left - 1 == pytest.approx(0.1, abs=0.02)
    made = scale_from_travel(motion, Travel(1000, 12), view=(width, height))
    assert any("tilted or turning" in note for note in made.notes)


def test_noise_alone_has_no_motion():
    rng = np.random.default_rng(81)
    frames = rng.integers(90, 110, (20, 96, 128)).astype(np.uint8)
    with pytest.raises(MeasurementError, match="no common motion of solid metal"):
        rigid_motion(frames)


def test_arrays_that_do_not_fit_are_refused():
    frames = np.zeros((10, 64, 64), dtype=np.uint8)
    with pytest.raises(UsageError, match="at least 8 frames"):
        rigid_motion(frames[:4])
    with pytest.raises(UsageError, match="mask's shape"):
        rigid_motion(frames, np.zeros((3, 3), dtype=bool))
    with pytest.raises(UsageError, match="do not suit frames"):
        rigid_motion(frames, tile_px=60)
    with pytest.raises(UsageError, match="travel speed must be a finite number above 0"):
        scale_from_travel(
            rigid_motion(weld_clip(5, n=10, height=96, width=128, speed_px=1.0, direction_deg=0)),
            Travel(1000, math.nan),
        )
