"""Registering and shifting solid metal: against Fourier shifts and scikit-image's registration."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import fourier_shift, gaussian_filter
from skimage.registration import phase_cross_correlation

from poolwatch.pool.illuminated.learning import motion_of
from poolwatch.pool.illuminated.metal import kernel, read_at, register, shifted
from poolwatch.pool.illuminated.motion import find_motion, noise_of

BOX = (10, 90, 10, 120)
SOLID = np.ones((80, 110), dtype=np.uint8)


def texture(seed: int, shape: tuple[int, int] = (128, 160), grain: float = 1.5) -> np.ndarray:
    field = gaussian_filter(np.random.default_rng(seed).standard_normal(shape), grain, mode="wrap")
    return 1000.0 + 150.0 * field / field.std()


def moved(image: np.ndarray, dx: float, dy: float) -> np.ndarray:
    """The picture moved by (dx, dy), exact for a periodic band-limited one."""
    return np.fft.ifft2(fourier_shift(np.fft.fft2(image), (dy, dx))).real


def grey(image: np.ndarray, noise: float, seed: int) -> np.ndarray:
    noisy = image + noise * np.random.default_rng(seed).standard_normal(image.shape)
    return np.round(noisy).astype(np.uint16)


@pytest.mark.slow
@pytest.mark.parametrize(("dx", "dy"), [(0.0, 0.0), (0.5, -0.3), (-3.2, 1.7), (4.49, 0.51)])
def test_a_shifted_picture_is_read_back(dx, dy):
    image = texture(1)
    there = np.round(moved(image, dx, dy)).astype(np.uint16)
    read, valid = shifted(there, BOX, dx, dy)
    assert valid == (0, 80, 0, 110)
    # 150 grey values of texture: 1 % of it, and rounding.
    assert (read - image[10:90, 10:120]).std() < 2.0


def test_what_lies_outside_the_picture_is_named():
    read, valid = shifted(texture(2).astype(np.uint16), (0, 60, 0, 60), -5.0, 2.0)
    assert valid == (0, 60, 5, 60)
    assert (read[:, :5] == 0).all()


@pytest.mark.parametrize("seed", range(12))
def test_reading_is_the_separable_filter_of_opencv(seed):
    """Boxes inside the picture, at its borders and beyond them, 8 and 16 bits."""
    rng = np.random.default_rng(seed)
    image = rng.integers(0, 255, (60, 80)).astype((np.uint8, np.uint16)[seed % 2])
    top, left = (int(v) for v in rng.integers(0, 20, 2))
    box = (top, int(rng.integers(40, 61)), left, int(rng.integers(40, 81)))
    dx, dy = rng.uniform(-25, 25, 2)
    ix, iy = round(dx), round(dy)
    whole = cv2.sepFilter2D(
        image, cv2.CV_32F, kernel(dx - ix), kernel(dy - iy), borderType=cv2.BORDER_REPLICATE
    )
    read, (a, b, c, d) = read_at(image, box, dx, dy)
    assert read.shape == (b - a, d - c)
    assert (box[0] + iy + a, box[2] + ix + c) == (max(box[0] + iy, 0), max(box[2] + ix, 0))
    assert (box[0] + iy + b, box[2] + ix + d) == (min(box[1] + iy, 60), min(box[3] + ix, 80))
    due = whole[box[0] + iy + a : box[0] + iy + b, box[2] + ix + c : box[2] + ix + d]
    assert np.abs(read - due).max() < 1e-3


@pytest.mark.slow
@pytest.mark.parametrize(("dx", "dy"), [(0.31, -0.22), (-0.8, 0.45)])
@pytest.mark.parametrize("noise", [6.0, 12.0])
def test_registration_finds_shift_and_gain(dx, dy, noise):
    image = texture(3)
    here, there = grey(image, noise, 1), grey(0.8 * moved(image, dx, dy), noise, 2)
    x, y, gain, agree = register(here, there, BOX, SOLID, (0.0, 0.0), (2 * noise**2 + 30.0, 0.0), 2)
    assert (x, y) == pytest.approx((dx, dy), abs=0.02)
    assert gain == pytest.approx(1.25, rel=2e-3)
    assert agree > 0.9
    # Outside check: upsampled cross-correlation (Guizar-Sicairos et al. 2008, doi:10.1364/OL.33.000156) of
    # scikit-image, on the whole periodic picture.
    theirs, _, _ = phase_cross_correlation(
        there.astype(float), here.astype(float), upsample_factor=100, normalization=None
    )
    assert (x, y) == pytest.approx((theirs[1], theirs[0]), abs=0.03)


def test_registration_is_not_drawn_to_whole_pixels_by_noise():
    image = texture(4)
    found = []
    for k in range(12):
        here, there = grey(image, 40.0, 10 + k), grey(moved(image, 0.25, 0.0), 40.0, 50 + k)
        found.append(register(here, there, BOX, SOLID, (0.0, 0.0), (3200.0, 0.0), 2).dx)
    assert np.mean(found) == pytest.approx(0.25, abs=0.02)


def test_what_does_not_move_along_is_outvoted():
    image = texture(5)
    here, there = grey(image, 5.0, 1), grey(moved(image, 0.7, 0.0), 5.0, 2)
    other = texture(6)
    for frame, shift in ((here, 0.0), (there, -3.0)):
        frame[30:70, 40:80] = np.round(moved(other, shift, 0.0))[30:70, 40:80]
    x, y, _, _ = register(here, there, BOX, SOLID, (0.5, 0.0), (80.0, 0.0), 2)
    assert (x, y) == pytest.approx((0.7, 0.0), abs=0.03)


@pytest.mark.parametrize("speed", [(0.0, 0.0), (-1.25, 0.0), (0.4, 0.6), (5.0, -3.0)])
def test_motion_is_found_without_being_told(speed):
    image = texture(7, (160, 200))
    # A patch that stands still in the picture, like a keyhole's surroundings with a riding camera.
    still = texture(8, (160, 200))
    runs = []
    for start in (0, 40):
        run = np.stack(
            [
                grey(moved(image, speed[0] * (start + k), speed[1] * (start + k)), 8.0, start + k)
                for k in range(9)
            ]
        )
        run[:, 60:100, 70:130] = np.round(still)[60:100, 70:130]
        runs.append(run)
    found = find_motion(np.array(runs))
    assert found == pytest.approx(speed, abs=0.15)


@pytest.mark.slow
@pytest.mark.parametrize("speed", [(0.0, 0.0), (-0.5, -0.3)])
def test_faint_marks_show_whether_the_camera_stands_where_a_travel_speed_is_given(speed):
    # Marks of one and a half times the noise: of either motion more than six tenths of the picture is explained.
    image = 1000.0 + (texture(21) - 1000.0) / 10.0
    runs = np.array(
        [
            [grey(moved(image, speed[0] * k, speed[1] * k), 10.0, 100 * run + k) for k in range(17)]
            for run in range(2)
        ]
    )
    everywhere = np.ones(image.shape, dtype=np.uint8)
    found, _, share = motion_of(runs, (-0.5, -0.3), everywhere, (2 * 10.0**2, 0.0), 8)
    assert found == pytest.approx(speed, abs=0.03)
    assert share > 0.9


@pytest.mark.parametrize("noise", [2.0, 10.0])
def test_noise_is_measured_beside_coarse_texture(noise):
    frame = grey(texture(9, grain=4.0), noise, 3)
    assert noise_of(frame) == pytest.approx(noise, rel=0.25)
