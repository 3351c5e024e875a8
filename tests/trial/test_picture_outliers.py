"""Welds whose picture is unlike that of their shape's others."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from poolwatch.trial.picture_outliers import stray_welds
from poolwatch.trial.ranking import rank_shapes
from tests.trial.simulated import score_rows


def rows(welds: int, scatter: float = 0.02, seed: int = 3) -> pd.DataFrame:
    """Three shapes with pools and keyholes of their own, which scatter by `scatter` from weld to weld."""
    rng = np.random.default_rng(seed)
    scores = score_rows(rng, (0.4, 0.7, 1.2), welds)
    for column, means in (
        ("pool_length_mean_mm", (2.4, 2.0, 3.1)),
        ("pool_width_mean_mm", (1.2, 1.3, 1.4)),
        ("keyhole_brightness_mean", (0.7, 0.4, 0.6)),
    ):
        scores[column] = np.repeat(means, welds) * np.exp(rng.normal(0, scatter, 3 * welds))
    return scores


def test_a_wrong_scale_and_a_dim_window_are_named_and_count() -> None:
    scores = rows(4)
    scores.loc[1, ["pool_length_mean_mm", "pool_width_mean_mm"]] /= 1.5
    scores.loc[6, "keyhole_brightness_mean"] *= 0.5
    scores.loc[9, "pool_length_mean_mm"] *= 1.4
    said = stray_welds(scores)
    assert set(said) == {1, 6, 9}
    assert "0.6" in said[1]
    assert "is the scale right?" in said[1]
    assert "keyhole 0.5" in said[6]
    assert "times as long" in said[9]
    assert "scale" not in said[9]
    ranking = rank_shapes(scores)
    remarks = ranking.table.set_index("beam_shape")["remarks"]
    assert f"{scores['clip'][1]}: pool" in remarks[scores["beam_shape"][1]]
    assert any(note.startswith(f"{scores['clip'][6]}: keyhole") for note in ranking.notes)
    assert ranking.table["clips"].tolist() == [4, 4, 4]


@pytest.mark.long
@pytest.mark.often("3")
@pytest.mark.slow
@pytest.mark.parametrize("welds", [3, 8])
def test_ordinary_scatter_is_no_stray(welds: int) -> None:
    """100 trials whose pools scatter by 4 % from weld to weld."""
    named = sum(bool(stray_welds(rows(welds, 0.04, seed))) for seed in range(100))
    assert named <= 8


def test_what_follows_from_the_setting_is_no_stray() -> None:
    scores = rows(8)
    scores["factor_power"] = [1000, 1000, 1000, 1000, 1000, 2500, 2500, 2500] * 3
    scores["factor_block"] = ["a", "b", "c", "d"] * 6
    big = scores["factor_power"] == 2500
    scores.loc[big, ["pool_length_mean_mm", "pool_width_mean_mm"]] *= 1.5
    assert stray_welds(scores) == {}
    scores.loc[0, ["pool_length_mean_mm", "pool_width_mean_mm"]] *= 1.5
    assert list(stray_welds(scores)) == [0]


def test_rows_without_these_columns_pass() -> None:
    assert stray_welds(rows(3)[["clip", "beam_shape", "stability_index"]]) == {}
