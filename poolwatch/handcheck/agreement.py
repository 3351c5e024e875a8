"""Agreement of two ways to measure: mean difference, limits of agreement, repeatability.

References
----------
Bland J. M. & Altman D. G., Statistical methods for assessing agreement between two methods of clinical measurement,
Lancet 327 (1986) 307, doi:10.1016/S0140-6736(86)90837-8.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

LIMIT = 1.959963984540054
"""Limits of agreement lie so many standard deviations from the mean difference: 95 % of a normal distribution."""


@dataclass(frozen=True)
class Estimate:
    """A value with its confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Spread:
    """A standard deviation with its confidence interval and degrees of freedom."""

    value: float
    low: float
    high: float
    df: float


@dataclass(frozen=True)
class Agreement:
    """How far two ways to measure differ.

    Attributes
    ----------
    count
        Pairs.
    bias
        Mean difference.
    sd
        Standard deviation of the difference of two single measurements.
    lower, upper
        Limits of agreement: 95 % of the differences of single measurements lie between them.
    """

    count: int
    bias: Estimate
    sd: float
    lower: Estimate
    upper: Estimate


def agreement(differences: ArrayLike, *, repeat: Spread | None = None, markings: float = 1.0) -> Agreement:
    """Mean difference and limits of agreement, with 95 % intervals.

    Parameters
    ----------
    differences
        Shape (n,), n >= 3: one way minus the other, one value a subject; its values must be independent.
    repeat
        Standard deviation of one marking where each difference rests on the mean of several; the limits then hold
        for one marking (the paper's section on repeated measurements).
    markings
        Markings (mean number) whose mean each difference rests on.

    Notes
    -----
    Bias by Student's t. Each limit is a quantile of a normal distribution, whose exact interval comes from the
    noncentral t distribution; the paper gives it as limit ± t sqrt(3 s²/n). With repeated markings the
    degrees of freedom of the combined variance are those of Satterthwaite (1946, doi:10.2307/3002019).
    """
    from scipy.stats import nct, t

    values = np.asarray(differences, dtype=np.float64)
    n = len(values)
    if n < 3:
        raise ValueError(f"agreement needs at least 3 differences, got {n}")
    bias, variance = float(values.mean()), float(values.var(ddof=1))
    half = float(t.ppf(0.975, n - 1)) * math.sqrt(variance / n)
    added = 0.0 if repeat is None else (1.0 - 1.0 / markings) * repeat.value**2
    total, df = variance + added, n - 1.0
    if added > 0 and repeat is not None:
        df = total**2 / (variance**2 / (n - 1) + added**2 / repeat.df)
    sd = math.sqrt(total)
    # So many single differences would give the bias the same standard error.
    single = n * total / variance if variance > 0 else float(n)
    root = math.sqrt(single)
    near, far = (float(nct.ppf(p, df, LIMIT * root)) / root * sd for p in (0.025, 0.975))
    return Agreement(
        count=n,
        bias=Estimate(bias, bias - half, bias + half),
        sd=sd,
        lower=Estimate(bias - LIMIT * sd, bias - far, bias - near),
        upper=Estimate(bias + LIMIT * sd, bias + near, bias + far),
    )


def spread_of(squares: float, df: float) -> Spread:
    """Standard deviation from a sum of squares, with its 95 % interval by chi-squared."""
    from scipy.stats import chi2

    low, high = (math.sqrt(squares / float(chi2.ppf(p, df))) for p in (0.975, 0.025))
    return Spread(math.sqrt(squares / df), low, high, df)


def within_subjects(values: ArrayLike) -> Spread | None:
    """Standard deviation of repeated measurements of the same subject by the same way.

    Parameters
    ----------
    values
        Shape (n, m): n subjects, m repetitions; NaN where one is missing.

    Returns
    -------
    Spread or None
        None where no subject was measured twice. Two measurements differ by less than 1.96 sqrt(2) times it in 95 %
        (coefficient of repeatability).
    """
    rows = _known(np.asarray(values, dtype=np.float64))
    df = sum(len(row) - 1 for row in rows)
    if df < 1:
        return None
    return spread_of(sum(float(((row - row.mean()) ** 2).sum()) for row in rows), df)


def between_ways(values: ArrayLike) -> Spread | None:
    """Standard deviation of one measurement where several persons measure once: their mean differences taken out.

    Parameters
    ----------
    values
        Shape (n, m): n subjects, m persons; subjects with a missing value are left out.
    """
    table = np.asarray(values, dtype=np.float64)
    table = table[np.isfinite(table).all(axis=1)]
    n, m = table.shape
    if n < 2 or m < 2:
        return None
    rest = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + table.mean()
    return spread_of(float((rest**2).sum()), (n - 1) * (m - 1))


def left_over(total: Spread, part: Spread) -> Estimate:
    """Standard deviation of what is left of `total` once the independent `part` is taken out.

    Interval by recovery of variance estimates (MOVER; Zou & Donner 2008, doi:10.1002/sim.3095); 0 where the part
    explains all.
    """
    a, b = total.value**2, part.value**2
    below = math.sqrt((a - total.low**2) ** 2 + (part.high**2 - b) ** 2)
    above = math.sqrt((total.high**2 - a) ** 2 + (b - part.low**2) ** 2)
    value, low, high = (math.sqrt(max(v, 0.0)) for v in (a - b, a - b - below, a - b + above))
    return Estimate(value, low, high)


def share_of(hits: int, count: int) -> Estimate:
    """A share of independent trials with its exact 95 % interval (Clopper & Pearson 1934); NaN of none."""
    from scipy.stats import binomtest

    if count == 0:
        return Estimate(math.nan, math.nan, math.nan)
    ends = binomtest(hits, count).proportion_ci(0.95, method="exact")
    return Estimate(hits / count, float(ends.low), float(ends.high))


def _known(table: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    return [row[np.isfinite(row)] for row in table if np.isfinite(row).sum() > 1]
