"""Parts that some beams lack, from the plan to the advice: drawn effects come back, advice stays where it was tried."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.trial.model import fit_model
from tests.trial.bars import advice, designs, drawn, effects_held, false_alarms
from tests.trial.nested import matrix

pytestmark = pytest.mark.slow


def test_no_weld_is_left_out_and_the_columns_are_those_of_the_definitions() -> None:
    for known in designs():
        assert len(known.design.rows) == len(known.plan.runs)
        # Directions from -0.5 to 0.5 and around ±180 are two levels.
        ours, theirs = known.region.model.matrix(known.design.runs), matrix(known.terms, known.plan.runs)
        np.testing.assert_allclose(ours, theirs, atol=1e-12)
        assert "tail_direction_deg" in known.terms
        assert "ring_share²" in known.terms


def test_the_terms_are_chosen_by_the_design_alone() -> None:
    for number in range(len(designs())):
        one = drawn(number)
        whole = fit_model(one.design)
        assert whole.terms == one.model.terms
        np.testing.assert_array_equal(whole.coefficients, one.model.coefficients)
        assert whole.variance == one.model.variance


def test_true_effects_are_within_their_intervals_in_93_to_97_of_100(many: bool) -> None:
    assert 0.93 <= effects_held(400 if many else 120).mean() <= 0.97


@pytest.mark.long
def test_an_effect_stands_out_by_chance_in_one_of_twenty_trials_at_most(many: bool) -> None:
    tables = 400 if many else 120
    # Two standard errors of a share of 5 % over the tables.
    margin = 2 * np.sqrt(0.05 * 0.95 / tables)
    assert (false_alarms(tables).mean(axis=0) <= 0.05 + margin).all()


@pytest.mark.long
def test_advice_is_within_what_was_tried_and_its_improvement_comes_on_average(many: bool) -> None:
    tables = 400 if many else 40
    given = advice(tables)
    assert len(given.claimed) > 0.5 * tables
    assert given.inside.all()
    excess = given.came - given.claimed
    # Of each row of the advice by itself.
    assert (np.abs(excess.mean(axis=0)) <= 2 * excess.std(axis=0) / np.sqrt(len(excess))).all()
    assert given.held.mean() >= 0.95 - 2 * np.sqrt(0.05 * 0.95 / len(given.claimed))
