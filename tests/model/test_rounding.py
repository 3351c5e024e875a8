"""Numbers get the digits that their uncertainty leaves them.

GUM (JCGM 100:2008) 7.2.6: at most two digits of an uncertainty, the value to the same place. Its example:
10.057 62 Ω with a standard uncertainty of 27 mΩ is 10.058 Ω. Particle Data Group, Review of Particle Physics:
0.827 ± 0.119 is 0.83 ± 0.12, and 0.827 ± 0.367 is 0.8 ± 0.4 (both from memory).
"""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from poolwatch.model.rounding import number, places_of, with_interval, with_uncertainty
from poolwatch.model.score_words import figure, figures, index_words


@pytest.mark.parametrize(
    ("value", "spread", "text"),
    [
        (3.14159, None, "3.14"),
        (4.1, None, "4.10"),
        (1130.0, None, "1130"),
        (26, None, "26"),
        (-0.5, None, "−0.500"),
        (12345.678, None, "12346"),
        (3.14159, 0.012, "3.142"),
        (81.26, 2.5, "81.3"),
        (1234.5, 56.0, "1230"),
        (-0.01, 0.4, "0.0"),
        (float("nan"), None, "–"),
        (None, None, "–"),
        (pd.NA, None, "–"),
    ],
)
def test_numbers_carry_the_digits_they_deserve(value, spread, text):
    assert number(value, spread) == text


def test_published_examples():
    assert with_uncertainty(10.05762, 0.027) == "10.058 ± 0.027"
    assert with_uncertainty(0.827, 0.119) == "0.83 ± 0.12"
    assert with_uncertainty(0.827, 0.367) == "0.8 ± 0.4"


def test_intervals():
    assert with_interval(2.4037, 2.3911, 2.4164) == "2.404 (2.391 to 2.416)"
    assert with_interval(0.043, 0.038, 0.049, factor=100) == "4.3 (3.8 to 4.9)"
    assert with_interval(36.9, 33.1, 40.5) == "37 (33 to 40)"
    assert with_interval(-9.4, -13.2, -5.7, plus=True) == "−9 (−13 to −6)"
    assert with_interval(13.8, 10.1, 17.5, plus=True) == "+14 (+10 to +18)"
    assert with_interval(3.9712, None, 3.991) == "3.97"
    assert with_interval(5.0, 5.0, 5.0) == "5"
    assert with_interval(None, 1, 2) == "–"


@given(st.floats(1e-6, 1e6))
def test_rounding_moves_an_uncertainty_by_at_most_a_sixth(uncertainty):
    places = places_of(uncertainty)
    assert abs(round(uncertainty, places) - uncertainty) <= uncertainty / 6
    # At most two digits are left.
    assert 1 <= round(round(uncertainty, places) * 10.0**places) < 100


def test_what_rests_on_a_count_has_the_digits_of_the_count():
    row = {
        "spatter_per_s": 50.0,
        "spatter_per_s_low": 6.0,
        "spatter_per_s_high": 180.0,
        "spatter_per_m": 500.0,
        "spatter_mass_mg_per_m": 1.6371,
        "pool_length_cv": 0.0431,
        "pool_length_cv_low": 0.0384,
        "pool_length_cv_high": 0.0488,
    }
    assert figure(row, "spatter_per_s") == "50 (10 to 180)"
    assert figure(row, "spatter_per_m") == "500 (100 to 1800)"
    assert figure(row, "spatter_mass_mg_per_m") == "1.6"
    assert figure(row | {"spatter_per_s": 0.0, "spatter_per_m": 0.0}, "spatter_per_m") == "0"
    assert figure({"spatter_per_m": 512.3}, "spatter_per_m") == "512"
    assert figure(row, "pool_length_cv") == "4.3 (3.8 to 4.9)"


def index_row(value, low, high):
    return {"stability_index": value, "stability_index_low": low, "stability_index_high": high}


def test_an_index_is_whole_unless_it_is_known_to_less_than_a_point():
    assert index_words(index_row(63.417, 59.035, 67.588)) == "63 (59 to 68)"
    assert index_words(index_row(37.605, 34.619, 40.689)) == "38 (35 to 41)"
    assert index_words(index_row(37.605, 37.2, 38.1)) == "37.6 (37.2 to 38.1)"
    assert index_words(index_row(50.0, 10.0, 90.0)) == "50 (10 to 90)"


def test_decimals_of_a_column_agree_where_the_uncertainties_allow():
    def cells(*halves):
        rows = [
            {
                "pool_length_mean_mm": 2.4913,
                "pool_length_mean_low": 2.4913 - h,
                "pool_length_mean_high": 2.4913 + h,
            }
            for h in halves
        ]
        return figures(rows, "pool_length_mean_mm")

    assert cells(0.039, 0.016) == ["2.49 (2.45 to 2.53)", "2.49 (2.48 to 2.51)"]
    # A hundred times apart: each has its own, for 2.5 alone would hide what the second is known to.
    assert cells(1.6, 0.016) == ["2.5 (0.9 to 4.1)", "2.491 (2.475 to 2.507)"]
    assert figures([{}, {"pool_length_mean_mm": 2.4913}], "pool_length_mean_mm") == ["–", "2.49"]
