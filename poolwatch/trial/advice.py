"""Which settings to weld next: where the model expects an improvement, inside what was tried."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..experiment.comparing import t_quantile
from ..experiment.factors import Factor, Run, Value
from .design import PRESENCE, Design
from .model import LEAST_DF, FactorModel
from .surface import best_setting

if TYPE_CHECKING:
    import pandas as pd

    from .region import Region

Floats = NDArray[np.float64]
LEVEL = 0.05
"""Chance with which settings are advised where no factor does anything."""
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
        low, high = weld_interval(model, run)
        mean, error = model.predict(model.matrix([run]))
        made.append([*(run[factor.name] for factor in named), mean[0], error[0], low, high, gain])
    return pd.DataFrame(made, columns=table.columns), []


def weld_interval(model: FactorModel, run: Run) -> tuple[float, float]:
    """Between which values 95 % of welds with an advised setting come out, within 0 to 100.

    The lower end is counted from the prediction with effects drawn towards none, for what was chosen as the best is
    overrated.
    """
    row = model.matrix([run])
    mean, error = model.predict(row)
    half = float(t_quantile(model.df)) * float(np.hypot(error[0], np.sqrt(model.variance)))
    places = model.chosen_places()
    part = float(row[0, places] @ model.coefficients[places])
    lower = min(float(mean[0]), float(mean[0]) - (1 - _drawn(model)) * part)
    return max(lower - half, 0.0), min(float(mean[0]) + half, max(100.0, float(mean[0])))


def _drawn(model: FactorModel) -> float:
    places = model.chosen_places()
    return shrinkage(model.p_of(places)[0], len(places), model.df)


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


def improvements(model: FactorModel, region: Region, count: int) -> list[tuple[dict[str, Value], float]]:
    """The setting predicted best, then those with the largest expected improvement; and how large it is.

    The fit overrates what looks best, so its effects are drawn towards none (`shrinkage`) before an improvement is
    expected of them.

    References
    ----------
    Jones D. R., Schonlau M., Welch W. J., J. Global Optim. 13 (1998) 455-492, doi:10.1023/A:1008306431147, for expected
    improvement.
    Ginsbourger D., Le Riche R., Carraro L. 2010, doi:10.1007/978-3-642-10701-6_6, for several at once.
    """
    candidates = [*region.candidates, best_setting(model, region)]
    rows = model.matrix(candidates)
    tried = model.matrix(region.tried)
    best = tried[int(np.argmax(tried @ model.coefficients))]
    drawn = _drawn(model)
    apart = rows - best
    inverse = model.inverse.copy()
    found: list[tuple[dict[str, Value], float]] = []
    for _ in range(count):
        error = np.sqrt(
            np.maximum(np.einsum("ni,ij,nj->n", apart, inverse, apart), 0) * model.variance * drawn
        )
        gain = expected_improvement(drawn * (apart @ model.coefficients), error, model.df)
        place = int(np.argmax(gain)) if found else len(rows) - 1
        found.append((candidates[place], float(gain[place])))
        row = rows[place]
        along = inverse @ row
        inverse = inverse - np.outer(along, along) / (1 + row @ along)
    return found


def shrinkage(f: float, count: int, df: float) -> float:
    """Share of fitted effects that is left when what chance adds is taken out, for effects that passed the F test.

    Effects are taken to be normal about none in the metric of the design, (1 + g) times the error's variance in all:
    f / (1 + g) follows F, cut off below the critical value, for only then is anything advised. The most likely g gives
    g / (1 + g).

    References
    ----------
    Zellner A. 1986, On assessing prior distributions and Bayesian regression analysis with g-prior distributions.
    """
    from scipy.special import fdtrc, fdtri

    cut = float(fdtri(count, df, 1 - LEVEL))
    scale = np.exp(np.linspace(0, np.log(max(f, 1.0)) + 1, 400))
    x = f / scale
    density = (count / 2 - 1) * np.log(x) - (count + df) / 2 * np.log1p(count * x / df)
    likely = density - np.log(scale) - np.log(fdtrc(count, df, cut / scale))
    return float(1 - 1 / scale[int(np.argmax(likely))])


def expected_improvement(mean: Floats, error: Floats, df: float) -> Floats:
    """Mean of the positive part of variables that follow Student's distribution, moved and scaled; df above 1."""
    from scipy.stats import t

    with np.errstate(divide="ignore", invalid="ignore"):
        z = mean / error
        gain = mean * t.cdf(z, df) + error * (df + z**2) / (df - 1) * t.pdf(z, df)
    return np.asarray(np.where(error > 0, gain, np.maximum(mean, 0)))
