"""Rulers drawn with known period; edges of known blur."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scale_scenes import ruler_photo

from poolwatch.model.errors import MeasurementError, UsageError
from poolwatch.scale.ruler import find_graduation, mark_places, scale_from_ruler


@pytest.mark.slow
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
    # As many as the line can hold, by where it begins.
    assert found.marks in (16, 17)
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


def test_marks_are_placed_on_the_marks():
    """Dark marks of five pixels every 16: their middles are known."""
    x = np.arange(400)
    photo = np.tile(np.where((x + 3) % 16 < 5, 40.0, 210.0), (80, 1))
    found = find_graduation(photo, ((10.0, 40.0), (390.0, 40.0)))
    places = mark_places(found)
    expected = np.arange(15.0, 390.0, 16.0)
    np.testing.assert_allclose(places[:, 0], expected, atol=0.3)
    assert found.marks == len(expected) == len(places)
    light = find_graduation(250.0 - photo, ((10.0, 40.0), (390.0, 40.0)))
    np.testing.assert_allclose(mark_places(light)[:, 0], expected, atol=0.3)
