"""Which settings to weld next: expected improvement of a Gaussian process through the welds so far."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from .design import BLOCK, SHAPE, Design, Factor, Floats, stacked, told_apart

if TYPE_CHECKING:
    import pandas as pd

_CANDIDATES = 1024
_SEED = 19_980_412
# Length scales between a tenth of the range tried and ten times it.
_SCALES = (np.log(0.1), np.log(10.0))
_NOISE = (np.log(1e-3), np.log(3.0))
_SIGNAL = (np.log(0.1), np.log(10.0))
_NAMES_ONLY = (
    "the shapes differ by name alone, so nothing says which further one to weld: give what makes them as factor "
    "columns, such as the power shares and widths that `poolwatch beam` writes"
)


@dataclass(frozen=True)
class Process:
    """A Gaussian process with a constant mean, Matern 5/2 covariance and noise, fitted to data.

    Attributes
    ----------
    places
        Shape (n, d), about 0 to 1 each.
    mean
        Constant mean, units of the data.
    scales
        Length scale of each input, shape (d,).
    signal, noise
        Standard deviations of the process and of a single weld about it, units of the data.
    """

    places: Floats
    mean: float
    scales: Floats
    signal: float
    noise: float
    factor: Floats
    weights: Floats

    def predict(self, places: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of the process (without a weld's own scatter) at places of shape (m, d)."""
        from scipy.linalg import solve_triangular

        cross = self.signal**2 * _matern(places, self.places, self.scales)
        reduced = solve_triangular(self.factor, cross.T, lower=True)
        variance = self.signal**2 - (reduced**2).sum(axis=0)
        return self.mean + cross @ self.weights, np.sqrt(np.maximum(variance, 0))


def fit_process(places: Floats, values: Floats) -> Process:
    """Fit by maximum likelihood, with weak priors that keep length scales and noise reasonable.

    References
    ----------
    Rasmussen C. E., Williams C. K. I., Gaussian Processes for Machine Learning, MIT Press 2006, chapters 2, 4, 5.
    """
    from scipy.optimize import minimize

    spread = float(values.std()) or 1.0
    target = (values - values.mean()) / spread
    count = places.shape[1]
    bounds = [_SCALES] * count + [_SIGNAL, _NOISE]

    def loss(theta: Floats) -> float:
        try:
            factor, weights, mean = _solve(places, target, theta)
        except np.linalg.LinAlgError:
            return 1e10
        residual = target - mean
        fit = 0.5 * residual @ weights + np.log(factor.diagonal()).sum()
        prior = 0.5 * ((theta[:count] - np.log(0.7)) ** 2).sum() / 1.0**2
        prior += 0.5 * (theta[count] ** 2 + (theta[count + 1] - np.log(0.3)) ** 2) / 1.5**2
        return float(fit + prior)

    starts = [
        np.array([np.log(scale)] * count + [0.0, np.log(noise)])
        for scale in (0.3, 1.0)
        for noise in (0.1, 0.5)
    ]
    found = min(
        (minimize(loss, start, method="L-BFGS-B", bounds=bounds) for start in starts),
        key=lambda f: float(f.fun),
    )
    return _process(places, values, np.asarray(found.x), spread)


def _process(places: Floats, values: Floats, theta: Floats, spread: float) -> Process:
    target = values / spread
    factor, weights, mean = _solve(places, target, theta)
    count = places.shape[1]
    return Process(
        places,
        mean * spread,
        np.exp(theta[:count]),
        float(np.exp(theta[count])) * spread,
        float(np.exp(theta[count + 1])) * spread,
        factor * spread,
        weights / spread,
    )


def _solve(places: Floats, target: Floats, theta: Floats) -> tuple[Floats, Floats, float]:
    """Cholesky factor, weights of the residuals, and the mean by generalised least squares."""
    from scipy.linalg import cho_solve

    count = places.shape[1]
    signal, noise = np.exp(2 * theta[count]), np.exp(2 * theta[count + 1])
    covariance = signal * _matern(places, places, np.exp(theta[:count]))
    covariance[np.diag_indices_from(covariance)] += noise
    factor = np.linalg.cholesky(covariance)
    ones = cho_solve((factor, True), np.ones(len(target)))
    mean = float(ones @ target / ones.sum())
    return np.asarray(factor), np.asarray(cho_solve((factor, True), target - mean)), mean


def _matern(a: Floats, b: Floats, scales: Floats) -> Floats:
    """Matern 5/2 correlation of places, shapes (n, d) and (m, d)."""
    distance = np.sqrt((((a[:, None] - b[None]) / scales) ** 2).sum(axis=-1))
    root = np.sqrt(5) * distance
    return np.asarray((1 + root + root**2 / 3) * np.exp(-root))


def expected_improvement(mean: Floats, deviation: Floats, best: float) -> Floats:
    """Expected excess over `best` of normal variables.

    References
    ----------
    Jones D. R., Schonlau M., Welch W. J., J. Global Optim. 13 (1998) 455-492, doi:10.1023/A:1008306431147.
    """
    from scipy.stats import norm

    with np.errstate(divide="ignore", invalid="ignore"):
        z = (mean - best) / deviation
        gain = (mean - best) * norm.cdf(z) + deviation * norm.pdf(z)
    return np.asarray(np.where(deviation > 0, gain, np.maximum(mean - best, 0)))


def suggest_next(design: Design, *, count: int) -> tuple[pd.DataFrame, list[str]]:
    """Settings to weld next, best first, within the range that was tried.

    Each further one takes the prediction at those before it as if it had been welded (kriging believer:
    Ginsbourger, Le Riche & Carraro 2010, doi:10.1007/978-3-642-10701-6_6), so one setting may come twice: to be
    welded twice. What is expected there, and how surely, is told from what was welded, not from what was believed.
    What blocks differ by is taken out first.

    Returns
    -------
    table
        ``beam_shape`` where shapes differ beyond their factors, factor columns, ``predicted``, ``predicted_u``,
        ``expected_improvement``; empty where too little is known.
    remarks
        Why it is empty.
    """
    import pandas as pd

    mains = told_apart(design)
    shapes = tuple(factor for term in mains if term.name == SHAPE for factor in term.factors)
    factors = (*shapes, *design.chosen) if design.chosen else ()
    columns = [factor.column for factor in factors]
    table = pd.DataFrame(columns=[*columns, "predicted", "predicted_u", "expected_improvement"])
    if not factors:
        return table, [_NAMES_ONLY] if shapes else []
    places = _inputs(design.rows[columns], factors)
    distinct = len(np.unique(places, axis=0))
    needed = len(factors) + 2
    if distinct < needed:
        return table, [
            f"{distinct} different settings are too few to say what to weld next; try at least {needed}"
        ]
    settings = _candidates(factors)
    inputs = _inputs(settings, factors)
    values = design.rows["stability_index"].to_numpy(dtype=float)
    if any(term.name == BLOCK for term in mains):
        fitted = np.linalg.lstsq(stacked(mains, len(values)), values, rcond=None)[0]
        start = 1
        for term in mains:
            width = term.columns.shape[1]
            if term.name == BLOCK:
                values = values - term.columns @ fitted[start : start + width]
            start += width
    process = fit_process(places, values)
    theta = np.log([*process.scales, process.signal, process.noise])
    expected, uncertain = process.predict(inputs)
    chosen = []
    for _ in range(count):
        mean, deviation = process.predict(inputs)
        gain = expected_improvement(mean, deviation, float(process.predict(places)[0].max()))
        place = int(np.argmax(gain))
        chosen.append(
            settings.iloc[place].to_dict()
            | {
                "predicted": expected[place],
                "predicted_u": uncertain[place],
                "expected_improvement": gain[place],
            }
        )
        places = np.vstack([places, inputs[place]])
        values = np.append(values, mean[place])
        process = _process(places, values, theta, 1.0)
    return pd.DataFrame(chosen, columns=table.columns), []


def _inputs(settings: pd.DataFrame, factors: tuple[Factor, ...]) -> Floats:
    """Numbers from 0 to 1; words as corners half a range from each other along each of their levels."""
    parts = []
    for factor in factors:
        values = settings[factor.column]
        if factor.numeric:
            parts.append((factor.code(values) + 1) / 2)
        else:
            words = values.astype(str).to_numpy()
            parts.append((words[:, None] == np.array(factor.levels)).astype(float) / 2)
    return np.hstack(parts)


def _candidates(factors: tuple[Factor, ...]) -> pd.DataFrame:
    """Settings within the range tried: an even scatter for numbers, with corners, times every choice of words."""
    import pandas as pd
    from scipy.stats import qmc

    numeric = [factor for factor in factors if factor.numeric]
    words = [factor for factor in factors if not factor.numeric]
    points: Floats = np.zeros((1, 0))
    if numeric:
        sobol = (
            qmc.Sobol(len(numeric), scramble=True, rng=np.random.default_rng(_SEED)).random(_CANDIDATES) * 2
            - 1
        )
        ends = np.array(list(product((-1.0, 1.0), repeat=len(numeric)))) if len(numeric) <= 8 else sobol[:0]
        points = np.vstack([sobol, ends])
    made: list[pd.DataFrame] = []
    for choice in product(*(factor.levels for factor in words)):
        block: dict[str, list[Any]] = {
            f.column: [float(f"{f.decode(x):.4g}") for x in points[:, k]] for k, f in enumerate(numeric)
        }
        block |= {f.column: [str(level)] * len(points) for f, level in zip(words, choice, strict=True)}
        made.append(pd.DataFrame(block))
    return pd.concat(made, ignore_index=True)
