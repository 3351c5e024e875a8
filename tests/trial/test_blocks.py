"""Blocks taken out of the comparison of shapes, against published worked examples and general-purpose libraries."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from poolwatch.experiment.logit import logit
from poolwatch.trial import Ranking, RankSettings, rank_shapes
from poolwatch.trial.blocked import BlockedComparison, compare_in_blocks
from poolwatch.trial.blocks import Layout, block_labels, lay_out
from poolwatch.trial.shape_means import group_welds
from tests.trial.simulated import score_rows

# Montgomery D. C., Design and Analysis of Experiments, chapter 4: vascular grafts, four extrusion pressures in six
# batches of resin, one run each. Typed from memory; the published sums of squares check the typing.
GRAFTS = np.array(
    [
        [90.3, 89.2, 98.2, 93.9, 87.4, 97.9],
        [92.5, 89.5, 90.6, 94.7, 87.0, 95.8],
        [85.5, 90.8, 89.6, 86.2, 88.0, 93.4],
        [82.5, 89.5, 85.6, 87.4, 78.9, 90.7],
    ]
)
# The same, section on balanced incomplete blocks: reaction times of four catalysts in four batches of three. From memory.
CATALYSTS = np.array(
    [
        [73, 74, np.nan, 71],
        [np.nan, 75, 67, 72],
        [73, 75, 68, np.nan],
        [75, np.nan, 72, 75],
    ]
)


def compared(
    shape: Sequence[int],
    block: Sequence[object],
    value: np.ndarray,
    prior_df: float = 3.0,
    error: float = np.nan,
) -> tuple[Layout, BlockedComparison]:
    shape = np.asarray(shape)
    order = np.argsort(shape, kind="stable")
    within = np.full(len(value), error)
    groups = group_welds(shape[order], value[order], within, prior_df=prior_df)
    layout = lay_out(shape, ["" if b is None else str(b) for b in block], list(groups.names))
    settings = RankSettings(scatter_prior_df=prior_df, draws=1000)
    return layout, compare_in_blocks(layout, value, within, groups, settings)


def table(values: np.ndarray, prior_df: float = 1e12) -> tuple[Layout, BlockedComparison]:
    shape, block = np.nonzero(~np.isnan(values))
    return compared(shape, block, values[shape, block], prior_df)


def test_randomised_complete_blocks_give_the_published_analysis_of_variance() -> None:
    layout, found = table(GRAFTS)
    assert (layout.kind, layout.moved, layout.total_df) == ("crossed", False, 15)
    # Published: error mean square 7.33 with 15 degrees of freedom; least significant difference 3.33.
    np.testing.assert_allclose(found.pairs.error**2, 2 * 7.33 / 6, rtol=1e-3)
    np.testing.assert_allclose(found.pairs.df, 15)
    np.testing.assert_allclose(stats.t.ppf(0.975, 15) * found.pairs.error, 3.33, atol=0.01)
    means = GRAFTS.mean(axis=1)
    np.testing.assert_allclose(found.pairs.difference, means[found.pairs.first] - means[found.pairs.second])
    # Published F of the pressures: 8.11.
    mean_square = 6 * np.var(means, ddof=1)
    assert mean_square / (found.pairs.error[0] ** 2 * 3) == pytest.approx(8.11, abs=0.01)
    # Published: batches make a sum of squares of 192.25; without blocks it lies in the scatter.
    squares = (layout.residuals(GRAFTS.ravel()) ** 2).sum()
    alone = ((GRAFTS - means[:, None]) ** 2).sum()
    assert squares == pytest.approx(109.89, abs=0.01)
    assert alone - squares == pytest.approx(192.25, abs=0.01)


def test_balanced_incomplete_blocks_give_the_published_effects() -> None:
    layout, found = table(CATALYSTS)
    assert layout.moved
    assert layout.total_df == 5
    # Published: error sum of squares 3.25, effects -9/8, -7/8, -4/8, 20/8.
    effects = np.array([-9, -7, -4, 20]) / 8
    np.testing.assert_allclose(
        found.pairs.difference, effects[found.pairs.first] - effects[found.pairs.second]
    )
    # Published: the standard error of a difference is sqrt(2 k MSE / (lambda a)), k 3, lambda 2, a 4.
    np.testing.assert_allclose(found.pairs.error, np.sqrt(2 * 3 * 3.25 / 5 / (2 * 4)))
    # Each adjusted mean is the mean of all, 870/12, and its effect.
    shape, block = np.nonzero(~np.isnan(CATALYSTS))
    np.testing.assert_allclose(layout.weights @ CATALYSTS[shape, block], 870 / 12 + effects)


@pytest.mark.parametrize("seed", range(4))
def test_unequal_numbers_give_the_contrasts_of_statsmodels(seed: int) -> None:
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(seed)
    shape = np.concatenate([np.arange(4), rng.integers(0, 4, 14)])
    block = np.concatenate([np.zeros(4, int), rng.integers(0, 5, 14)])
    value = rng.normal(0, 1, 18) + 2 * rng.normal(0, 1, 5)[block]
    layout, found = compared(shape, block, value, prior_df=1e12)
    fit = smf.ols("y ~ C(s) + C(b)", pd.DataFrame({"y": value, "s": shape, "b": block})).fit()
    assert layout.total_df == fit.df_resid
    np.testing.assert_allclose(layout.residuals(value), fit.resid, atol=1e-10)
    for a, b, p, error in zip(
        found.pairs.first, found.pairs.second, found.pairs.p, found.pairs.error, strict=True
    ):
        vector = np.zeros(len(fit.params))
        for k, sign in ((a, 1), (b, -1)):
            if k:
                vector[list(fit.params.index).index(f"C(s)[T.{k}]")] = sign
        reference = fit.t_test(vector)
        assert p == pytest.approx(float(reference.pvalue), rel=1e-6)
        assert error == pytest.approx(reference.sd.item(), rel=1e-6)


@pytest.mark.parametrize("error", [np.nan, 0.2])
def test_few_welds_bound_p_however_large_the_error_within_them(error: float) -> None:
    """Three shapes in three blocks leave 4 degrees of freedom: p is never less than theirs."""
    import statsmodels.formula.api as smf

    shape, block = np.repeat([0, 1, 2], 3), np.tile([0, 1, 2], 3)
    index = np.array([63.3, 64.6, 62.4, 53.5, 49.9, 49.1, 38.6, 35.1, 39.1])
    value = logit(index)
    found = compared(shape, block, value, prior_df=1e12, error=error)[1].pairs
    fit = smf.ols("y ~ C(s) + C(b)", pd.DataFrame({"y": value, "s": shape, "b": block})).fit()
    assert fit.df_resid == 4
    reference = [
        float(fit.t_test(words).pvalue) for words in ("C(s)[T.1]", "C(s)[T.2]", "C(s)[T.1] - C(s)[T.2]")
    ]
    np.testing.assert_allclose(found.p, reference, rtol=1e-6)
    np.testing.assert_allclose(found.p_df, 4)
    # The interval keeps the error within the welds, which is the larger one here.
    assert np.isinf(found.df).all() == np.isfinite(error)


def test_the_larger_p_counts_where_the_error_within_the_welds_hides_a_difference() -> None:
    rng = np.random.default_rng(3)
    shape, block = np.repeat([0, 1], 8), np.tile(np.arange(8), 2)
    value = 0.4 * shape + rng.normal(0, 0.05, 16)
    found = compared(shape, block, value, error=1.0)[1].pairs
    # A difference of two means of eight, each weld known to 1: normal.
    z = found.difference[0] / np.sqrt(2 / 8)
    assert found.p[0] == pytest.approx(2 * stats.norm.sf(abs(z)), rel=1e-9)
    assert np.isinf(found.p_df[0])


@pytest.mark.parametrize("prior_df", [0.0, 3.0, 1e12])
def test_two_shapes_once_in_each_block_give_the_paired_test_whatever_their_scatter(prior_df: float) -> None:
    rng = np.random.default_rng(9)
    a, b = rng.normal(0, 1, 6), rng.normal(1, 4, 6)
    layout, found = compared([0] * 6 + [1] * 6, [*range(6)] * 2, np.concatenate([a, b]), prior_df)
    reference = stats.ttest_rel(a, b)
    assert layout.paired
    assert found.pairs.p[0] == pytest.approx(reference.pvalue, rel=1e-9)
    assert found.pairs.df[0] == pytest.approx(5)


def test_a_third_shape_has_a_part_in_a_difference_that_leads_over_it() -> None:
    """By hand: 0 and 2 share no block, both share one with 1; their difference is the sum of two."""
    shape = [0, 1, 0, 1, 1, 2, 1, 2]
    block = [0, 0, 1, 1, 2, 2, 3, 3]
    value = np.array([1.0, 0.0, 3.0, 0.0, 5.0, 2.0, 4.0, 0.0])
    layout, found = compared(shape, block, value, prior_df=1e12)
    np.testing.assert_allclose(found.pairs.difference, [2.0, 5.5, 3.5])
    # Residual sums of squares 0.5 of each two blocks' differences, halved over the two welds: 1 and 0.25 over 4.
    assert layout.total_df == 2
    variance = ((2.0 - 1) ** 2 + (2.0 - 3) ** 2 + (3.5 - 3) ** 2 + (3.5 - 4) ** 2) / 2 / 2
    np.testing.assert_allclose(found.pairs.error**2, variance * np.array([1.0, 2.0, 1.0]))


def test_a_block_of_one_weld_and_a_weld_without_a_block_tell_nothing_between_shapes() -> None:
    rng = np.random.default_rng(2)
    shape, block = [0, 0, 0, 1, 1, 1], ["a", "b", "c", "a", "b", "c"]
    value = rng.normal(0, 1, 6)
    whole = compared(shape, block, value)[1]
    for label in ("d", None):
        more = compared([*shape, 0, 1], [*block, label, None], np.append(value, [7.0, -9.0]))
        np.testing.assert_allclose(more[1].pairs.p, whole.pairs.p)
        np.testing.assert_allclose(more[1].pairs.df, whole.pairs.df)
        assert more[0].labelled.tolist()[-2:] == [label is not None, False]


def test_each_block_within_a_shape_counts_once() -> None:
    """Three sheets of each shape, two welds a sheet: the test of the six sheet means."""
    rng = np.random.default_rng(5)
    sheets = np.repeat(np.arange(6), 2)
    value = rng.normal(0, 0.1, 12) + rng.normal(0, 2, 6)[sheets]
    layout, found = compared(sheets // 3, sheets, value, prior_df=0.0)
    means = value.reshape(6, 2).mean(axis=1)
    assert layout.kind == "nested"
    reference = stats.ttest_ind(means[:3], means[3:], equal_var=False)
    assert found.pairs.p[0] == pytest.approx(reference.pvalue, rel=1e-9)
    # One sheet a shape: nothing tells.
    alone = compared(sheets // 3, sheets // 3, value)
    assert np.isnan(alone[1].pairs.p).all()
    assert np.isnan(alone[1].best).all()


def test_a_shape_that_shares_no_block_is_not_tested() -> None:
    rng = np.random.default_rng(6)
    shape, block = np.repeat([0, 1, 2], 4), [*"abcd", *"abcd", *"eeff"]
    layout, found = compared(shape, block, rng.normal(0, 1, 12))
    assert np.isnan(found.pairs.p).tolist() == [False, True, True]
    assert np.isnan(found.pairs.p_holm).tolist() == [False, True, True]
    assert found.pairs.p_holm[0] == found.pairs.p[0]
    assert np.isnan(found.best).all()
    assert np.isnan(found.low).tolist() == [False, True, True]
    assert layout.linked.tolist() == [[True, True, False], [True, True, False], [False, False, True]]


def test_welds_alike_but_for_their_blocks_say_nothing_of_the_scatter() -> None:
    shape, block = np.repeat([0, 1, 2], 3), [*range(3)] * 3
    value = np.tile([0.1, 0.2, 0.3], 3) + np.repeat([0.0, 0.0, 0.7], 3)
    for error in (np.nan, 0.2):
        found = compared(shape, block, value, error=error)[1]
        assert np.isnan(found.pairs.p).all()
        assert np.isnan(found.best).all()
        assert np.isnan(found.low).all()


def test_labels_of_any_kind() -> None:
    rows = pd.DataFrame({"factor_block": ["monday", None, np.nan, " tuesday ", ""]})
    assert block_labels(rows) == ["monday", "", "", "tuesday", ""]
    assert block_labels(pd.DataFrame({"factor_block": [1, 2]})) == ["1", "2"]
    assert block_labels(pd.DataFrame({"factor_power": [1, 2]})) is None


QUICK = RankSettings(draws=2000, weight_draws=100)


def trial(seed: int = 3, lift: float = 0.0, welds: int = 4) -> pd.DataFrame:
    """Three shapes, alternately moved by days; the index and its parts move together on the logit scale."""
    rows = score_rows(np.random.default_rng(seed), [0.45, 0.6, 0.8], welds, between=0.05, part_noise=0.05)
    day = np.tile(np.arange(welds), 3)
    rows["factor_block"] = [f"day {d}" for d in day]
    for name in [c for c in rows if c.startswith(("d_", "stability_index"))]:
        scale = 100 if name.startswith("s") else 1
        odds = np.log(rows[name] / (scale - rows[name])) + lift * np.sin(3 * day + 1)
        rows[name] = scale / (1 + np.exp(-odds))
    return rows.drop(columns=[c for c in rows if c.startswith("d_")])


def told(ranking: Ranking) -> list[int]:
    return ranking.pairs["differ"].tolist()


def test_days_that_differ_no_longer_hide_a_difference() -> None:
    rows = trial(lift=1.5)
    with_days, without = (
        rank_shapes(rows, settings=QUICK),
        rank_shapes(rows.drop(columns="factor_block"), settings=QUICK),
    )
    assert told(with_days) == [1, 1, 1]
    assert told(without) == [0, 0, 0]
    assert with_days.table["group"].tolist() == ["a", "b", "c"]
    assert with_days.table["probability_best"][0] > 0.99
    # As balanced as it is, means and their intervals stand as they are; what is between shapes gets narrower.
    columns = ["beam_shape", "stability_index", "stability_index_low", "stability_index_high", "order_holds"]
    pd.testing.assert_frame_equal(with_days.table[columns], without.table[columns])
    np.testing.assert_allclose(with_days.pairs["difference"], without.pairs["difference"])
    assert (with_days.pairs["difference_low"] > 0).all()
    assert (without.pairs["difference_low"] < 0).all()
    assert any("leaves 6 degrees of freedom" in note for note in with_days.notes)


def test_a_shape_that_missed_the_good_days_is_not_put_behind_for_it() -> None:
    rows = trial(lift=1.5)
    day = rows["factor_block"].str[-1].astype(int)
    good = np.sin(3 * day + 1) > 0
    kept = rows[~((rows["beam_shape"] == "single-spot") & good)].reset_index(drop=True)
    left = int((kept["beam_shape"] == "single-spot").sum())
    assert 0 < left < 4
    plain = rank_shapes(kept.drop(columns="factor_block"), settings=QUICK).table
    moved = rank_shapes(kept, settings=QUICK)
    assert plain["beam_shape"][0] != "single-spot"
    assert moved.table["beam_shape"].tolist() == ["single-spot", "twin-spot", "flat-top"]
    assert moved.pairs["difference_low"][1] > 0
    assert any("hold the shapes unequally" in note for note in moved.notes)
    whole = rank_shapes(rows, settings=QUICK).table.set_index("beam_shape")["stability_index"]
    gaps = moved.table.set_index("beam_shape")["stability_index"]
    assert gaps["single-spot"] - gaps["flat-top"] == pytest.approx(
        whole["single-spot"] - whole["flat-top"], abs=3
    )


def test_what_blocks_cannot_tell_is_said() -> None:
    rows = trial()
    rows["factor_block"] = np.where(rows["beam_shape"] == "flat-top", "sheet 2", rows["factor_block"].str[-1])
    apart = rank_shapes(rows, settings=QUICK)
    pairs = apart.pairs.set_index(["shape_a", "shape_b"])
    assert pairs["differ"].isna().tolist() == [False, True, True]
    assert any("single-spot and twin-spot; flat-top" in note for note in apart.notes)
    assert "No test is made between the shapes of 2 of the pairs" in apart.reading
    assert "differs from every other" not in apart.reading
    assert apart.table["probability_best"].isna().all()
    rows["factor_block"] = rows["beam_shape"]
    nested = rank_shapes(rows, settings=QUICK)
    assert nested.pairs["differ"].isna().all()
    assert nested.table["group"].tolist() == ["a"] * 3
    assert any("no two shapes share a day" in note for note in nested.notes)
    some = trial()
    some.loc[[0, 5], "factor_block"] = None
    named = rank_shapes(some, settings=QUICK).notes
    assert any(f"{some['clip'][0]}, {some['clip'][5]}" in note and "no block" in note for note in named)


def test_notes_count_blocks_where_blocks_are_what_counts() -> None:
    """Two sheets a shape, two welds a sheet, shapes far apart; then one of the shapes alone."""
    rows = score_rows(np.random.default_rng(4), [0.3, 0.9], 4, between=0.01)
    rows["factor_block"] = [f"{shape} {n // 2 % 2}" for n, shape in enumerate(rows["beam_shape"])]
    ranking = rank_shapes(rows, settings=QUICK)
    assert told(ranking) == [1]
    (few,) = [note for note in ranking.notes if note.startswith("few ")]
    assert few.startswith("few blocks (down to 2 of a shape)")
    assert "5 blocks of every shape" in few
    alone = rank_shapes(rows[rows["beam_shape"] == rows["beam_shape"][0]], settings=QUICK)
    (said,) = [note for note in alone.notes if note.startswith("blocks:")]
    assert "each block counts once" in said
    assert "between shapes" not in said


@pytest.mark.parametrize("labels", ["one", "own", "none left", "missing"])
def test_blocks_that_say_nothing_change_nothing(labels: str) -> None:
    rows = trial()
    rows["factor_block"] = {
        "one": ["monday"] * 12,
        "own": [f"sheet {n}" for n in range(12)],
        # One chain of shared blocks, no weld to spare.
        "none left": ["a", "p", "q", "r", "a", "b", "s", "t", "b", "u", "v", "w"],
        "missing": [None] * 12,
    }[labels]
    with_them, without = (
        rank_shapes(rows, settings=QUICK),
        rank_shapes(rows.drop(columns="factor_block"), settings=QUICK),
    )
    pd.testing.assert_frame_equal(with_them.table, without.table, check_exact=True)
    pd.testing.assert_frame_equal(with_them.pairs, without.pairs, check_exact=True)
    said = [note for note in with_them.notes if note.startswith("blocks:")]
    assert len(said) == (labels in ("own", "none left"))
    assert all("counts as scatter" in note for note in said)
