"""Which settings to weld next: where the model expects an improvement, inside what was tried."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..experiment.comparing import t_quantile
from ..experiment.factors import Factor, Run, Value
from .design import PRESENCE, Design
from .model import LEAST_DF, FactorModel
from .posterior import Posterior, posterior_of
from .surface import best_setting

if TYPE_CHECKING:
    import pandas as pd

    from .region import Region

LEVEL = 0.05
"""Chance with which settings are advised where no factor does anything."""
# An improvement below this share of the scatter of a weld is none that anybody could show by welding.
_LEAST_GAIN = 0.01
COLUMNS = ["predicted", "predicted_u", "weld_low", "weld_high", "expected_improvement"]
_NAMES_ONLY = (
    "the shapes differ by name alone, so nothing says which further one to weld: give what makes them as factor "
    "columns, such as the power shares and widths that `poolwatch beam` writes"
)

_NO_MORE = (
    "within what was tried hardly any further setting is expected to be better than those advised: better ones may lie "
    "beyond, in wider ranges or in another factor"
)


def advise(
    design: Design, model: FactorModel | None, region: Region | None, *, count: int
) -> tuple[pd.DataFrame, list[str]]:
    """Settings to weld next, best first, inside the region that was tried.

    Each is where the expected improvement over the best setting tried is largest, with the settings before it taken
    as welded: they make the model surer and leave its prediction. So one setting may come twice: to be welded twice.
    Where hardly any is expected there are fewer than `count`.

    Returns
    -------
    table
        ``beam_shape`` where shapes differ beyond their factors, factor columns, ``predicted`` (mean index there),
        ``predicted_u`` (its standard uncertainty), ``weld_low``, ``weld_high`` (95 % interval of one weld there),
        ``expected_improvement`` (index points of the mean over the best setting tried); empty where too little is
        known.
    remarks
        Why it is empty, or has fewer rows.
    """
    import pandas as pd

    factors: tuple[Factor, ...] = () if region is None else region.factors
    named = [factor for factor in factors if not factor.name.endswith(PRESENCE)]
    table = pd.DataFrame(columns=[*(factor.column for factor in named), *COLUMNS])
    if model is None or region is None or not design.chosen:
        return table, [_NAMES_ONLY] if design.shape is not None else []
    why = _why_not(model)
    if why:
        return table, [why]
    posterior = posterior_of(model.terms, model.matrix(design.runs), design.index)
    made = []
    for run, gain in improvements(model, region, posterior, count):
        low, high = weld_interval(model, posterior, run)
        mean, error = model.predict_one(run)
        made.append([*(run[factor.name] for factor in named), mean, error, low, high, gain])
    table = pd.DataFrame(made, columns=table.columns)
    return table, [_NO_MORE] if len(table) < count else []


def weld_interval(model: FactorModel, posterior: Posterior, run: Run) -> tuple[float, float]:
    """Between which values 95 % of welds with an advised setting come out, within 0 to 100.

    The lower end is counted from what the posterior expects, for the fit overrates what was chosen as the best.
    """
    mean, error = model.predict_one(run)
    half = float(t_quantile(model.df)) * float(np.hypot(error, np.sqrt(model.variance)))
    lower = min(mean, (model.matrix([run]) @ posterior.mean).item())
    return max(lower - half, 0.0), min(mean + half, max(100.0, mean))


def _why_not(model: FactorModel) -> str:
    """Why nothing can be advised, empty where something can."""
    if model.error_from != "residuals":
        return "no setting can be advised, for no error is known: repeat some welds first"
    if model.df < LEAST_DF:
        return (
            f"{model.rows} welds are too few to say what to weld next: {model.df:g} degrees of freedom are left for "
            f"the error; weld at least {LEAST_DF - int(model.df)} more"
        )
    if model.p_of(model.chosen_places())[1] > LEVEL:
        return (
            "no setting can be advised: together the factors explain no more of the scatter than chance would; weld "
            "more before you choose"
        )
    return ""


def improvements(
    model: FactorModel, region: Region, posterior: Posterior, count: int
) -> list[tuple[dict[str, Value], float]]:
    """The setting predicted best, then those with the largest expected improvement, if any; and how large it is.

    The fit chooses the first and overrates it; what may be expected of it and of the others is the posterior's.

    References
    ----------
    Jones D. R., Schonlau M., Welch W. J. 1998, see `poolwatch.trial.posterior`, for ending where little is expected.
    Ginsbourger D., Le Riche R., Carraro L. 2010, doi:10.1007/978-3-642-10701-6_6, for several at once.
    """
    candidates = [*region.candidates, best_setting(model, region)]
    rows = model.matrix(candidates)
    tried = model.matrix(region.tried)
    apart = rows - tried[int(np.argmax(tried @ model.coefficients))]
    found: list[tuple[dict[str, Value], float]] = []
    for _ in range(count):
        gain = posterior.improvement(apart)
        place = int(np.argmax(gain)) if found else len(rows) - 1
        if found and gain[place] < _LEAST_GAIN * np.sqrt(model.variance):
            break
        found.append((candidates[place], float(gain[place])))
        posterior = posterior.with_weld(rows[place])
    return found
