"""Designs against published ones, as sets of runs; optimal designs against a full search and another method."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest

from poolwatch.experiment.limits import allowed, parse_forbidden
from poolwatch.experiment.terms import matrix_of, model_terms, separate
from poolwatch.model.errors import UsageError
from poolwatch.plan.candidates import grid, read_candidates
from poolwatch.plan.designs import (
    GENERATORS,
    Plan,
    box_behnken,
    central_composite,
    fraction,
    full_factorial,
    latin_hypercube,
    resolution_of,
)
from poolwatch.plan.estimable import estimable
from poolwatch.plan.factors import parse_factors
from poolwatch.plan.optimal import d_optimal, into_blocks


def ranges(count: int) -> tuple:
    return parse_factors([f"{letter}=-1..1" for letter in "abcdefghjk"[:count]])


def runs_of(plan: Plan) -> list[tuple]:
    return sorted(tuple(round(float(value), 4) for value in run.values()) for run in plan.runs)


def test_full_factorial_has_each_combination_once() -> None:
    factors = parse_factors(["shape=ring,spot,crescent", "power_w=2000,2500", "focus_mm=-1,0,1,2"])
    runs = {tuple(run.values()) for run in full_factorial(factors).runs}
    assert runs == set(itertools.product(*(factor.levels for factor in factors)))


def test_half_fraction_of_montgomery_and_its_effects() -> None:
    """Filtration rate, 2^(4-1) with D = ABC: Montgomery, Design and Analysis of Experiments (effects from memory)."""
    published = {
        (-1, -1, -1, -1): 45, (1, -1, -1, 1): 100, (-1, 1, -1, 1): 45, (1, 1, -1, -1): 65,
        (-1, -1, 1, 1): 75, (1, -1, 1, -1): 60, (-1, 1, 1, -1): 80, (1, 1, 1, 1): 96,
    }  # fmt: skip
    plan = fraction(ranges(4), runs=8)
    assert runs_of(plan) == sorted(published)
    y = np.array([published[tuple(int(v) for v in run.values())] for run in plan.runs])  # type: ignore[index]
    terms = model_terms(plan.factors, "interactions")
    effect = {term.name: float(term.columns(plan.runs)[:, 0] @ y) / 4 for term in terms}
    assert [effect[name] for name in ("a", "b", "c", "d")] == [19.0, 1.5, 14.0, 16.5]
    assert (effect["a x b"], effect["a x c"], effect["a x d"]) == (-1.0, -18.5, 19.0)
    told = estimable(plan.factors, plan.runs, "interactions")
    assert told.relation == ("a x b x c x d",)
    assert told.aliased == {"b x c": ("a x d",), "b x d": ("a x c",), "c x d": ("a x b",)}


@pytest.mark.parametrize(
    ("factors", "runs", "resolution"),
    [
        # Montgomery, table of two-level fractions of highest resolution (from memory).
        (3, 4, 3), (4, 8, 4), (5, 8, 3), (5, 16, 5), (6, 8, 3), (6, 16, 4), (6, 32, 6), (7, 8, 3), (7, 16, 4),
        (7, 32, 4), (7, 64, 7), (8, 16, 4), (8, 32, 4), (8, 64, 5), (9, 16, 3), (9, 32, 4), (9, 64, 4), (10, 16, 3),
        (10, 32, 4), (10, 64, 4),
    ],
)  # fmt: skip
def test_fractions_reach_their_published_resolution(factors: int, runs: int, resolution: int) -> None:
    assert resolution_of(factors, GENERATORS[factors, runs]) == resolution
    plan = fraction(ranges(factors), runs=runs)
    x = matrix_of(model_terms(plan.factors, "main"), plan.runs)
    assert np.array_equal(x.T @ x, runs * np.eye(factors + 1))
    relation = estimable(plan.factors, plan.runs, "main").relation
    assert min(word.count(" x ") + 1 for word in relation) == resolution


def test_smallest_fraction_of_a_resolution() -> None:
    assert len(fraction(ranges(6), resolution=4).runs) == 16
    assert len(fraction(ranges(5), resolution=5).runs) == 16
    assert len(fraction(ranges(3), resolution=4).runs) == 8


@pytest.mark.parametrize(("factors", "alpha"), [(2, 1.4142), (3, 1.6818), (4, 2.0), (5, 2.3784)])
def test_central_composite_is_the_published_one(factors: int, alpha: float) -> None:
    """Rotatable: alpha = (2^k)^(1/4); Box & Wilson 1951, Montgomery."""
    plan = central_composite(ranges(factors), axial="circumscribed", centres=5)
    corners = list(itertools.product((-1.0, 1.0), repeat=factors))
    axes = [
        tuple(sign * alpha * (n == k) + 0.0 for n in range(factors))
        for k in range(factors)
        for sign in (-1, 1)
    ]
    assert runs_of(plan) == sorted([*corners, *axes, *[(0.0,) * factors] * 5])
    inscribed = np.array(runs_of(central_composite(ranges(factors))))
    assert np.abs(inscribed).max() == 1.0
    faced = np.array(runs_of(central_composite(ranges(factors), axial="face-centred")))
    assert set(np.unique(faced)) == {-1.0, 0.0, 1.0}


def test_central_composite_is_rotatable() -> None:
    """Variance of the prediction is the same at all places as far from the centre."""
    plan = central_composite(ranges(3), axial="circumscribed", centres=6)
    x = matrix_of(model_terms(plan.factors, "quadratic"), plan.runs)
    rng = np.random.default_rng(1)
    places = rng.standard_normal((50, 3))
    places *= 1.3 / np.linalg.norm(places, axis=1, keepdims=True)
    there = [dict(zip("abc", map(float, place), strict=True)) for place in places]
    f = matrix_of(model_terms(plan.factors, "quadratic"), there)
    variance = np.einsum("ij,jk,ik->i", f, np.linalg.inv(x.T @ x), f)
    assert np.ptp(variance) < 1e-4 * variance.mean()


@pytest.mark.parametrize(("factors", "edges"), [(3, 12), (4, 24), (5, 40), (6, 48), (7, 56)])
def test_box_behnken_is_the_published_one(factors: int, edges: int) -> None:
    """Box & Behnken 1960: numbers of runs; every pair of factors is balanced."""
    matrix = np.array(runs_of(box_behnken(ranges(factors), centres=1)))
    assert len(matrix) == edges + 1
    assert set(np.unique(matrix)) == {-1.0, 0.0, 1.0}
    assert np.array_equal(matrix.sum(axis=0), np.zeros(factors))
    squares = (matrix**2).T @ matrix**2
    assert len(set(squares.diagonal())) == 1
    assert np.array_equal(matrix.T @ matrix, np.diag(squares.diagonal()))
    told = estimable(ranges(factors), box_behnken(ranges(factors)).runs, "quadratic")
    assert told.aliased == {}


def test_box_behnken_of_three_factors_run_by_run() -> None:
    pairs = [(0, 1), (0, 2), (1, 2)]
    expected = [(0.0, 0.0, 0.0)] * 3
    for one, two in pairs:
        for signs in itertools.product((-1.0, 1.0), repeat=2):
            row = [0.0, 0.0, 0.0]
            row[one], row[two] = signs
            expected.append(tuple(row))
    assert runs_of(box_behnken(ranges(3))) == sorted(expected)


def test_latin_hypercube_has_one_run_in_each_stratum() -> None:
    plan = latin_hypercube(ranges(3), 12, seed=5)
    for name in "abc":
        strata = [math.floor((float(run[name]) + 1) / 2 * 12) for run in plan.runs]
        assert sorted(strata) == list(range(12))
    assert runs_of(plan) == runs_of(latin_hypercube(ranges(3), 12, seed=5))
    assert runs_of(plan) != runs_of(latin_hypercube(ranges(3), 12, seed=6))


def log_det(plan: Plan, model: str) -> float:
    x = matrix_of(model_terms(plan.factors, model), plan.runs)  # type: ignore[arg-type]
    return float(np.linalg.slogdet(x.T @ x)[1])


@pytest.mark.parametrize("runs", [6, 7, 8])
def test_d_optimal_is_as_good_as_a_full_search(runs: int) -> None:
    factors = ranges(2)
    candidates = grid(factors, "quadratic")
    x = matrix_of(model_terms(factors, "quadratic"), candidates)
    best = max(
        np.linalg.det(x[list(rows)].T @ x[list(rows)])
        for rows in itertools.combinations_with_replacement(range(9), runs)
    )
    found = log_det(d_optimal(factors, candidates, runs, model="quadratic", seed=3), "quadratic")
    assert found == pytest.approx(math.log(best), abs=1e-9)


def test_d_optimal_finds_the_orthogonal_design_where_there_is_one() -> None:
    factors = ranges(7)
    plan = d_optimal(factors, grid(factors, "main"), 8, model="main", seed=2)
    assert log_det(plan, "main") == pytest.approx(8 * math.log(8))


def reference_search(x: np.ndarray, runs: int, rng: np.random.Generator, starts: int) -> float:
    """Another method: simulated annealing from random beginnings."""
    best = -math.inf
    for _ in range(starts):
        chosen = rng.integers(0, len(x), runs)
        value = np.linalg.slogdet(x[chosen].T @ x[chosen] + 1e-9 * np.eye(x.shape[1]))[1]
        for step in range(1500):
            trial = chosen.copy()
            trial[rng.integers(runs)] = rng.integers(len(x))
            new = np.linalg.slogdet(x[trial].T @ x[trial] + 1e-9 * np.eye(x.shape[1]))[1]
            if new > value or rng.random() < math.exp((new - value) / (0.5 * 0.995**step + 1e-9)):
                chosen, value = trial, new
            best = max(best, value)
    return float(best)


@pytest.mark.parametrize(
    ("texts", "forbid", "runs", "model"),
    [
        (
            ["ring_share=0,0.3,0.6", "ring_mm=0,1,2", "speed=80..120"],
            ["ring_share=0 ring_mm=1..2"],
            14,
            "quadratic",
        ),
        (
            ["shape=spot,ring,tail", "power=2..4", "focus=-1..1", "gas=ar,n2"],
            ["shape=tail power=4"],
            15,
            "interactions",
        ),
        (["a=0..1", "b=0..1", "c=0..1", "d=0..1"], [], 18, "quadratic"),
    ],
)
def test_d_efficiency_is_at_least_that_of_a_reference_search(
    texts: list[str], forbid: list[str], runs: int, model: str
) -> None:
    factors = parse_factors(texts)
    candidates = allowed(grid(factors, model), tuple(parse_forbidden(text, factors) for text in forbid))  # type: ignore[arg-type]
    told, _ = separate(model_terms(factors, model), candidates)  # type: ignore[arg-type]
    x = matrix_of(told, candidates)
    reference = reference_search(x, runs, np.random.default_rng(17), 4)
    plan = d_optimal(factors, candidates, runs, model=model, seed=1)  # type: ignore[arg-type]
    rows = x[[candidates.index(run) for run in plan.runs]]
    found = float(np.linalg.slogdet(rows.T @ rows)[1])
    assert math.exp((found - reference) / x.shape[1]) >= 1 - 1e-6


def test_an_interaction_that_nothing_tells_is_left_out_and_named() -> None:
    factors = parse_factors(["shape=spot,ring,tail", "power=2..4"])
    candidates = allowed(grid(factors, "interactions"), (parse_forbidden("shape=tail power=4", factors),))
    plan = d_optimal(factors, candidates, 6, model="interactions", seed=1)
    assert plan.notes[1] == "shape x power is left out: no combination that can be welded tells it"


def test_d_optimal_refuses_what_cannot_be() -> None:
    factors = ranges(3)
    with pytest.raises(UsageError, match="cannot tell the 10 coefficients"):
        d_optimal(factors, grid(factors, "quadratic"), 8, model="quadratic", seed=1)
    with pytest.raises(UsageError, match="every combination is forbidden"):
        d_optimal(factors, [], 8, model="main", seed=1)
    with pytest.raises(UsageError, match="a cannot be separated from the mean"):
        d_optimal(factors, [{"a": -1.0, "b": float(b), "c": 1.0} for b in (-1, 1)], 8, model="main", seed=1)


def test_blocks_of_a_two_level_factorial_are_orthogonal_to_the_effects() -> None:
    plan = full_factorial(ranges(4))
    x = matrix_of(model_terms(plan.factors, "interactions"), plan.runs)
    block = into_blocks(x, 2, seed=3)
    assert np.bincount(block).tolist() == [8, 8]
    for b in (0, 1):
        assert np.abs(x[block == b, 1:].sum(axis=0)).max() == 0


def test_designs_refuse_what_they_cannot_hold() -> None:
    words = parse_factors(["shape=spot,ring,tail", "a=0..1", "b=0..1"])
    with pytest.raises(UsageError, match="two levels of each factor; shape has 3"):
        fraction(words)
    with pytest.raises(UsageError, match="needs numbers; shape is words"):
        box_behnken(words)
    with pytest.raises(UsageError, match="needs 3 to 7 factors, 2 given"):
        box_behnken(ranges(2))
    with pytest.raises(UsageError, match="no fraction of 12 runs"):
        fraction(ranges(5), runs=12)
    with pytest.raises(UsageError, match="has no centre"):
        full_factorial(words, centres=2)
    with pytest.raises(UsageError, match="more than anyone welds"):
        full_factorial(parse_factors([f"f{n}=1,2,3,4,5,6,7,8,9" for n in range(5)]))


def test_candidates_are_read_as_a_spreadsheet_saves_them(tmp_path: Path) -> None:
    table = tmp_path / "runs.csv"
    factors = parse_factors(["power_kw=2..4", "gas=argon,helium"])
    table.write_bytes("power_kw;gas\r\n2,5;argon\r\n;;\r\n3;helium\r\n".encode("utf-16"))
    assert read_candidates(table, factors) == [
        {"power_kw": 2.5, "gas": "argon"},
        {"power_kw": 3.0, "gas": "helium"},
    ]
    table.write_text("power_kw,gas\n2,argon,note\n3,helium\n", encoding="utf-8")
    with pytest.raises(UsageError, match="line 2 has more cells than the header"):
        read_candidates(table, factors)
