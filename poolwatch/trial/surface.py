"""A quadratic response surface of the index over the factors, and its best point."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from .design import BLOCK, SHAPE, Design, Factor, Floats, coded_factor, told_apart

_CANDIDATES = 2048
_DRAWS = 1000
_SEED = 19_510_400


@dataclass(frozen=True)
class Surface:
    """The fitted surface.

    Attributes
    ----------
    factors
        Numeric factors, in the order of `best`.
    terms, coefficients
        The model in coded units (-1 to +1): ``1``, ``a``, ``a x b``, ``a²`` and words' levels.
    r2, p
        Share of the spread explained, and p of the numeric factors' terms against none of them.
    residual_sd
        Standard deviation of a weld about the surface, index points.
    best
        Predicted best setting: a number or word a factor.
    best_low, best_high
        95 % interval of where the best lies, by numeric factor: how well these welds fix it.
    predicted, predicted_low, predicted_high
        Mean index predicted there, with its 95 % interval.
    at_edge
        Numeric factors whose best lies on the border of what was tried.
    reading
        In plain words.
    """

    factors: tuple[str, ...]
    terms: tuple[str, ...]
    coefficients: Floats
    r2: float
    p: float
    residual_sd: float
    best: dict[str, float | str]
    best_low: dict[str, float]
    best_high: dict[str, float]
    predicted: float
    predicted_low: float
    predicted_high: float
    at_edge: tuple[str, ...]
    reading: str


def fit_surface(design: Design) -> tuple[Surface | None, list[str]]:
    """Fit all quadratic terms that the design allows, and find the best point in the region that was tried.

    The region is where the prediction is no less sure than at the least sure weld (leverage at most the
    design's largest), so that corners no weld came near are not promised.

    Returns
    -------
    surface
        None where there is no factor with three levels, the terms cannot be told apart, or no weld is left to
        know the error.
    remarks
        Why there is none.

    References
    ----------
    Box G. E. P., Wilson K. B., J. R. Stat. Soc. B 13 (1951) 1-45, doi:10.1111/j.2517-6161.1951.tb00067.x.
    """
    import statsmodels.api as sm

    numeric = [factor for factor in design.factors if factor.numeric]
    words = [factor for factor in design.factors if not factor.numeric]
    shape = [term.factors[0] for term in told_apart(design) if term.name == SHAPE]
    curved = [len(factor.levels) >= 3 for factor in numeric]
    if not any(curved):
        return None, [
            "no factor was tried at three values: no best point between the values can be worked out"
        ]
    coded = np.hstack([coded_factor(design, factor) for factor in numeric])
    surface = _quadratic(coded, curved)
    matrix = np.hstack([surface, *(coded_factor(design, factor) for factor in words + shape)])
    if shape and (np.linalg.matrix_rank(matrix) < matrix.shape[1] or len(matrix) <= matrix.shape[1]):
        matrix = matrix[:, : -len(shape[0].levels) + 1]
        shape = []
    words += shape
    rows, columns = matrix.shape
    if np.linalg.matrix_rank(matrix) < columns:
        return None, ["the settings tried do not tell the terms of a response surface apart: no best point"]
    if rows <= columns:
        return None, [f"{rows} welds are too few for a response surface of {columns} terms: no best point"]
    fit = sm.OLS(design.rows["stability_index"].to_numpy(dtype=float), matrix).fit()
    best, where = _best(design, fit, numeric, words, curved, coded)
    names = [factor.name for factor in numeric]
    low, high = np.quantile(where, [0.025, 0.975], axis=0)
    prediction = fit.get_prediction(best[None, :])
    least, most = prediction.conf_int()[0]
    place = best[1 : 1 + len(numeric)]
    setting: dict[str, float | str] = {f.name: f.decode(x) for f, x in zip(numeric, place, strict=True)}
    plain = surface.shape[1]
    setting |= {f.name: _level(f, best, plain, words) for f in words if f.name != BLOCK}
    # Words left aside: that days or shapes differ does not make the numbers matter.
    p = float(fit.f_test(np.eye(columns)[1:plain]).pvalue)
    edge = tuple(name for name, x in zip(names, place, strict=True) if abs(x) > 0.99)
    return Surface(
        factors=tuple(names),
        terms=_names(names, curved, words),
        coefficients=np.asarray(fit.params),
        r2=float(fit.rsquared),
        p=p,
        residual_sd=float(np.sqrt(fit.scale)),
        best=setting,
        best_low={f.name: f.decode(x) for f, x in zip(numeric, low, strict=True)},
        best_high={f.name: f.decode(x) for f, x in zip(numeric, high, strict=True)},
        predicted=float(prediction.predicted[0]),
        predicted_low=float(least),
        predicted_high=float(most),
        at_edge=edge,
        reading=_read(setting, float(prediction.predicted[0]), least, most, p, edge),
    ), []


def _quadratic(coded: Floats, curved: list[bool]) -> Floats:
    """1, linear terms, products, and squares where a factor has three levels."""
    pairs = [coded[:, i] * coded[:, j] for i, j in combinations(range(coded.shape[1]), 2)]
    squares = [coded[:, i] ** 2 for i, bent in enumerate(curved) if bent]
    return np.column_stack([np.ones(len(coded)), coded, *pairs, *squares])


def _names(names: list[str], curved: list[bool], words: list[Factor]) -> tuple[str, ...]:
    pairs = [f"{a} x {b}" for a, b in combinations(names, 2)]
    squares = [f"{name}²" for name, bent in zip(names, curved, strict=True) if bent]
    levels = [
        f"{f.name}: {level}"
        for f in words
        for level in (f.levels[1:] if len(f.levels) == 2 else f.levels[:-1])
    ]
    return ("1", *names, *pairs, *squares, *levels)


def _best(
    design: Design,
    fit: object,
    numeric: list[Factor],
    words: list[Factor],
    curved: list[bool],
    coded: Floats,
) -> tuple[Floats, Floats]:
    """The model row of the best point, and where the best lies under draws of the coefficients."""
    from scipy.optimize import minimize
    from scipy.stats import qmc

    count = coded.shape[1]
    params = np.asarray(fit.params)  # type: ignore[attr-defined]
    covariance = np.asarray(fit.cov_params())  # type: ignore[attr-defined]
    spread = covariance / fit.scale  # type: ignore[attr-defined]
    offset = np.concatenate([_best_word(f, params, words, curved, count) for f in words] or [np.zeros(0)])
    matrix = np.asarray(fit.model.exog)  # type: ignore[attr-defined]
    limit = np.einsum("ni,ij,nj->n", matrix, spread, matrix).max() * (1 + 1e-9)

    def row(points: Floats) -> Floats:
        plain = _quadratic(np.atleast_2d(points), curved)
        return np.hstack([plain, np.broadcast_to(offset, (len(plain), len(offset)))])

    def room(point: Floats) -> float:
        r = row(point)[0]
        return float(limit - r @ spread @ r)

    sobol = qmc.Sobol(count, scramble=True, rng=np.random.default_rng(_SEED)).random(_CANDIDATES) * 2 - 1
    candidates = np.vstack([coded, sobol])
    rows = row(candidates)
    inside = np.einsum("ni,ij,nj->n", rows, spread, rows) <= limit
    inside[np.flatnonzero(~inside[: len(coded)])] = not words
    candidates, rows = candidates[inside], rows[inside]
    start = candidates[np.argmax(rows @ params)]
    found = minimize(
        lambda x: -float(row(x)[0] @ params),
        start,
        method="SLSQP",
        bounds=[(-1, 1)] * count,
        constraints=[{"type": "ineq", "fun": room}],
        options={"maxiter": 200, "ftol": 1e-10},
    )
    better = found.success and room(found.x) > -1e-6 and -found.fun >= (row(start)[0] @ params)
    best = row(found.x if better else start)[0]
    rng = np.random.default_rng(_SEED)
    # Coefficients as they might have come out: multivariate t around the fit.
    df = fit.df_resid  # type: ignore[attr-defined]
    scale = np.sqrt(df / rng.chisquare(df, _DRAWS))
    draws = params + rng.multivariate_normal(np.zeros(len(params)), covariance, _DRAWS) * scale[:, None]
    return best, candidates[np.argmax(rows @ draws.T, axis=0)]


def _word_columns(factor: Factor, words: list[Factor], plain: int) -> slice:
    start = plain
    for other in words:
        width = 1 if len(other.levels) == 2 else len(other.levels) - 1
        if other is factor:
            return slice(start, start + width)
        start += width
    raise ValueError(f"{factor.name} is no factor of the model")


def _codes(factor: Factor) -> Floats:
    import pandas as pd

    return factor.code(pd.Series(list(factor.levels), dtype="object"))


def _best_word(factor: Factor, params: Floats, words: list[Factor], curved: list[bool], count: int) -> Floats:
    plain = 1 + count + count * (count - 1) // 2 + sum(curved)
    codes = _codes(factor)
    if factor.name == BLOCK:
        # The mean of the blocks: the best one cannot be chosen again.
        return np.zeros(codes.shape[1])
    return np.asarray(codes[np.argmax(codes @ params[_word_columns(factor, words, plain)])])


def _level(factor: Factor, row: Floats, plain: int, words: list[Factor]) -> str:
    chosen = row[_word_columns(factor, words, plain)]
    place = np.abs(_codes(factor) - chosen).sum(axis=1).argmin()
    return str(factor.levels[place])


def _read(
    setting: dict[str, float | str],
    predicted: float,
    low: float,
    high: float,
    p: float,
    edge: tuple[str, ...],
) -> str:
    where = ", ".join(
        f"{name} {value:.4g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in setting.items()
    )
    if p > 0.05:
        return (
            "A response surface explains no more of the scatter than chance would: its best point "
            f"({where}) is no advice."
        )
    text = f"The response surface is highest at {where}: index {predicted:.0f} ({low:.0f} to {high:.0f})."
    if edge:
        text += f" That is the border of what was tried in {' and '.join(edge)}: better settings may lie beyond it."
    return text + " Weld there to confirm it."
