"""Laboratory results against the index."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from poolwatch.trial.outcomes import least_correlation, rank_correlation, study_outcomes
from tests.trial.bars import exact_p, false_readings, null_trial
from tests.trial.simulated import score_rows

pytestmark = pytest.mark.slow

# Law-school pairs: Efron, The Jackknife, the Bootstrap and Other Resampling Plans, SIAM 1982 (values from memory;
# the published r = 0.776 comes back from them).
LSAT = [576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594]
GPA = [3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96]


def test_law_school_pairs() -> None:
    x, y = np.array(LSAT, float), np.array(GPA)
    assert np.corrcoef(x, y)[0, 1] == pytest.approx(0.776374, abs=1e-6)
    rho, low, high, p = rank_correlation(x, y)
    assert rho == pytest.approx(0.796429, abs=1e-6)
    reference = stats.bootstrap(
        (x, y), lambda a, b: stats.spearmanr(a, b).statistic, paired=True, vectorized=False, n_resamples=2000,
        rng=np.random.default_rng(1),
    ).confidence_interval  # fmt: skip
    assert low == pytest.approx(reference.low, abs=0.08)
    assert high == pytest.approx(reference.high, abs=0.03)
    assert p == pytest.approx(stats.spearmanr(x, y).pvalue, abs=0.001)


def test_exact_p_of_few_welds() -> None:
    # Four welds in perfect order: 2 of 24 orders are as extreme.
    rho, low, _, p = rank_correlation(np.arange(4.0), np.arange(4.0) ** 2)
    assert np.isnan(low)
    assert rho == pytest.approx(1)
    assert p == pytest.approx(2 / 24)


@pytest.mark.parametrize(
    ("welds", "critical"),
    [(5, 1.0), (6, 0.886), (7, 0.786), (8, 0.738), (10, 0.648), (14, 0.538), (20, 0.447)],
)
def test_least_correlation_is_the_tabled_critical_value(welds: int, critical: float) -> None:
    # Critical values of Spearman's rho at the two-sided 5 % level, as in the usual tables (from memory). Above 8 welds
    # they come from 9,999 random orders, good to some hundredths.
    assert least_correlation(welds) == pytest.approx(critical, abs=5e-4 if welds <= 8 else 0.025)


def test_four_welds_can_show_nothing_and_five_only_the_same_order() -> None:
    assert np.isnan(least_correlation(4))
    for welds in (4, 5, 6, 7, 8):
        rng = np.random.default_rng(welds)
        for _ in range(20):
            rho, _, _, p = rank_correlation(
                rng.permutation(float(welds) + np.arange(welds)), np.arange(float(welds))
            )
            assert (p <= 0.05) == (abs(rho) >= least_correlation(welds) - 1e-8)


def test_an_interval_that_cannot_be_given_is_not_given() -> None:
    for x, y in ((np.arange(9.0), np.arange(9.0) ** 2), (np.arange(5.0), np.array([2.0, 1, 3, 5, 4]))):
        _, low, high, _ = rank_correlation(x, y)
        assert np.isnan(low)
        assert np.isnan(high)


@pytest.mark.parametrize("welds", [2, 4])
def test_p_of_many_measures_at_once_is_that_of_each(welds: int) -> None:
    rows = null_trial(np.random.default_rng(1), welds)
    measures, outcomes = rows[["stability_index", "d_keyhole"]], rows[["outcome_o0", "outcome_o1"]]
    found = exact_p(measures.to_numpy(), outcomes.to_numpy())
    for k, y in enumerate(outcomes):
        for n, x in enumerate(measures):
            assert found[k, n] == rank_correlation(rows[x].to_numpy(), rows[y].to_numpy())[3]


def test_nine_outcomes_that_mean_nothing_hold_a_reading_in_one_of_twenty_trials_at_most(
    many: bool,
) -> None:
    trials = 1000 if many else 60
    # Six welds: p over all orders; twelve: over random ones.
    for welds in (2, 4):
        held = false_readings(trials, welds).mean()
        assert held <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / trials)


@pytest.mark.long
def test_readings_go_by_the_correction(many: bool) -> None:
    """The whole study: a second a trial, so 100 null trials or four; `test_nine_outcomes…` takes 1,000."""
    trials = 100 if many else 4
    rng = np.random.default_rng(9)
    held = 0
    for _ in range(trials):
        table = study_outcomes(null_trial(rng, 2)).table
        assert (table["p_holm"] >= table["p"] - 1e-12).all()
        held += table["reading"].str.contains(r" (?:rises|falls) with ").any()
    assert held / trials <= (0.05 + 2 * np.sqrt(0.05 * 0.95 / trials) if many else 0.25)


@pytest.mark.long
def test_interval_covers() -> None:
    """95 % intervals over 200 samples of 12 welds with a known rank correlation."""
    r = 0.6
    truth = 6 / np.pi * np.arcsin(r / 2)
    rng = np.random.default_rng(3)
    covered = 0
    for _ in range(200):
        x, y = rng.multivariate_normal([0, 0], [[1, r], [r, 1]], 12).T
        _, low, high, _ = rank_correlation(x, y)
        covered += low <= truth <= high
    assert 178 <= covered <= 199


def scores(welds: int = 4) -> pd.DataFrame:
    return score_rows(np.random.default_rng(1), (0.4, 0.7, 1.2), welds)


def test_an_outcome_that_follows_the_index() -> None:
    rows = scores(6)
    rows["outcome_rm_mpa"] = (
        500 + 2 * rows["stability_index"] + np.random.default_rng(2).normal(0, 5, len(rows))
    )
    study = study_outcomes(rows)
    first = study.table.iloc[0]
    assert (first["outcome"], first["measure"], first["welds"]) == ("rm_mpa", "stability_index", 18)
    assert first["rho"] > 0.8
    assert first["rho_low"] > 0.5
    assert "rm_mpa rises with the index" in study.reading
    assert "So few welds show only" in study.reading
    assert "no cause" in study.reading
    assert (study.table["p_holm"] >= study.table["p"]).all()
    assert len(study.table) == 9
    assert study.points["value"].tolist() == rows["outcome_rm_mpa"].tolist()


def test_parts_are_named_as_desirabilities_so_that_the_sign_is_read_right() -> None:
    """Pores that grow with spatter fall with its desirability; "falls with spatter count" would say the contrary."""
    rows = scores(6)
    rows["outcome_pores"] = -rows["d_spatter_count"]
    table = study_outcomes(rows).table.set_index("measure")
    assert table.loc["spatter_count", "rho"] == pytest.approx(-1.0)
    assert np.isnan(table.loc["spatter_count", "rho_low"])
    reading = table.loc["spatter_count", "reading"]
    assert reading.startswith("pores falls with the desirability of spatter count (higher is steadier):")


def test_an_outcome_that_has_nothing_to_do_with_it() -> None:
    rows = scores()
    rows["outcome_grain_um"] = np.random.default_rng(4).normal(20, 2, len(rows))
    reading = study_outcomes(rows).reading
    assert "no relation to the index can be shown" in reading
    assert "a correlation of 0.5" in reading


def test_missing_few_and_constant_values_are_said() -> None:
    rows = scores()
    rows["outcome_a"] = [1.0, 2.0, 3.0] + [np.nan] * 9
    rows["outcome_b"] = 7.0
    study = study_outcomes(rows)
    assert "a: nothing can be said, 3 welds have a value" in study.reading
    assert "b: nothing can be said, the values are all the same" in study.reading
    assert study.table["rho"].isna().all()


def test_a_slip_in_one_result_is_named() -> None:
    """Strengths that follow the index, one of them read from a test piece that slipped in its grips."""
    rows = scores(7)
    steps = np.random.default_rng(5).normal(0, 4, len(rows))
    rows["outcome_rm_mpa"] = 500 + 2 * rows["stability_index"] + steps
    sound = study_outcomes(rows).table.iloc[0]
    assert "hangs on" not in sound["reading"]
    best = rows["stability_index"].idxmax()
    rows.loc[best, "outcome_rm_mpa"] = 310
    study = study_outcomes(rows)
    first = study.table.iloc[0]
    assert first["p"] <= 0.05
    assert first["rho_low"] < 0
    assert "no relation" not in study.reading
    assert len(study.readings) == 1
    assert study.reading.index("hangs on") < study.reading.index("So few welds")
    assert f"hangs on one weld: without {rows['clip'][best]} it is rho +0.9" in study.reading
