"""Uncertainty arithmetic against the worked examples of the GUM and a certified line of NIST."""

from __future__ import annotations

import math

import numpy as np
import pytest

from poolwatch.model.errors import UsageError
from poolwatch.scale.uncertainty import Budget, Contribution, coverage_factor, propagate


def test_end_gauge_budget_of_gum_h1():
    # JCGM 100:2008, H.1 (end-gauge calibration), table H.1: nm and degrees of freedom.
    budget = Budget(
        (
            Contribution("standard", 25.0, 18),
            Contribution("repeated observations", 5.8, 24),
            Contribution("random effects of comparator", 3.9, 5),
            Contribution("systematic effects of comparator", 6.7, 8),
            Contribution("difference in expansion coefficient", 2.88679, 50),
            Contribution("difference in temperature", 16.599, 2),
        )
    )
    assert budget.u == pytest.approx(31.664, abs=0.005)
    assert budget.dof == pytest.approx(16.75, abs=0.02)
    assert budget.coverage_factor(0.99) == pytest.approx(2.92, abs=0.005)
    # The GUM rounds the factor to 2.92 before multiplying; independent code gives 93.47 with 16 degrees of freedom.
    assert budget.expanded(0.99) == pytest.approx(92.5, abs=0.1)
    assert round(coverage_factor(16, 0.99) * 32) == 93


def test_correlated_resistance_and_reactance_of_gum_h2():
    # JCGM 100:2008, H.2, tables H.2 to H.4. The five sets of simultaneous observations are typed from memory and
    # give the published means, correlations and results.
    observations = np.array(
        [
            [5.007, 19.663e-3, 1.0456],
            [4.994, 19.639e-3, 1.0438],
            [5.005, 19.640e-3, 1.0468],
            [4.990, 19.685e-3, 1.0428],
            [4.999, 19.678e-3, 1.0433],
        ]
    )
    mean = observations.mean(axis=0)
    covariance = np.cov(observations.T) / len(observations)

    def impedance(v: np.ndarray) -> list[float]:
        volts, amperes, phase = v
        return [
            volts / amperes * math.cos(phase),
            volts / amperes * math.sin(phase),
            volts / amperes,
        ]

    result, cov = propagate(impedance, mean, covariance)
    u = np.sqrt(np.diag(cov))
    assert result == pytest.approx([127.732, 219.847, 254.260], abs=0.001)
    assert u == pytest.approx([0.07107, 0.29558, 0.23634], abs=2e-5)
    correlation = cov / np.outer(u, u)
    assert [correlation[0, 1], correlation[0, 2], correlation[1, 2]] == pytest.approx(
        [-0.58843, -0.48526, 0.99251], abs=2e-5
    )


def test_infinite_degrees_of_freedom_give_the_normal_factor():
    assert Budget((Contribution("a", 3.0), Contribution("b", 4.0))).u == pytest.approx(5.0)
    # 1.959964: two-sided 95 % point of the standard normal.
    assert Budget((Contribution("a", 1.0),)).coverage_factor() == pytest.approx(1.959964, abs=1e-6)
    # Nearly so: one of two scales that are compared may be far better known than the other.
    assert coverage_factor(3e22) == pytest.approx(1.959964, abs=1e-6)
    assert Budget().u == 0


@pytest.mark.parametrize("u", [-1.0, math.nan, math.inf])
def test_a_contribution_must_be_a_number(u):
    with pytest.raises(UsageError, match="uncertainty of height: must be a finite number"):
        Contribution("height", u)
