"""Which settings to weld next: where the model expects an improvement, inside what was tried."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..experiment.comparing import t_quantile
from ..experiment.factors import Factor, Value
from .design import PRESENCE, Design
from .model import LEAST_DF, FactorModel
from .surface import best_setting

if TYPE_CHECKING:
    import pandas as pd

    from .region import Region

Floats = NDArray[np.float64]
COLUMNS = ["predicted", "predicted_u", "weld_low", "weld_high", "expected_improvement"]
_NAMES_ONLY = (
    "the shapes differ by name alone, so nothing says which further one to weld: give what makes them as factor "
    "columns, such as the power shares and widths that `poolwatch beam` writes"
)


def advise(
    design: Design, model: FactorModel | None, region: Region | None, *, count: int
) -> tuple[pd.DataFrame, list[str]]:
    """Settings to weld next, best first, inside the region that was tried.

    Each is where the expected improvement over the best setting tried is largest, with the settings before it taken
    as welded: they make the model surer and leave its prediction. So one setting may come twice: to be welded twice.

    Returns
    -------
    table
        ``beam_shape`` where shapes differ beyond their factors, factor columns, ``predicted`` (mean index there),
        ``predicted_u`` (its standard uncertainty), ``weld_low``, ``weld_high`` (95 % interval of one weld there),
        ``expected_improvement`` (index points of the mean over the best setting tried); empty where too little is
        known.
    remarks
        Why it is empty.
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
    made = []
    for run, gain in improvements(model, region, count):
        row = model.matrix([run])
        mean, error = model.predict(row)
        half = float(t_quantile(model.df)) * float(np.hypot(error[0], np.sqrt(model.variance)))
        made.append(
            [
                *(run[factor.name] for factor in named),
                mean[0],
                error[0],
                max(mean[0] - half, 0.0),
                min(mean[0] + half, max(100.0, mean[0])),
                gain,
            ]
        )
    return pd.DataFrame(made, columns=table.columns), []


def _why_not(model: FactorModel) -> str:
    """Why nothing can be advised, empty where something can."""
    if model.error_from != "residuals":
        return "no setting can be advised, for no error is known: repeat some welds first"
    if model.df < LEAST_DF:
        return (
            f"{model.rows} welds are too few to say what to weld next: {model.df:g} degrees of freedom are left for "
            f"the error; weld at least {LEAST_DF - int(model.df)} more"
        )
    if model.p_of(model.chosen_places())[1] > 0.05:
        return (
            "no setting can be advised: together the factors explain no more of the scatter than chance would; weld "
            "more before you choose"
        )
    return ""


def improvements(model: FactorModel, region: Region, count: int) -> list[tuple[dict[str, Value], float]]:
    """Settings with the largest expected improvement, and how large it is.

    The fit overrates what looks best; its effects are drawn towards none by what they exceed of chance, 1 - (k-2)/(k F)
    with F over k coefficients, so that the improvement expected is the one that comes on average.

    References
    ----------
    Jones D. R., Schonlau M., Welch W. J., J. Global Optim. 13 (1998) 455-492, doi:10.1023/A:1008306431147, for expected
    improvement.
    James W., Stein C., Proc. 4th Berkeley Symp. 1 (1961) 361-379, for drawing estimates together.
    Ginsbourger D., Le Riche R., Carraro L. 2010, doi:10.1007/978-3-642-10701-6_6, for several at once.
    """
    candidates = [*region.candidates, best_setting(model, region)]
    rows = model.matrix(candidates)
    tried = model.matrix(region.tried)
    best = tried[int(np.argmax(tried @ model.coefficients))]
    places = model.chosen_places()
    k = len(places)
    drawn = max(0.0, 1 - max(k - 2, 0.5) / k / model.p_of(places)[0])
    apart = rows - best
    inverse = model.inverse.copy()
    found = []
    for _ in range(count):
        error = np.sqrt(
            np.maximum(np.einsum("ni,ij,nj->n", apart, inverse, apart), 0) * model.variance * drawn
        )
        gain = expected_improvement(drawn * (apart @ model.coefficients), error, model.df)
        place = int(np.argmax(gain))
        found.append((candidates[place], float(gain[place])))
        row = rows[place]
        along = inverse @ row
        inverse = inverse - np.outer(along, along) / (1 + row @ along)
    return found


def expected_improvement(mean: Floats, error: Floats, df: float) -> Floats:
    """Mean of the positive part of variables that follow Student's distribution, moved and scaled; df above 1."""
    from scipy.stats import t

    with np.errstate(divide="ignore", invalid="ignore"):
        z = mean / error
        gain = mean * t.cdf(z, df) + error * (df + z**2) / (df - 1) * t.pdf(z, df)
    return np.asarray(np.where(error > 0, gain, np.maximum(mean, 0)))
