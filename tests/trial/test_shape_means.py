"""Means, intervals and tests between shapes, against published data and worked examples."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from poolwatch.experiment.comparing import Errors, holm
from poolwatch.experiment.logit import expit, logit
from poolwatch.trial.shape_means import (
    Groups,
    best_probability,
    compare_pairs,
    group_welds,
    outlying,
    t_intervals,
    within_weld_error,
)

# SAS headache data, as in SciPy's documentation of tukey_hsd (scipy/stats/_hypotests.py).
HEADACHE = ([24.5, 23.5, 26.4, 27.1, 29.9], [28.4, 34.2, 29.5, 32.2, 30.1], [26.1, 28.3, 24.3, 26.2, 27.8])


def grouped(samples: object, prior_df: float) -> Groups:
    names = np.concatenate([np.repeat(str(k), len(s)) for k, s in enumerate(samples)])
    values = np.concatenate([np.asarray(s, float) for s in samples])
    return group_welds(names, values, np.full(len(values), np.nan), prior_df=prior_df)


def nist(name: str) -> list[np.ndarray]:
    spec = importlib.util.find_spec("scipy")
    assert spec is not None
    assert spec.origin is not None
    path = Path(spec.origin).parent / "stats/tests/data/nist_anova" / f"{name}.dat"
    if not path.exists():
        pytest.skip(f"this SciPy comes without the NIST set {name}")
    rows = np.array(
        [line.split() for line in path.read_text().splitlines()[60:] if len(line.split()) == 2], dtype=float
    )
    return [rows[rows[:, 0] == k, 1] for k in np.unique(rows[:, 0])]


@pytest.mark.parametrize(
    ("name", "f", "sd"),
    [
        # NIST StRD analysis of variance, certified F and residual standard deviation.
        ("SiRstv", 1.18046237440255, 0.104076068334656),
        ("SmLs01", 21.0, 0.0967471),
        ("SmLs02", 201.0, None),
        ("AtmWtAg", 15.9467335677930, None),
    ],
)
def test_common_scatter_gives_the_certified_f_of_nist(name: str, f: float, sd: float | None) -> None:
    samples = nist(name)
    groups = grouped(samples, prior_df=1e12)
    variance = groups.variance * groups.count
    between = (groups.count * (groups.mean - np.concatenate(samples).mean()) ** 2).sum() / (len(samples) - 1)
    assert between / variance[0] == pytest.approx(f, rel=1e-6)
    if sd is not None and name == "SiRstv":
        assert np.sqrt(variance[0]) == pytest.approx(sd, rel=1e-8)
    assert groups.total_df == sum(map(len, samples)) - len(samples)


def test_common_scatter_gives_the_differences_of_tukeys_worked_example() -> None:
    # Differences -4.600, -0.260, 4.340; half width of the simultaneous interval 3.649 = q(0.95; 3, 12) times the
    # standard error over the square root of two.
    pairs = compare_pairs(grouped(HEADACHE, prior_df=1e12))
    np.testing.assert_allclose(pairs.difference, [-4.6, -0.26, 4.34], atol=1e-9)
    q = stats.studentized_range.ppf(0.95, 3, 12)
    np.testing.assert_allclose(q * pairs.error / np.sqrt(2), 3.649, atol=6e-4)
    # The same pairs stand out as with Tukey's test (p 0.014, 0.980, 0.020).
    np.testing.assert_array_equal(pairs.apart(3, 0.05)[np.triu_indices(3, 1)], [True, False, True])


def test_each_shape_alone_gives_welchs_test() -> None:
    rng = np.random.default_rng(4)
    a, b = rng.normal(0, 1, 5), rng.normal(1, 3, 7)
    pairs = compare_pairs(grouped([a, b], prior_df=0.0))
    reference = stats.ttest_ind(a, b, equal_var=False)
    assert pairs.p[0] == pytest.approx(reference.pvalue, rel=1e-9)
    assert pairs.df[0] == pytest.approx(reference.df, rel=1e-9)


def test_a_shape_that_scatters_more_is_drawn_less() -> None:
    """By hand: three welds a shape, sums of squares 2, 2 and 98, so F = 49 with 2 and 4 degrees of freedom."""
    samples = [[-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0], [-7.0, 0.0, 7.0]]
    groups = grouped(samples, prior_df=3.0)
    chance = stats.f.sf(49, 2, 4)
    prior = 3.0 * chance / 0.3
    common = 102 / 6
    assert groups.variance[2] * 3 == pytest.approx((prior * common + 98) / (prior + 2))
    assert groups.df[2] == pytest.approx(prior + 2)
    # The steadier ones are drawn as ever: that widens, which makes no false differences.
    assert groups.variance[0] * 3 == pytest.approx((3 * common + 2) / 5)
    assert groups.df[0] == pytest.approx(5)
    # Two with one weld each tell nothing of scatter, so the third is drawn towards itself.
    assert grouped([[1.0], [2.0], [3.0, 5.0]], prior_df=3.0).variance[2] * 2 == pytest.approx(2.0)
    # The others agree to the last digit: the third stands alone.
    assert grouped([[1.0, 1.0], [2.0, 2.0], [3.0, 5.0]], prior_df=3.0).variance[2] * 2 == pytest.approx(2.0)


# GUM (JCGM 100:2008) 4.2 and H.5: a mean of repeated observations has the experimental standard deviation of the
# mean, s/sqrt(n), as its standard uncertainty; and H.5 takes days (here: welds) whose means scatter by more than the
# scatter within days as the unit of evidence. Table H.9, ten days of five readings each: daily means in volts and
# the standard deviation within each day in microvolts, typed from memory; the published results check the typing.
DAY_MEANS = np.array(
    [
        10.000172,
        10.000116,
        10.000013,
        10.000144,
        10.000106,
        10.000031,
        10.000060,
        10.000125,
        10.000163,
        10.000041,
    ]
)
DAY_SD_UV = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86])


def test_days_of_gum_h5_give_the_published_uncertainty_of_the_mean() -> None:
    assert DAY_MEANS.mean() == pytest.approx(10.000097, abs=0.6e-6)
    within = DAY_SD_UV / np.sqrt(5)
    assert np.sqrt((DAY_SD_UV.astype(float) ** 2).mean()) == pytest.approx(85, abs=0.5)  # published: 85 uV
    microvolts = (DAY_MEANS - 10) * 1e6
    # One group of ten days: nothing else to be drawn towards.
    groups = group_welds(np.repeat("cell", 10), microvolts, within, prior_df=3.0)
    # Published: s of the daily means 57 uV, of the mean of all 57/sqrt(10) = 18 uV with 9 degrees of freedom.
    assert np.sqrt(groups.variance[0] * 10) == pytest.approx(57, abs=0.6)
    assert np.sqrt(groups.variance[0]) == pytest.approx(18, abs=0.3)
    assert groups.df[0] == pytest.approx(9)
    # Within days alone it would be 85/sqrt(50) = 12 uV: the scatter between days is in, that within is not lost.
    assert np.sqrt((within**2).mean() / 10) == pytest.approx(12, abs=0.3)
    # H.5.2.4: the published F of 2.25 (5 x 57^2 / 85^2) between days.
    assert 5 * groups.variance[0] * 10 / (DAY_SD_UV.astype(float) ** 2).mean() == pytest.approx(
        2.25, abs=0.06
    )


def test_holm_by_hand() -> None:
    # 0.005·4, then max(0.02, 0.01·3), max(0.03, 0.03·2), max(0.06, 0.04·1): worked by hand after Holm (1979).
    np.testing.assert_allclose(holm([0.01, 0.04, 0.03, 0.005]), [0.03, 0.06, 0.06, 0.02])
    np.testing.assert_allclose(holm([0.9, np.nan, 0.6]), [1.0, np.nan, 1.0])


def test_holm_equals_statsmodels() -> None:
    from statsmodels.stats.multitest import multipletests

    p = np.random.default_rng(1).random(15) ** 3
    np.testing.assert_allclose(holm(p), multipletests(p, method="holm")[1])


def test_order_of_the_mann_whitney_worked_example_is_seen_but_shows_no_difference() -> None:
    # SciPy's documentation of mannwhitneyu (Mann & Whitney): 19 22 16 29 24 / 20 11 17 12, U = 17, p = 0.1111.
    a, b = [19, 22, 16, 29, 24], [20, 11, 17, 12]
    groups = grouped([a, b], prior_df=3.0)
    assert groups.mean[0] > groups.mean[1]
    assert stats.mannwhitneyu(a, b).pvalue == pytest.approx(0.1111, abs=1e-4)
    assert compare_pairs(groups).p[0] == pytest.approx(stats.ttest_ind(a, b).pvalue, abs=0.02)
    assert not compare_pairs(groups).apart(2, 0.05).any()


def test_drawing_towards_the_common_variance_lies_between_own_and_common() -> None:
    own, drawn, common = (grouped(HEADACHE, d).variance for d in (0.0, 3.0, 1e12))
    low, high = np.minimum(own, common), np.maximum(own, common)
    assert ((low <= drawn) & (drawn <= high)).all()


def test_a_single_weld_takes_its_scatter_from_the_others() -> None:
    groups = grouped([HEADACHE[0], [30.0]], prior_df=3.0)
    assert groups.variance[1] == pytest.approx(np.var(HEADACHE[0], ddof=1))
    assert groups.df[1] == 3.0


def test_one_weld_a_shape_gives_no_test_and_no_probability() -> None:
    groups = group_welds(["a", "b"], [0.0, 5.0], [0.1, 0.1], prior_df=3.0)
    assert not groups.replicated
    assert np.isnan(compare_pairs(groups).p).all()
    assert np.isnan(best_probability(groups, 1000, 1)).all()
    low, high = t_intervals(groups, 0.95)
    np.testing.assert_allclose(high - low, 2 * 1.959964 * 0.1, rtol=1e-5)


def test_error_within_the_welds_is_a_floor() -> None:
    groups = group_welds(["a", "a", "b", "b"], [1.0, 1.0, 2.0, 2.0], [0.2] * 4, prior_df=3.0)
    np.testing.assert_allclose(groups.variance, 0.2**2 / 2)


def test_welds_alike_to_the_last_digit_say_nothing_of_the_scatter() -> None:
    for within in (np.nan, 0.2):
        groups = group_welds(["a", "a", "b", "b", "c", "c"], [1.0, 1, 1, 1, 2, 2], [within] * 6, prior_df=3.0)
        assert not groups.replicated
        assert np.isnan(compare_pairs(groups).p).all()
        assert np.isnan(best_probability(groups, 1000, 1)).all()


def test_holm_with_weights_by_hand() -> None:
    # Holm 1979, section 3: p / weight in order, times the weights that are left.
    p, weights = [0.01, 0.04, 0.03], [0.5, 0.25, 0.25]
    np.testing.assert_allclose(holm(p, weights), [0.02, 0.06, 0.06])
    np.testing.assert_allclose(holm([p, p[::-1]]), [holm(p), holm(p[::-1])])


def test_logit_and_its_inverse() -> None:
    index = np.array([0.5, 20.0, 50.0, 99.0])
    np.testing.assert_allclose(expit(logit([0.0, 100.0])), [0.5, 99.5])
    np.testing.assert_allclose(expit(logit(index)), index)
    assert np.isfinite(logit([0.0, 100.0])).all()


def test_within_weld_error_from_an_interval() -> None:
    half = 1.959964 * 0.3
    error = within_weld_error(expit([1 - half]), expit([1 + half]))
    np.testing.assert_allclose(error, 0.3, rtol=1e-6)


def test_probability_of_being_best_of_two_follows_student() -> None:
    # One mean known exactly, the other d standard errors above: P = F_t(d).
    variance, df = np.array([1.0, 1e-12]), np.array([6.0, 6.0])
    groups = Groups(("a", "b"), np.array([4, 4]), np.array([1.0, 0.0]), Errors(variance, df, variance, df), 6)
    assert best_probability(groups, 200_000, 5)[0] == pytest.approx(stats.t.cdf(1.0, 6), abs=0.004)


def test_probability_of_being_best_where_only_the_error_within_welds_counts() -> None:
    groups = group_welds(["a", "a", "b", "b"], [0.0, 0.01, 0.3, 0.29], [0.5] * 4, prior_df=3.0)
    assert np.isinf(groups.df).all()
    # Two normal means 0.29 apart, each with variance 0.125.
    assert best_probability(groups, 200_000, 5)[1] == pytest.approx(stats.norm.cdf(0.29 / 0.5), abs=0.004)


def test_outlying_weld_matches_statsmodels() -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(8)
    shape = np.repeat(["a", "b", "c"], 4)
    value = rng.normal(0, 1, 12)
    value[5] += 9
    design = (shape[:, None] == np.array(["a", "b", "c"])).astype(float)
    reference = sm.OLS(value, design).fit().outlier_test()[:, 2]
    np.testing.assert_allclose(outlying(shape, value), reference, rtol=1e-8)
    assert np.flatnonzero(outlying(shape, value) < 0.05).tolist() == [5]


@pytest.mark.long
def test_pairs_of_welds_are_never_called_outlying() -> None:
    assert np.isnan(outlying(["a", "a", "b", "b"], [0.0, 9.0, 1.0, 1.1])).all()
