"""Parts that some beams lack, from the plan to the advice: drawn effects come back, advice stays where it was tried."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from poolwatch.trial.advice import improvements, weld_interval
from poolwatch.trial.design import Design, read_design
from poolwatch.trial.factors import effect_table
from poolwatch.trial.model import FactorModel, fit_model
from poolwatch.trial.region import Region, region_of
from tests.trial.nested import SCATTER, Planned, draw_coefficients, matrix, planned, scores

pytestmark = pytest.mark.slow


def designs() -> list[tuple[Planned, Design, Region, list[str]]]:
    """Four planned trials: ring and tail together or never, with few welds and more."""
    made = []
    for welds, apart in ((18, True), (24, True), (26, False), (34, False)):
        plan = planned(welds, welds, apart=apart)
        rows = scores(plan.runs, np.random.default_rng(welds).normal(50, 5, welds))
        design = read_design(rows, plan.limits)
        model = fit_model(design)
        made.append(
            (plan, design, region_of(design, model, plan.limits), [term.name for term in model.terms])
        )
    return made


DESIGNS = designs()


def drawn(number: int, *, null: bool = False) -> tuple[int, np.ndarray, FactorModel]:
    """A table of drawn effects and scatter: its design, the coefficients, and the model fitted to it."""
    rng = np.random.default_rng((2026, number, int(null)))
    place = number % len(DESIGNS)
    plan, design, _, terms = DESIGNS[place]
    truth = draw_coefficients(terms, rng)
    if null:
        truth[1:] = 0
    index = matrix(terms, plan.runs) @ truth + rng.normal(0, SCATTER, len(plan.runs))
    return place, truth, fit_model(replace(design, rows=design.rows.assign(stability_index=index)))


def test_no_weld_is_left_out_and_the_columns_are_those_of_the_definitions() -> None:
    for plan, design, region, terms in DESIGNS:
        assert len(design.rows) == len(plan.runs)
        # Directions from -0.5 to 0.5 and around ±180 are two levels.
        np.testing.assert_allclose(region.model.matrix(design.runs), matrix(terms, plan.runs), atol=1e-12)
        assert "tail_direction_deg" in terms
        assert "ring_share²" in terms


def test_true_effects_are_within_their_intervals_in_93_to_97_of_100(many: bool) -> None:
    held = []
    for number in range(400 if many else 120):
        place, truth, model = drawn(number)
        table = effect_table(model)
        terms = DESIGNS[place][3]
        assert table["term"].tolist() == terms
        size = np.where(table["level"] == "ends against the middle", 1, 2)
        true = truth[1:] * size
        held += ((table["effect_low"] <= true) & (true <= table["effect_high"])).tolist()
    assert 0.93 <= np.mean(held) <= 0.97


def test_an_effect_stands_out_by_chance_in_one_of_twenty_trials_at_most(many: bool) -> None:
    tables = 400 if many else 120
    false = advised = 0
    for number in range(tables):
        _, _, model = drawn(number, null=True)
        false += bool((effect_table(model)["p_holm"] <= 0.05).any())
        advised += model.p_of(model.chosen_places())[1] <= 0.05
    # Two standard errors of a share of 5 % over the tables.
    margin = 2 * np.sqrt(0.05 * 0.95 / tables)
    assert false / tables <= 0.05 + margin
    assert advised / tables <= 0.05 + margin


def check_inside(run: dict[str, float | str], place: int) -> None:
    """Nothing that was not tried, from the definitions: no forbidden pair, no lone part, no leverage beyond."""
    plan, _, _, terms = DESIGNS[place]
    share, length = float(run["ring_share"]), float(run["tail_length_mm"])
    assert not any(one.holds(run) for one in plan.forbidden)
    assert (run["ring_diameter_mm"] == "absent") == (share == 0)
    assert (run["tail_direction_deg"] == "absent") == (length == 0)
    assert share == 0 or 0.3 <= share <= 0.6
    assert length == 0 or 1 <= length <= 2
    assert 80 <= float(run["travel_speed_mm_s"]) <= 120
    assert run["ring_diameter_mm"] in ("absent", 0.8, 1.2)
    tried = matrix(terms, plan.runs)
    inverse = np.linalg.inv(tried.T @ tried)
    here = matrix(terms, [run])[0]
    assert here @ inverse @ here <= np.einsum("ni,ij,nj->n", tried, inverse, tried).max() * 1.001


def test_advice_is_within_what_was_tried_and_its_improvement_comes_on_average() -> None:
    tables = 30  # Each takes seconds.
    claimed, came, held = [], [], []
    for number in range(tables):
        place, truth, model = drawn(number)
        if not model.p_of(model.chosen_places())[1] <= 0.05:
            continue
        _, _, region, terms = DESIGNS[place]
        best = region.tried[int(np.argmax(model.matrix(region.tried) @ model.coefficients))]
        for run, gain in improvements(model, replace(region, model=model), 2):
            check_inside(run, place)
            new, old = matrix(terms, [run, best]) @ truth
            claimed.append(gain)
            came.append(max(new - old, 0.0))
            low, high = weld_interval(model, run)
            held.append(low <= np.random.default_rng(number).normal(new, SCATTER) <= high)
    assert len(claimed) > 0.8 * tables
    error = np.std(np.array(came) - np.array(claimed)) / np.sqrt(len(claimed))
    assert np.mean(came) >= np.mean(claimed) - 2 * error
    assert np.mean(held) >= 0.95 - 2 * np.sqrt(0.05 * 0.95 / (len(held) / 2))
