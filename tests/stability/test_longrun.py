"""Series statistics against certified values, published block lengths, and AR(1) theory."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from poolwatch.stability import block_length
from poolwatch.stability.longrun import autocovariance, block_sums, mean_error

# NIST StRD univariate, Michelso: speed of light in air (Michelson 1882), thousands of km/s less 299.
# The values are typed in from memory; the certified figures below would not come out if one were wrong.
MICHELSO = """
850 740 900 1070 930 850 950 980 980 880 1000 980 930 650 760 810 1000 1000 960 960
960 940 960 940 880 800 850 880 900 840 830 790 810 880 880 830 800 790 760 800
880 880 880 860 720 720 620 860 970 950 880 910 850 870 840 840 850 840 840 840
890 810 810 820 800 770 760 740 750 760 910 920 890 860 880 720 840 850 850 780
890 840 780 810 760 810 790 810 820 850 870 870 810 740 810 940 950 800 810 870
"""


def red_noise(generator: np.random.Generator, n: int, phi: float) -> np.ndarray:
    """AR(1) series of variance 1, stationary from its first value."""
    steps = generator.standard_normal(n) * math.sqrt(1 - phi**2)
    steps[0] /= math.sqrt(1 - phi**2)
    return lfilter([1.0], [1.0, -phi], steps)


def num_acc(first: float, low: float, high: float) -> np.ndarray:
    return np.array([first] + [low, high] * 500)


def arccot(x: int, unit: int) -> int:
    """Inverse cotangent by its series, in whole units."""
    power = total = unit // x
    n, sign = 1, 1
    while power:
        power //= x * x
        n, sign = n + 2, -sign
        total += sign * (power // n)
    return total


def pi_digits() -> np.ndarray:
    """Decimal digits of pi (Machin's formula) with item 956 as the NIST file has it (3; true pi has 8)."""
    unit = 10**5020
    # In two halves, for Python refuses to write out longer numbers.
    high, low = divmod(4 * (4 * arccot(5, unit) - arccot(239, unit)), 10**2500)
    digits = [int(digit) for digit in f"{high}{low:02500d}"[:5000]]
    assert digits[956] == 8
    digits[956] = 3
    return np.array(digits, dtype=np.float64)


# Certified values: NIST Statistical Reference Datasets, univariate summary statistics.
CERTIFIED = {
    "Michelso": (
        np.array(MICHELSO.split(), dtype=np.float64) / 1000 + 299,
        299.852400000000,
        0.0790105478190518,
        0.535199668621283,
        1e-10,
    ),
    "PiDigits": (pi_digits(), 4.53480000000000, 2.86733906028871, -0.00355099287237972, 1e-12),
    "NumAcc1": (np.array([10000001.0, 10000003.0, 10000002.0]), 10000002.0, 1.0, -0.5, 1e-14),
    "NumAcc2": (num_acc(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 1e-12),
    "NumAcc3": (num_acc(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, 1e-8),
    "NumAcc4": (num_acc(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, -0.999, 1e-7),
}


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_mean_sd_and_lag_one(name: str) -> None:
    values, mean, sd, lag_one, tolerance = CERTIFIED[name]
    n = len(values)
    covariance = autocovariance(values, 1)
    assert np.mean(values) == pytest.approx(mean, rel=1e-14)
    assert math.sqrt(covariance[0] * n / (n - 1)) == pytest.approx(sd, rel=tolerance)
    assert covariance[1] / covariance[0] == pytest.approx(lag_one, rel=tolerance * 10)


def test_sunspot_autocorrelation() -> None:
    # statsmodels dataset `sunspots`; r1 to r3, r10, r11 recomputed independently from its CSV.
    datasets = pytest.importorskip("statsmodels.datasets")
    values = datasets.sunspots.load_pandas().data["SUNACTIVITY"].to_numpy(dtype=np.float64)
    r = autocovariance(values, 11)
    r = r / r[0]
    assert r[[1, 2, 3, 10, 11]] == pytest.approx([0.820201, 0.451268, 0.039577, 0.658980, 0.650291], abs=1e-6)


@pytest.mark.parametrize(
    ("name", "column", "stationary", "circular"),
    [("sunspots", "SUNACTIVITY", 21.050693, 24.097028), ("nile", "volume", 12.333494, 14.118327)],
)
def test_block_length_published(name: str, column: str, stationary: float, circular: float) -> None:
    # Politis & White 2004 with Patton, Politis & White 2009; figures from arch 8.0.0 and an independent re-write.
    datasets = pytest.importorskip("statsmodels.datasets")
    values = getattr(datasets, name).load_pandas().data[column].to_numpy(dtype=np.float64)
    assert block_length(values) == pytest.approx((stationary, circular), rel=1e-6)


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.9, 0.99])
@pytest.mark.parametrize("n", [60, 999, 4000])
def test_block_length_against_arch(phi: float, n: int) -> None:
    bootstrap = pytest.importorskip("arch.bootstrap")
    values = red_noise(np.random.default_rng(n + int(100 * phi)), n, phi)
    expected = bootstrap.optimal_block_length(values)
    assert block_length(values) == pytest.approx(
        (expected["stationary"].iloc[0], expected["circular"].iloc[0]), rel=1e-6
    )


@pytest.mark.parametrize("values", [np.zeros(100), np.arange(5.0)])
def test_block_length_of_nothing_is_one(values: np.ndarray) -> None:
    assert block_length(values) == (1.0, 1.0)


@pytest.mark.parametrize("phi", [0.5, 0.8, 0.9])
def test_standard_error_of_an_ar1_mean(phi: float) -> None:
    # Theory: 1/((1 - phi) sqrt(n)) for unit innovations (Kunsch 1989 bootstraps it); the naive one must fail.
    n = 5000
    generator = np.random.default_rng(int(phi * 10))
    theory = 1 / ((1 - phi) * math.sqrt(n))
    errors, boots, naive = [], [], []
    for _ in range(30):
        values = red_noise(generator, n, phi) / math.sqrt(1 - phi**2)
        errors.append(mean_error(values, phi).se)
        length = round(block_length(values)[1])
        boots.append(block_sums(values[:, None], length, 300, generator).std() / n)
        naive.append(values.std() / math.sqrt(n))
    assert np.mean(errors) == pytest.approx(theory, rel=0.15)
    assert np.mean(boots) == pytest.approx(theory, rel=0.15)
    assert np.mean(naive) < 0.7 * theory
    effective = np.mean([mean_error(red_noise(generator, n, phi), phi).effective_n for _ in range(30)])
    # Of an AR(1) series n (1 - phi)/(1 + phi) values are independent: analytic.
    assert effective == pytest.approx(n * (1 - phi) / (1 + phi), rel=0.25)


def test_block_sums_keep_series_together_and_count_all_frames() -> None:
    generator = np.random.default_rng(1)
    values = generator.standard_normal((103, 1))
    both = np.concatenate([values, -2 * values, np.ones_like(values)], axis=1)
    sums = block_sums(both, 10, 50, generator)
    assert sums[:, 1] == pytest.approx(-2 * sums[:, 0])
    assert np.all(sums[:, 2] == 103)
    assert np.ptp(sums[:, 0]) > 0
