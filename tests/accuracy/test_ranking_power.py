"""What the planner promises, the ranking keeps: power with the number of welds that it advises."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.plan.power import ComparisonDesign, welds_needed
from poolwatch.trial import RankSettings
from poolwatch.trial.shape_means import compare_pairs, group_welds


@pytest.mark.long
@pytest.mark.parametrize(
    ("shapes", "difference", "scatter", "within"),
    [
        pytest.param(2, 10.0, 0.25, 0.0, marks=pytest.mark.long),
        (4, 10.0, 0.25, 0.1),
        pytest.param(5, 15.0, 0.5, 0.0, marks=pytest.mark.long),
        pytest.param(3, 6.0, 0.1, 0.08, marks=pytest.mark.long),
    ],
)
def test_power_with_the_welds_that_the_planner_advises(
    shapes: int, difference: float, scatter: float, within: float
) -> None:
    plan = welds_needed(
        ComparisonDesign(shapes=shapes, scatter=scatter, within=within, trials=4000), difference, 0.8
    )
    low, high = (np.log(i / (100 - i)) for i in (50 - difference / 2, 50 + difference / 2))
    middle = [0.0] * (shapes - 2)
    names = np.repeat(np.arange(shapes), plan.welds)
    mean = np.array([high, low, *middle])[names]
    rng = np.random.default_rng(80)
    trials, told = 2500, 0
    for _ in range(trials):
        groups = group_welds(
            names,
            mean + rng.normal(0, scatter, len(names)),
            np.full(len(names), within or np.nan),
            prior_df=RankSettings().scatter_prior_df,
        )
        told += compare_pairs(groups).apart(shapes, RankSettings().alpha)[0, 1]
    # Within 5 points of what was promised, and of the 80 % asked for where one weld fewer would not do.
    assert told / trials == pytest.approx(plan.power, abs=0.05)
    assert told / trials >= 0.75
