"""What may be expected of effects, against the formulas of mixed models."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import null_space

from poolwatch.experiment.factors import BLOCK, Factor
from poolwatch.experiment.terms import Term, matrix_of
from poolwatch.trial.posterior import _WIDTHS, Posterior, posterior_of

BLOCKS = Factor(BLOCK, ("day 1", "day 2"))
A, B = Factor("a", (0.0, 1.0, 2.0)), Factor("b", (0.0, 1.0, 2.0))
TERMS = [Term((BLOCKS,)), Term((A,)), Term((B,)), Term((A, B)), Term((A, A))]


def welds() -> tuple[np.ndarray, np.ndarray]:
    runs = [{"a": a, "b": b, BLOCK: f"day {k}"} for a in (0, 1, 2) for b in (0, 1, 2) for k in (1, 2)]
    matrix = matrix_of(TERMS, runs)  # type: ignore[arg-type]
    index = matrix @ [50, 4, 3, 0.5, 1, 0] + np.random.default_rng(3).normal(0, 2, len(runs))
    return matrix, index


def test_means_are_the_best_predictors_of_the_mixed_model_over_all_widths() -> None:
    """Random effects by V = I + Z D Z', fixed ones by least squares in it; widths weighted by the likelihood of what
    the fixed effects leave (Robinson G. K., That BLUP is a good thing, Stat. Sci. 6 (1991) 15-32,
    doi:10.1214/ss/1177011926)."""
    matrix, index = welds()
    fixed, random = matrix[:, :2], matrix[:, 2:]
    left = null_space(fixed.T)
    weights, means = [], []
    for main in _WIDTHS:
        for second in _WIDTHS:
            spread = np.diag(np.array([main, main, second, second]) ** 2)
            v = np.eye(len(index)) + random @ spread @ random.T
            beta = np.linalg.solve(fixed.T @ np.linalg.solve(v, fixed), fixed.T @ np.linalg.solve(v, index))
            means.append([*beta, *(spread @ random.T @ np.linalg.solve(v, index - fixed @ beta))])
            r, inner = left.T @ index, left.T @ v @ left
            df = len(r)
            weights.append(
                -0.5 * np.linalg.slogdet(inner)[1] - df / 2 * np.log(r @ np.linalg.solve(inner, r))
            )
    share = np.exp(np.array(weights) - max(weights))
    expected = share @ np.array(means) / share.sum()
    # What counts for less than a thousandth is left out there.
    np.testing.assert_allclose(posterior_of(TERMS, matrix, index).mean, expected, rtol=0, atol=0.01)


def test_large_effects_stay_and_small_ones_are_drawn_towards_none() -> None:
    matrix, index = welds()
    index = index + 17 * matrix[:, 2]
    fit = np.linalg.lstsq(matrix, index, rcond=None)[0]
    mean = posterior_of(TERMS, matrix, index).mean
    # The block has no prior, and is orthogonal to all else; the constant takes up what the square gives.
    assert mean[1] == pytest.approx(fit[1])
    assert (np.abs(mean[2:]) <= np.abs(fit[2:]) + 0.05).all()
    assert 0.97 < mean[2] / fit[2] <= 1


def test_a_weld_that_came_out_as_expected_makes_surer_and_moves_nothing() -> None:
    matrix, index = welds()
    posterior = posterior_of(TERMS, matrix, index)
    row = matrix[0]
    after = posterior.with_weld(row)
    np.testing.assert_array_equal(after.mean, posterior.mean)
    for before, now in zip(posterior.inverses, after.inverses, strict=True):
        np.testing.assert_allclose(now, np.linalg.inv(np.linalg.inv(before) + np.outer(row, row)), atol=1e-9)


@pytest.mark.long
def test_improvement_is_the_mean_over_draws() -> None:
    matrix, index = welds()
    posterior = posterior_of(TERMS, matrix, index)
    apart = matrix[[17, 3]] - matrix[11]
    rng = np.random.default_rng(5)
    assert posterior.improvement(apart) == pytest.approx(improvements_drawn(posterior, apart, rng), abs=0.02)


def improvements_drawn(posterior: Posterior, apart: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    draws = 60_000
    which = rng.choice(len(posterior.weights), draws, p=posterior.weights)
    scale = np.sqrt(posterior.df / rng.chisquare(posterior.df, draws))
    gained = np.zeros((draws, len(apart)))
    for k in np.unique(which):
        mine = which == k
        root = np.linalg.cholesky(posterior.inverses[k] * posterior.variances[k])
        coefficients = (
            posterior.means[k] + rng.standard_normal((mine.sum(), len(root))) @ root.T * scale[mine, None]
        )
        gained[mine] = np.maximum(coefficients @ apart.T, 0)
    return gained.mean(axis=0)
