"""Number of welds: power against the ranking's own test on simulated trials."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from poolwatch.cli.main import main
from poolwatch.experiment.logit import expit, logit
from poolwatch.model.errors import UsageError
from poolwatch.model.table import write_csv
from poolwatch.model.tables import SCORE
from poolwatch.plan.pilot import Z95, points_to_logit, read_pilot, scatter_from_points, scatter_in_points
from poolwatch.plan.power import (
    ComparisonDesign,
    detectable,
    first_pair_apart,
    power,
    welds_needed,
)
from poolwatch.trial.blocked import compare_in_blocks
from poolwatch.trial.blocks import lay_out
from poolwatch.trial.rows import read_rows
from poolwatch.trial.settings import RankSettings
from poolwatch.trial.shape_means import compare_pairs, group_welds


def told_by_ranking(comparison: ComparisonDesign, value: np.ndarray) -> bool:
    """Whether the ranking tells shapes 0 and 1 apart; `value` has shape (shapes, welds)."""
    k, n = value.shape
    groups = group_welds(
        np.repeat(np.arange(k).astype(str), n),
        value.ravel(),
        np.full(k * n, comparison.within or np.nan),
        prior_df=RankSettings().scatter_prior_df,
    )
    return bool(compare_pairs(groups).apart(k, RankSettings().alpha)[0, 1])


def told_in_blocks(comparison: ComparisonDesign, value: np.ndarray) -> bool:
    """The same where each column of `value` is a block; what blocks differ by is large."""
    k, n = value.shape
    within = np.full(k * n, comparison.within or np.nan)
    shape = np.repeat([f"s{s}" for s in range(k)], n)
    moved = (value + 10 * np.sin(np.arange(n))).ravel()
    groups = group_welds(shape, moved, within, prior_df=RankSettings().scatter_prior_df)
    layout = lay_out(shape, [f"b{b}" for b in range(n)] * k, list(groups.names))
    pairs = compare_in_blocks(layout, moved, within, groups, RankSettings(draws=1000)).pairs
    return bool(pairs.apart(k, RankSettings().alpha)[0, 1])


def test_the_planner_plans_for_the_ranking_as_it_comes() -> None:
    assert ComparisonDesign(scatter=1).prior_df == RankSettings().scatter_prior_df
    assert ComparisonDesign(scatter=1).alpha == RankSettings().alpha


@pytest.mark.often("4-5-")
@pytest.mark.slow
@pytest.mark.parametrize(
    ("shapes", "welds", "scatter", "within", "difference", "around"),
    [
        pytest.param(2, 3, 0.2, 0.0, 14, 50, marks=pytest.mark.long),
        pytest.param(3, 2, 0.3, 0.0, 30, 62, marks=pytest.mark.long),
        (4, 5, 0.25, 0.1, 12, 35),
        (6, 4, 0.15, 0.14, 9, 71),
    ],
)
def test_power_is_that_of_the_ranking_on_2000_simulated_trials(
    shapes: int, welds: int, scatter: float, within: float, difference: float, around: float
) -> None:
    comparison = ComparisonDesign(shapes=shapes, scatter=scatter, within=within, around=around)
    rng = np.random.default_rng(977)
    ends = logit([around + difference / 2, around - difference / 2])
    means = np.concatenate([ends, np.full(shapes - 2, ends.mean())])
    told = sum(
        told_by_ranking(comparison, means[:, None] + scatter * rng.standard_normal((shapes, welds)))
        for _ in range(2000)
    )
    planned = power(comparison, difference, welds)
    assert 0.1 < planned < 0.95, "a case that tells nothing"
    assert planned == pytest.approx(told / 2000, abs=0.03)


@pytest.mark.long
@pytest.mark.slow
@pytest.mark.parametrize(
    ("shapes", "welds", "within", "difference"),
    [
        pytest.param(2, 4, 0.0, 14, marks=pytest.mark.long),
        pytest.param(3, 3, 0.0, 16, marks=pytest.mark.long),
        (4, 5, 0.1, 12),
    ],
)
def test_power_in_blocks_is_that_of_the_ranking_on_600_simulated_trials(
    shapes: int, welds: int, within: float, difference: float
) -> None:
    comparison = ComparisonDesign(shapes=shapes, scatter=0.25, within=within, blocked=True)
    rng = np.random.default_rng(978)
    ends = logit([50 + difference / 2, 50 - difference / 2])
    means = np.concatenate([ends, np.full(shapes - 2, ends.mean())])
    told = sum(
        told_in_blocks(comparison, means[:, None] + 0.25 * rng.standard_normal((shapes, welds)))
        for _ in range(600)
    )
    planned = power(comparison, difference, welds)
    assert 0.1 < planned < 0.95, "a case that tells nothing"
    # Three standard errors of 600 trials.
    assert planned == pytest.approx(told / 600, abs=0.06)
    assert planned < power(comparison.model_copy(update={"blocked": False}), difference, welds)


@pytest.mark.slow
def test_each_decision_in_blocks_is_the_rankings() -> None:
    rng = np.random.default_rng(6)
    for shapes, welds, within in [(2, 3, 0.0), (4, 3, 0.0), (5, 4, 0.9)]:
        comparison = ComparisonDesign(shapes=shapes, scatter=1, within=within, blocked=True)
        value = rng.standard_normal((150, shapes, welds)) + np.linspace(1.5, -1.5, shapes)[:, None]
        mean = value.mean(axis=2)
        left = value - mean[:, :, None]
        squares = ((left - left.mean(axis=1, keepdims=True)) ** 2).sum(axis=2)
        here = first_pair_apart(comparison, mean, squares, welds)
        assert here.tolist() == [told_in_blocks(comparison, trial) for trial in value]
        assert 0 < here.sum() < 150


def test_a_pilot_in_blocks_has_its_scatter_within_them() -> None:
    """Montgomery, Design and Analysis of Experiments, chapter 4, vascular grafts (from memory): error mean square 7.33."""
    grafts = """90.3 89.2 98.2 93.9 87.4 97.9 92.5 89.5 90.6 94.7 87.0 95.8
        85.5 90.8 89.6 86.2 88.0 93.4 82.5 89.5 85.6 87.4 78.9 90.7"""
    value = np.array(grafts.split(), dtype=float) / 20 - 4
    rows = SCORE.frame(
        {
            "clip": [f"c{n}" for n in range(24)],
            "beam_shape": np.repeat(["a", "b", "c", "d"], 6),
            "stability_index": expit(value),
        }
    )
    rows["factor_block"] = np.tile([f"batch {n}" for n in range(6)], 4)
    inside, plain = read_pilot(rows, blocked=True), read_pilot(rows)
    assert inside.df == 15
    assert (20 * inside.scatter) ** 2 == pytest.approx(7.33, abs=0.01)
    assert plain.df == 20
    assert (20 * plain.scatter) ** 2 == pytest.approx((109.89 + 192.25) / 20, abs=0.01)
    assert any("in the scatter" in note for note in plain.notes)
    assert not inside.notes
    with pytest.raises(UsageError, match="no two blocks"):
        read_pilot(rows.assign(factor_block="monday"), blocked=True)


def test_a_pilot_weld_without_a_block_tells_no_scatter(tmp_path: Path) -> None:
    """Whether its cell is empty in a column of words or of numbers."""
    lines = ["clip,beam_shape,stability_index,factor_block"]
    for block, moved in (("1", 0), ("2", 8), ("3", -5)):
        lines += [f"a{block},a,{50 + moved + int(block)},{block}", f"b{block},b,{60 + moved},{block}"]
    path = tmp_path / "scores.csv"
    path.write_text("\n".join(lines))
    whole = read_pilot(read_rows(path), blocked=True)
    lines += ["a4,a,20,", "b4,b,90,"]
    for word in ("", "day "):
        path.write_text("\n".join(re.sub(r",(\d)$", rf",{word}\1", line) for line in lines))
        more = read_pilot(read_rows(path), blocked=True)
        assert (more.welds, more.df) == (8, whole.df)
        assert more.scatter == pytest.approx(whole.scatter, rel=1e-9)
    path.write_text("\n".join([lines[0], "a1,a,50,day 1", "b1,b,50,day 1", "a2,a,60,", "b2,b,70,"]))
    assert not read_pilot(read_rows(path)).notes
    with pytest.raises(UsageError, match="no two blocks"):
        read_pilot(read_rows(path), blocked=True)


@pytest.mark.slow
def test_a_scatter_that_is_given_is_not_called_the_pilots(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "scores.csv"
    path.write_text("clip,beam_shape,stability_index\n1,a,50\n2,a,60\n3,b,52\n4,b,61\n")
    arguments = ["plan", "welds", "--difference", "10", "--pilot", str(path)]
    assert main([*arguments, "--scatter", "4"]) == 0
    said = capsys.readouterr().out
    assert "4 points around an index of 55.8 (assumed)" in said
    assert "note" not in said
    assert main(arguments) == 0
    assert "(pilot: 4 welds, 2 degrees of freedom)" in capsys.readouterr().out


def test_the_command_plans_in_blocks(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["plan", "welds", "--difference", "10", "--scatter", "4"]
    assert main(arguments) == 0
    assert "weld 4 of each shape, 8 in all: two" in capsys.readouterr().out
    assert main([*arguments, "--blocked"]) == 0
    said = capsys.readouterr().out
    assert "scatter from weld to weld of a shape within a block: 4 points" in said
    assert "weld 5 of each shape, 10 in all, in 5 blocks of every shape once: two" in said


def test_each_decision_is_the_rankings() -> None:
    rng = np.random.default_rng(5)
    for shapes, welds, within in [(2, 2, 0.0), (4, 3, 0.0), (5, 4, 0.9), (3, 6, 0.5)]:
        comparison = ComparisonDesign(shapes=shapes, scatter=1, within=within)
        value = rng.standard_normal((300, shapes, welds)) + np.linspace(1, -1, shapes)[:, None]
        mean = value.mean(axis=2)
        squares = ((value - mean[:, :, None]) ** 2).sum(axis=2)
        here = first_pair_apart(comparison, mean, squares, welds)
        assert here.tolist() == [told_by_ranking(comparison, trial) for trial in value]
        assert 0 < here.sum() < 300


def test_two_shapes_with_a_common_variance_have_the_power_of_the_t_test() -> None:
    """Noncentral t, 2 n - 2 degrees of freedom (textbook; SciPy's nct)."""
    comparison = ComparisonDesign(scatter=0.2, prior_df=1e9)
    shift = 2 * points_to_logit(6, 50)
    n = 6
    df, centre = 2 * n - 2, shift / (0.2 * np.sqrt(2 / n))
    critical = stats.t.ppf(0.975, df)
    expected = stats.nct.sf(critical, df, centre) + stats.nct.cdf(-critical, df, centre)
    assert power(comparison, 12, n) == pytest.approx(expected, abs=0.01)


@pytest.mark.slow
def test_welds_needed_and_difference_told_are_each_others_inverse() -> None:
    comparison = ComparisonDesign(shapes=4, scatter=0.25, around=60, trials=5000)
    plan = welds_needed(comparison, 11, 0.8)
    assert plan.power >= 0.8 > plan.by_welds[plan.welds - 1]
    assert detectable(comparison, plan.welds, 0.8) <= 11 < detectable(comparison, plan.welds - 1, 0.8)


def test_more_shapes_and_more_scatter_need_more_welds() -> None:
    base = ComparisonDesign(shapes=2, scatter=0.2, trials=4000)
    few = welds_needed(base, 10).welds
    assert welds_needed(base.model_copy(update={"shapes": 6}), 10).welds > few
    assert welds_needed(base.model_copy(update={"scatter": 0.4}), 10).welds > 2 * few


def test_impossible_wishes_are_refused_with_what_would_do() -> None:
    with pytest.raises(UsageError, match=r"200 welds show 1\.4 points: ask for a larger difference"):
        welds_needed(ComparisonDesign(scatter=points_to_logit(5, 50), trials=2000), 1)
    with pytest.raises(UsageError, match="plan 2 or more"):
        power(ComparisonDesign(scatter=0.2), 10, 1)
    with pytest.raises(UsageError, match="ask for less than 5 points"):
        power(ComparisonDesign(scatter=0.2, around=95), 30, 4)
    with pytest.raises(UsageError, match="plan more welds"):
        detectable(ComparisonDesign(shapes=8, scatter=3, trials=1000), 2)


def score_rows(
    rng: np.random.Generator, shapes: int, welds: int, between: float, within: float
) -> pd.DataFrame:
    value = np.repeat(np.linspace(0.5, -0.5, shapes), welds) + np.hypot(
        between, within
    ) * rng.standard_normal(shapes * welds)
    return SCORE.frame(
        {
            "clip": [f"{n}.mkv" for n in range(shapes * welds)],
            "beam_shape": np.repeat([f"shape-{n}" for n in range(shapes)], welds),
            "replicate": np.tile(np.arange(1, welds + 1).astype(str), shapes),
            "stability_index": expit(value),
            "stability_index_low": expit(value - Z95 * within),
            "stability_index_high": expit(value + Z95 * within),
            "steady_start_s": 0.1,
            "steady_end_s": 1.1,
        }
    )


def test_a_pilot_tells_its_scatter() -> None:
    pilot = read_pilot(score_rows(np.random.default_rng(2), 10, 40, 0.3, 0.2))
    assert pilot.df == 390
    assert pilot.scatter == pytest.approx(np.hypot(0.3, 0.2), rel=0.1)
    assert pilot.within == pytest.approx(0.2, rel=1e-6)
    assert pilot.between == pytest.approx(0.3, rel=0.15)
    low, high = pilot.scatter_interval(0.95)
    assert low < np.hypot(0.3, 0.2) < high


@pytest.mark.slow
def test_interval_of_a_pilots_scatter_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(8)
    rows = score_rows(rng, 3, 3, 0.3, 0.1)
    held = 0
    for _ in range(400):
        low, high = read_pilot(
            rows.assign(stability_index=expit(0.3 * rng.standard_normal(9)))
        ).scatter_interval(0.8)
        held += low < 0.3 < high
    assert held / 400 == pytest.approx(0.8, abs=0.06)


def test_points_and_logits() -> None:
    assert points_to_logit(5, 50) == pytest.approx(0.2007, abs=1e-4)
    assert scatter_in_points(scatter_from_points(5, 50), 50) == pytest.approx(5)


@pytest.mark.parametrize(("points", "around"), [(4, 95), (0.3, 98), (12, 30), (20, 60)])
def test_a_scatter_in_points_is_a_standard_deviation_also_near_the_ends(points: float, around: float) -> None:
    """Welds drawn on the logit scale have the standard deviation that was asked for, and the same is shown again."""
    scatter = scatter_from_points(points, around)
    drawn = expit(logit([around])[0] + scatter * np.random.default_rng(3).standard_normal(400_000))
    assert drawn.std() == pytest.approx(points, rel=0.01)
    assert scatter_in_points(scatter, around) == pytest.approx(points, rel=1e-6)


def test_the_scatter_that_was_given_is_the_one_that_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "welds", "--scatter", "4", "--around", "95", "--difference", "5"]) == 0
    assert "4 points around an index of 95" in capsys.readouterr().out
    assert main(["plan", "welds", "--scatter", "60", "--around", "95", "--difference", "5"]) == 2
    assert "is not possible" in capsys.readouterr().err


@pytest.mark.slow
def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_csv(tmp_path / "scores.csv", score_rows(np.random.default_rng(3), 3, 4, 0.2, 0.1))
    pilot = ["--pilot", str(tmp_path / "scores.csv")]
    assert main(["plan", "welds", "--shapes", "3", "--difference", "15", *pilot, "--clip-interval", "3"]) == 0
    printed = capsys.readouterr().out
    assert "of each shape" in printed
    assert "9 degrees of freedom" in printed
    assert "film" in printed
    write_csv(tmp_path / "scores.csv", score_rows(np.random.default_rng(3), 3, 1, 0.2, 0.1))
    assert main(["plan", "welds", "--difference", "15", *pilot]) == 2
    assert "weld each pilot shape again" in capsys.readouterr().err
    assert main(["plan", "welds"]) == 2
    assert "nothing is asked" in capsys.readouterr().err
