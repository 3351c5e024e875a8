"""Rulers drawn with known period; edges of known blur."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scale_scenes import ruler_photo
from scipy.special import erf, ndtr

from poolwatch.model.errors import MeasurementError, UsageError
from poolwatch.scale.ruler import find_graduation, scale_from_ruler
from poolwatch.scale.sharpness import edge_blur, slanted_edge_blur


@pytest.mark.parametrize(
    ("period", "angle", "seed"),
    [(6.2, -7.0, 1), (10.37, 0.0, 2), (13.1, 91.0, 3), (17.81, 33.0, 4), (33.3, 2.0, 5)],
)
def test_a_ruler_is_found_and_measured(period, angle, seed):
    photo = ruler_photo(period, angle, seed=seed)
    found = find_graduation(photo)
    assert found.period_px == pytest.approx(period, rel=5e-4)
    made = scale_from_ruler(found, 0.5, u_pitch_mm=0.0)
    assert abs(made.scale.mm_per_px - 0.5 / period) < 3 * made.scale.u_mm_per_px


def test_a_given_line_is_used():
    photo = ruler_photo(12.4, 0.0, seed=7)
    found = find_graduation(photo, ((100, 200), (300, 200)))
    assert found.marks == pytest.approx(200 / 12.4 + 1, abs=1)
    assert found.period_px == pytest.approx(12.4, rel=1e-3)


def test_a_tilted_ruler_shows_its_change():
    photo = ruler_photo(12.4, 0.0, seed=8, change=0.08)
    found = find_graduation(photo, ((70, 200), (330, 200)))
    assert abs(found.change) == pytest.approx(0.08 * 260 / 400, rel=0.15)
    made = scale_from_ruler(found, 1.0, u_pitch_mm=0.001)
    assert made.scale.u_mm_per_px > 0.01 * made.scale.mm_per_px
    assert any("tilted" in note for note in made.notes)


def test_no_ruler_says_so():
    rng = np.random.default_rng(9)
    with pytest.raises(MeasurementError, match="line"):
        find_graduation(rng.normal(100, 5, (200, 300)))
    with pytest.raises(MeasurementError, match="one brightness"):
        find_graduation(np.full((200, 300), 90.0), ((10, 10), (200, 10)))


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (((1, 1), (5, 1)), "only 4 px long"),
        (((1, 1), (900, 1)), "leaves the picture"),
        (((1, 1), (math.nan, 1)), "finite"),
    ],
)
def test_a_line_that_makes_no_sense_is_refused(line, message):
    with pytest.raises(UsageError, match=message):
        find_graduation(ruler_photo(10.0, 0.0, seed=1), line)


@pytest.mark.parametrize("pitch", [0.0, -1.0, math.nan])
def test_a_pitch_that_makes_no_sense_is_refused(pitch):
    found = find_graduation(ruler_photo(10.0, 0.0, seed=1))
    with pytest.raises(UsageError, match="pitch must be above 0"):
        scale_from_ruler(found, pitch)


@pytest.mark.parametrize(("sigma", "angle"), [(0.6, 5.0), (1.0, 95.0), (2.0, 200.0), (3.5, -40.0)])
def test_blur_of_a_slanted_edge(sigma, angle):
    rng = np.random.default_rng(round(10 * sigma))
    y, x = np.mgrid[:60, :80].astype(float)
    a = math.radians(angle)
    distance = (x - 39.3) * math.cos(a) + (y - 30.2) * math.sin(a)
    edge = 40 + 70 * (1 + erf(distance / math.sqrt(2) / sigma)) + 2 * rng.standard_normal(distance.shape)
    found = slanted_edge_blur(edge, reach_px=max(8, 4 * sigma))
    assert abs(found.sigma_px - sigma) < 3.5 * found.u_sigma_px
    assert found.u_sigma_px < 0.02 * sigma
    # A Gaussian's contrast exp(-2 (pi sigma f)^2) is half at 0.187391 / sigma; 10 to 90 % takes 2.563103 sigma.
    assert found.mtf50_cycles_per_px * found.sigma_px == pytest.approx(0.187391, abs=1e-6)
    assert math.exp(-2 * (math.pi * found.sigma_px * found.mtf50_cycles_per_px) ** 2) == pytest.approx(0.5)
    assert found.rise_px == pytest.approx(2.563103 * found.sigma_px, rel=1e-6)


@pytest.mark.slow
def test_edge_position_reaches_the_cramer_rao_limit():
    # Lower limit for one row, erf edge: (noise / step) sqrt(2 sqrt(pi) sigma); 0.037656 px at step / noise 50.
    rng = np.random.default_rng(3)
    x = np.arange(-10.0, 11.0)
    places = [
        edge_blur(x, 50 * 0.5 * (1 + erf((x - 0.3) / math.sqrt(2))) + rng.standard_normal(x.size)).edge_px
        for _ in range(300)
    ]
    assert np.mean(places) == pytest.approx(0.3, abs=0.01)
    assert np.std(places) == pytest.approx(0.037656, rel=0.15)


def test_no_edge_says_so():
    rng = np.random.default_rng(4)
    with pytest.raises(MeasurementError, match="edge"):
        slanted_edge_blur(rng.normal(100, 2, (60, 60)))
    with pytest.raises(MeasurementError, match="one brightness"):
        slanted_edge_blur(np.full((60, 60), 7.0))
    with pytest.raises(MeasurementError, match="at least 8 values"):
        edge_blur(np.arange(4.0), np.arange(4.0))
    with pytest.raises(MeasurementError, match="stands out"):
        edge_blur(np.arange(40.0), rng.normal(0, 1, 40))


@pytest.mark.parametrize("angle", [7, 20, 40])
def test_a_bright_speck_beside_the_edge_does_not_turn_it(angle: int) -> None:
    """Steeper than the edge itself, it pulls the first estimate of the direction."""
    y, x = np.mgrid[:90, :120].astype(float)
    a = math.radians(angle)
    distance = (x - 59.5) * math.cos(a) + (y - 44.5) * math.sin(a)
    picture = 0.2 + 0.5 * ndtr(distance / 1.2) + 0.6 * np.exp(-((x - 73.5) ** 2 + (y - 14) ** 2) / 4.5)
    assert slanted_edge_blur(picture).sigma_px == pytest.approx(1.2, rel=0.06)
