"""Error rates, coverage and power of the ranking, on invented score rows with known truth.

The default run draws from the functions that decide, and shows that `rank_shapes` decides as they do; ``-m long`` draws every row
of the tables, and through `rank_shapes`.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from poolwatch.experiment.logit import logit
from poolwatch.trial import RankSettings, rank_shapes
from poolwatch.trial.shape_means import Groups, compare_pairs, group_welds, index_intervals, t_intervals
from tests.trial.simulated import SHAPES, WEIGHT, desirability_draws, score_rows

QUICK = RankSettings(draws=1000, weight_draws=100)


def grouped(rng: np.random.Generator, sds: list[float], welds: list[int], shift: float = 0.0) -> Groups:
    names = np.repeat(np.arange(len(sds)), welds)
    values = rng.normal(0, np.repeat(sds, welds)) + shift * (names == 0)
    return group_welds(names, values, np.full(len(values), np.nan), prior_df=RankSettings().scatter_prior_df)


def told(groups: Groups) -> np.ndarray:
    return compare_pairs(groups).apart(len(groups.names), 0.05)


def test_a_ranking_from_tables_decides_as_the_functions_that_the_next_tests_draw_from() -> None:
    rng = np.random.default_rng(40)
    apart = 0
    for levels in ([0.7] * 4, [0.4, 0.6, 0.8, 1.0], [0.3, 0.3, 0.9, 0.9]):
        rows = score_rows(rng, levels, 4)
        ranking = rank_shapes(rows, settings=QUICK)
        low, index, high = (logit(rows[f"stability_index{end}"].to_numpy()) for end in ("_low", "", "_high"))
        error = (high - low) / 2 / stats.norm.ppf(0.975)
        shapes = rows["beam_shape"].to_numpy()
        groups = group_welds(shapes, index, error, prior_df=RankSettings().scatter_prior_df)
        names = list(groups.names)
        for pair in ranking.pairs.to_dict("records"):
            first, second = (names.index(pair[name]) for name in ("shape_a", "shape_b"))
            assert bool(pair["differ"] == 1) == told(groups)[first, second]
            apart += pair["differ"] == 1
    assert 0 < apart < 18


@pytest.mark.long
def test_four_shapes_alike_differ_in_at_most_5_percent_of_200_trials() -> None:
    """Through `rank_shapes`. The true rate is 4.0 % (next test), so one seed in six would give more than 10 by chance."""
    rng = np.random.default_rng(1)
    false = 0
    for _ in range(200):
        ranking = rank_shapes(score_rows(rng, [0.7] * 4, 4), settings=QUICK)
        false += bool((ranking.pairs["differ"] == 1).any())
    assert false <= 10


@pytest.mark.long
def test_shapes_of_unequal_scatter_differ_in_at_most_5_percent_of_200_trials() -> None:
    """Through `rank_shapes`, from tables: one shape scatters four times as much as the three others, means alike."""
    rng = np.random.default_rng(41)
    sds = np.repeat([0.1, 0.1, 0.1, 0.4], 4)
    # The same mean logit for all: the desirabilities of a row are one value, scattered on the logit scale.
    false = 0
    for _ in range(200):
        rows = score_rows(rng, [0.7] * 4, 4)
        d = 1 / (1 + np.exp(0.2 + rng.normal(0, sds)))
        for name in rows.columns[rows.columns.str.startswith("d_")]:
            rows[name] = d
        rows["stability_index"] = 100 * d
        rows["stability_index_low"], rows["stability_index_high"] = 100 * d - 1, 100 * d + 1
        ranking = rank_shapes(rows, settings=QUICK)
        assert ranking.table["clips"].tolist() == [4] * 4
        false += bool((ranking.pairs["differ"] == 1).any())
    # The true rate is 3.5 % (next tests).
    assert false <= 10


@pytest.mark.long
def test_four_shapes_alike_over_6000_trials() -> None:
    """The same on the same kind of rows, so many that chance plays no part: the rate itself is at most 5 %."""
    rng = np.random.default_rng(2)
    names = np.repeat(np.arange(4), 4)
    false = 0
    for _ in range(6000):
        _, index, error = desirability_draws(rng, np.full(16, 0.7))
        false += told(group_welds(names, logit(index), error, prior_df=RankSettings().scatter_prior_df)).any()
    assert false / 6000 <= 0.05


@pytest.mark.long
@pytest.mark.parametrize(
    ("sds", "welds", "most"),
    [
        ([1.0] * 4, [2] * 4, 0.05),
        pytest.param([1.0] * 4, [4] * 4, 0.05, marks=pytest.mark.long),
        pytest.param([1.0] * 6, [6] * 6, 0.05, marks=pytest.mark.long),
        pytest.param([1.0] * 2, [3] * 2, 0.05, marks=pytest.mark.long),
        ([1.0] * 5, [2, 3, 4, 5, 6], 0.05),
        # Shapes that scatter twice and four times as much as others: from four welds a shape on, or four shapes.
        pytest.param([1.0, 1.0, 1.0, 2.0], [4] * 4, 0.05, marks=pytest.mark.long),
        pytest.param([1.0, 1.0, 2.0, 2.0], [3] * 4, 0.05, marks=pytest.mark.long),
        ([1.0, 1.0, 1.0, 4.0], [4] * 4, 0.05),
        pytest.param([1.0, 1.0, 4.0, 4.0], [4] * 4, 0.05, marks=pytest.mark.long),
        pytest.param([1.0, 4.0, 4.0, 4.0], [4] * 4, 0.05, marks=pytest.mark.long),
        pytest.param([1.0, 1.0, 4.0], [4] * 3, 0.05, marks=pytest.mark.long),
        pytest.param([1.0, 1.0, 1.0, 4.0], [6] * 4, 0.05, marks=pytest.mark.long),
        pytest.param([1.0, 1.0, 1.0, 4.0], [3] * 4, 0.055, marks=pytest.mark.long),
        # What so few welds cannot keep, said in `RankSettings`: two shapes alone, two welds, and the shape with the
        # fewest welds scattering most.
        pytest.param([1.0, 4.0], [4] * 2, 0.06, marks=pytest.mark.long),
        pytest.param([1.0, 4.0], [3] * 2, 0.08, marks=pytest.mark.long),
        pytest.param([1.0, 1.0, 1.0, 4.0], [2] * 4, 0.07, marks=pytest.mark.long),
        ([1.0, 1.0, 4.0], [6, 6, 3], 0.075),
        # The shares that the ranking's note names.
        pytest.param([1.0, 4.0], [6, 3], 0.09, marks=pytest.mark.long),
        ([1.0, 4.0], [6, 2], 0.18),
        pytest.param([1.0, 4.0], [5, 5], 0.05, marks=pytest.mark.long),
    ],
)
def test_rate_of_false_differences_over_3000_trials(sds: list[float], welds: list[int], most: float) -> None:
    rng = np.random.default_rng(31)
    false = np.mean([told(grouped(rng, sds, welds)).any() for _ in range(3000)])
    # Two standard errors of 3,000 trials at 5 %.
    assert false <= most + 0.008


@pytest.mark.parametrize("welds", [2, 3, 4, 5, 6])
@pytest.mark.parametrize(
    "between", [pytest.param(0.0, marks=pytest.mark.long), 0.1, pytest.param(0.4, marks=pytest.mark.long)]
)
def test_interval_of_a_shapes_mean_index_covers_in_92_to_98_percent(welds: int, between: float) -> None:
    rng = np.random.default_rng(100 * welds + int(10 * between))
    levels = np.array([0.15, 0.4, 1.0, 2.5])
    truth = desirability_draws(rng, np.repeat(levels, 50_000), between=between)[1].reshape(4, -1).mean(axis=1)
    names = np.repeat(np.arange(4), welds)
    covered = []
    for _ in range(700):
        _, index, error = desirability_draws(rng, levels[names], between=between)
        groups = group_welds(names, logit(index), error, prior_df=RankSettings().scatter_prior_df)
        low, high = index_intervals(groups, index.reshape(4, -1).mean(axis=1), 0.95)
        covered.append((low <= truth) & (truth <= high))
    assert 0.92 <= np.mean(covered) <= 0.98


@pytest.mark.long
def test_intervals_of_the_whole_ranking_cover() -> None:
    """The same through `rank_shapes`, from tables, with two to six welds a shape in one trial."""
    rng = np.random.default_rng(77)
    levels, welds = [0.3, 0.5, 0.8, 1.2, 2.0], [2, 3, 4, 5, 6]
    truth = [desirability_draws(rng, np.full(50_000, u), between=0.25)[1].mean() for u in levels]
    covered = []
    for _ in range(60):
        table = rank_shapes(score_rows(rng, levels, welds, between=0.25), settings=QUICK).table.set_index(
            "beam_shape"
        )
        for shape, mean in zip(SHAPES, truth, strict=False):
            covered.append(
                table.loc[shape, "stability_index_low"] <= mean <= table.loc[shape, "stability_index_high"]
            )
    # 300 intervals, of one trial not independent: 92 to 98 % with room for chance.
    assert 0.90 <= np.mean(covered) <= 0.99


def test_error_within_welds_is_in_the_interval() -> None:
    """Noisy clips of welds that are all alike: the interval of two welds still covers."""
    rng = np.random.default_rng(7)
    covered = 0
    for _ in range(600):
        error = np.full(6, 0.5)
        groups = group_welds(np.repeat(["a", "b", "c"], 2), rng.normal(0, error), error, prior_df=3.0)
        low, high = t_intervals(groups, 0.95)
        covered += int(((low <= 0) & (high >= 0)).sum())
    assert 0.94 <= covered / 1800 <= 0.99


@pytest.mark.long
def test_true_order_of_five_shapes_in_steps_of_1_4() -> None:
    rng = np.random.default_rng(14)
    right = 0
    for _ in range(40):
        levels = 0.4 * 1.4 ** np.arange(5)
        order = rng.permutation(5)
        table = rank_shapes(score_rows(rng, list(levels[order]), 4), settings=QUICK).table
        names = np.array(["single-spot", "twin-spot", "flat-top", "crescent", "ring"])[
            np.argsort(levels[order])
        ]
        right += (
            stats.kendalltau([list(names).index(s) for s in table["beam_shape"]], range(5)).statistic > 0.999
        )
    assert right >= 38


@pytest.mark.long
def test_probability_of_being_best_is_a_probability() -> None:
    """Of trials that give the leader about p, about a share p is right."""
    rng = np.random.default_rng(15)
    said, right = [], []
    for _ in range(100):
        levels = rng.lognormal(np.log(0.7), 0.12, 3)
        table = rank_shapes(score_rows(rng, list(levels), 4), settings=QUICK).table
        best = ("single-spot", "twin-spot", "flat-top")[int(np.argmin(levels))]
        said.append(table["probability_best"].max())
        right.append(table.loc[table["probability_best"].idxmax(), "beam_shape"] == best)
    assert np.mean(right) == pytest.approx(np.mean(said), abs=0.1)


def test_power_of_two_shapes_is_that_of_students_test() -> None:
    """Nothing is lost against the textbook: noncentral t with the common variance."""
    rng = np.random.default_rng(16)
    n, shift = 6, 2.0
    df = 2 * n - 2
    nc = shift / np.sqrt(2 / n)
    critical = stats.t.ppf(0.975, df)
    exact = stats.nct.sf(critical, df, nc) + stats.nct.cdf(-critical, df, nc)
    found = np.mean([told(grouped(rng, [1.0, 1.0], [n, n], shift)).any() for _ in range(2000)])
    assert found == pytest.approx(exact, abs=0.05)


def test_the_invented_rows_use_the_parts_and_weights_that_poolwatch_comes_with() -> None:
    from poolwatch.stability.settings import IndexSettings

    parts = IndexSettings().parts
    assert {name: part.weight for name, part in parts.items()} == pytest.approx(WEIGHT)
