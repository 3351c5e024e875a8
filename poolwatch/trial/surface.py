"""The best point of the model of a trial's factors, where it holds squares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..experiment.comparing import t_quantile
from ..experiment.factors import ABSENT, Value
from ..model.rounding import with_uncertainty
from .design import PRESENCE
from .model import FactorModel

if TYPE_CHECKING:
    from .region import Region

Floats = NDArray[np.float64]
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
    p
        Of the numeric factors' terms against none of them.
    residual_sd
        Standard deviation of a weld about the surface, index points.
    best
        Predicted best setting: a number or word a factor, ``absent`` where it lacks the part.
    best_low, best_high
        95 % interval of where the best is, by numeric factor: how well these welds fix it.
    predicted, predicted_low, predicted_high
        Mean index predicted there, with its 95 % interval.
    at_edge
        Numeric factors whose best is on the border of what was tried.
    reading
        In plain words.
    """

    factors: tuple[str, ...]
    terms: tuple[str, ...]
    coefficients: Floats
    p: float
    residual_sd: float
    best: dict[str, Value]
    best_low: dict[str, float]
    best_high: dict[str, float]
    predicted: float
    predicted_low: float
    predicted_high: float
    at_edge: tuple[str, ...]
    reading: str


def best_setting(model: FactorModel, region: Region) -> dict[str, Value]:
    """The setting inside the region with the highest predicted index, refined around the best candidate."""
    rng = np.random.default_rng(_SEED)
    candidates = region.candidates
    best = candidates[int(np.argmax(model.predict(model.matrix(candidates))[0]))]
    for step in range(12):
        near = [best, *region.around(best, 0.5**step, 32, rng)]
        best = near[int(np.argmax(model.predict(model.matrix(near))[0]))]
    return best


def find_best(model: FactorModel, region: Region | None) -> tuple[Surface | None, list[str]]:
    """The best point in the region that was tried.

    Returns
    -------
    surface
        None where the model holds no square, or no error is known.
    remarks
        Why there is none.

    References
    ----------
    Box G. E. P., Wilson K. B., J. R. Stat. Soc. B 13 (1951) 1-45, doi:10.1111/j.2517-6161.1951.tb00067.x.
    """
    if region is None or not any(factor.numeric for factor in region.factors):
        return None, []
    if not any(term.square for term in model.terms):
        return None, ["no best point between the values can be worked out: no curvature is estimated"]
    if model.error_from != "residuals":
        return None, ["no error is known: no best point"]
    numeric = [factor for factor in region.factors if factor.numeric]
    places = np.concatenate(
        [model.places(term) for term in model.terms if any(factor.numeric for factor in term.factors)]
    )
    best = best_setting(model, region)
    mean, error = model.predict_one(best)
    half = float(t_quantile(model.df)) * error
    where = _best_under_draws(model, region)
    low, high, edge = {}, {}, []
    for factor in numeric:
        coded = np.array(
            [factor.code([run[factor.name]])[0, 0] for run in where if run[factor.name] != ABSENT]
        )
        if not len(coded) or best[factor.name] == ABSENT:
            continue
        ends = np.quantile(coded, [0.025, 0.975])
        low[factor.name], high[factor.name] = (factor.value(float(x)) for x in ends)
        if abs(factor.code([best[factor.name]])[0, 0]) > 0.99:
            edge.append(factor.name)
    _, p = model.p_of(places)
    shown = {name: value for name, value in best.items() if not name.endswith(PRESENCE)}
    return Surface(
        factors=tuple(factor.name for factor in numeric),
        terms=_column_names(model),
        coefficients=model.coefficients,
        p=p,
        residual_sd=float(np.sqrt(model.variance)),
        best=shown,
        best_low=low,
        best_high=high,
        predicted=mean,
        predicted_low=mean - half,
        predicted_high=mean + half,
        at_edge=tuple(edge),
        reading=_read(shown, mean, half, p, tuple(edge)),
    ), []


def _best_under_draws(model: FactorModel, region: Region) -> list[dict[str, Value]]:
    """Where the best is under coefficients as they might have come out: multivariate t around the fit."""
    rng = np.random.default_rng(_SEED)
    scale = np.sqrt(model.df / rng.chisquare(model.df, _DRAWS))
    root = np.linalg.cholesky(model.inverse * model.variance)
    draws = model.coefficients + (rng.standard_normal((_DRAWS, len(root))) @ root.T) * scale[:, None]
    rows = model.matrix(region.candidates)
    return [region.candidates[k] for k in np.argmax(rows @ draws.T, axis=0)]


def _column_names(model: FactorModel) -> tuple[str, ...]:
    names = ["1"]
    for term in model.terms:
        width = len(model.places(term))
        names += [term.name] if width == 1 else [f"{term.name} ({k})" for k in range(1, width + 1)]
    return tuple(names)


def _read(setting: dict[str, Value], predicted: float, half: float, p: float, edge: tuple[str, ...]) -> str:
    where = ", ".join(
        f"{name} {value}" if isinstance(value, str) else f"{name} {value:.4g}"
        for name, value in setting.items()
    )
    if p > 0.05:
        return (
            "A response surface explains no more of the scatter than chance would: its best point "
            f"({where}) is no advice."
        )
    index = with_uncertainty(predicted, half)
    text = f"The response surface is highest at {where}: index {index} (95 %, the mean there)."
    if edge:
        text += f" That is the border of what was tried in {' and '.join(edge)}: better settings may lie beyond it."
    return text + " Weld there to confirm it, if machine limits and procedure allow."
