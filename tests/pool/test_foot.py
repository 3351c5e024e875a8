"""The foot of a clipped step: pixels, their distances, and the spread they tell, against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poolwatch.pool.band import band_of
from poolwatch.pool.foot import foot_spread

FULL = 4095.0
PIXEL = 1 / 12
BETWEEN = 1 / 6
ERF = np.vectorize(math.erf)


def disc(radius, sigma, rim, slope=0.0, middle=(60.3, 59.6), size=120):
    """A bright disc seen through a Gaussian, at pixel centres; `slope`: how the surroundings fall, per px."""
    yy, xx = np.mgrid[:size, :size]
    away = np.hypot(xx - middle[0], yy - middle[1]) - radius
    # The blur of a curved edge moves it inwards by b² / 2R.
    inside = 0.5 * (1 - ERF((away + sigma**2 / (2 * radius)) / (sigma * math.sqrt(2))))
    around = 0.25 - slope * np.clip(away, -20, 40)
    return around + (rim - 0.25) * inside


def frames(sigma, rim, count=6, noise=0.003, **how):
    rng = np.random.default_rng(9)
    out, regions = [], []
    for k in range(count):
        middle = (60.0 + 0.37 * k, 60.0 - 0.21 * k)
        light = disc(30.0, math.sqrt(sigma**2 + PIXEL), rim, middle=middle, **how)
        light += rng.normal(0, noise, light.shape)
        out.append(np.clip(np.round(light * FULL), 0, FULL).astype(np.uint16))
        turn = np.linspace(0, 2 * np.pi, 160, endpoint=False)
        ring = np.column_stack((middle[0] + 30.8 * np.cos(turn), middle[1] + 30.8 * np.sin(turn)))
        regions.append((k, np.round(ring), 2800.0))
    return np.array(out), regions


def test_pixels_of_the_band_know_their_distance_from_the_line():
    sample, regions = frames(1.0, 1.6, count=1, noise=0.0)
    band = band_of(sample[0], regions[0][1], 0.99 * FULL, 6.0)
    assert band is not None
    assert 0 <= band.distance.min() < 0.2
    assert 5.8 < band.distance.max() <= 6.0
    # Pixels at one distance are equally bright: what scatters is the error of the distance times the slope.
    sigma = math.sqrt(1.0 + PIXEL)
    near = band.distance < 0.5
    steep = 1.35 * FULL * 0.33 / sigma
    assert np.ptp(band.value[near] + steep * band.distance[near]) / steep < 0.15
    # The band is as wide all round: the area of its ring, pixel by pixel, the disc's radius being 30 px.
    assert len(band.value) == pytest.approx(np.pi * (36**2 - 30**2), rel=0.05)


def test_no_clipped_pixel_is_in_the_band():
    sample, regions = frames(1.2, 2.0, count=1)
    sample[0, 60:64, 92:96] = int(FULL)
    band = band_of(sample[0], regions[0][1], 0.99 * FULL, 6.0)
    assert band is not None
    assert band.value.max() < 0.99 * FULL - 0.25 * FULL + 60


@pytest.mark.slow
@pytest.mark.parametrize("sigma", [0.6, 1.0, 1.7])
@pytest.mark.parametrize(("rim", "slope"), [(1.2, 0.0), (1.8, 0.006), (2.6, 0.003)])
def test_the_foot_tells_spread_and_height(sigma, rim, slope):
    sample, regions = frames(sigma, rim, slope=slope)
    spread, height = foot_spread(sample, regions, 0.99 * FULL, None)
    assert spread == pytest.approx(math.sqrt(sigma**2 + PIXEL + BETWEEN), rel=0.015)
    assert height == pytest.approx((rim - 0.25) * FULL, rel=0.08)


def test_a_known_spread_leaves_the_height():
    sample, regions = frames(1.1, 1.7)
    true = math.sqrt(1.1**2 + PIXEL + BETWEEN)
    spread, height = foot_spread(sample, regions, 0.99 * FULL, true)
    assert spread == pytest.approx(true)
    assert height == pytest.approx(1.45 * FULL, rel=0.04)


def test_particles_and_a_hot_trail_beside_the_edge_do_not_count():
    sample, regions = frames(1.0, 1.7)
    for frame in sample:
        frame[88:93, 50:70] = np.maximum(frame[88:93, 50:70], int(0.7 * FULL))
        frame[28:31, 60:63] = int(FULL)
    spread, _ = foot_spread(sample, regions, 0.99 * FULL, None)
    assert spread == pytest.approx(math.sqrt(1.0 + PIXEL + BETWEEN), rel=0.02)


def test_an_even_bright_field_has_no_foot():
    sample, regions = frames(1.0, 1.6, count=4)
    assert foot_spread(np.full_like(sample, 900), regions, 0.99 * FULL, None) == (math.inf, 0.0)
