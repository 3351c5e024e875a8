"""What process factors do to the index: main effects and interactions, and what the design cannot say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .design import Design, Floats, Term, interactions, main_effects, read_design, stacked, without_aliases
from .gauss import suggest_next
from .surface import Surface, fit_surface

if TYPE_CHECKING:
    import pandas as pd

EFFECT_COLUMNS = ["term", "level", "effect", "effect_low", "effect_high", "p", "error_from"]


@dataclass(frozen=True)
class FactorStudy:
    """Effects of the factors on the stability index.

    Attributes
    ----------
    effects
        One row an effect: ``term``; ``level`` for words with more than two levels; ``effect`` in index points
        (change from the lowest to the highest value, or from the first word to the second; for a level its
        departure from the mean of the levels); ``effect_low``, ``effect_high`` (95 %); ``p``; ``error_from``
        (``residuals``, ``lenth`` or empty where no error is known).
    surface
        Quadratic response surface with its best point, None where the design does not allow one.
    next_welds
        Settings to weld next: ``beam_shape`` where shapes differ beyond their factors, factor columns,
        ``predicted``, ``predicted_u``, ``expected_improvement``; empty where too little is known.
    remarks
        What the design cannot answer, one sentence each.
    reading
        The result in plain words.
    """

    effects: pd.DataFrame
    surface: Surface | None
    next_welds: pd.DataFrame
    remarks: tuple[str, ...]
    reading: str


def study_factors(scores: pd.DataFrame, *, next_count: int = 3) -> FactorStudy:
    """Main effects, interactions, response surface and the next welds.

    Parameters
    ----------
    scores
        One row a weld: ``clip``, ``beam_shape``, ``stability_index`` and columns ``factor_…``.
    next_count
        Settings to suggest.
    """
    import pandas as pd

    design = read_design(scores)
    remarks = list(design.remarks)
    effects = pd.DataFrame(columns=EFFECT_COLUMNS)
    surface = None
    if design.factors:
        effects, said = estimate_effects(design)
        remarks += said
    if design.chosen:
        surface, said = fit_surface(design)
        remarks += said
    next_welds, said = suggest_next(design, count=next_count)
    remarks += said
    return FactorStudy(effects, surface, next_welds, tuple(remarks), _read(design, effects, surface))


def estimate_effects(design: Design) -> tuple[pd.DataFrame, list[str]]:
    """Effects by least squares, with intervals from the residuals, or after Lenth where none are left.

    References
    ----------
    Montgomery D. C., Design and Analysis of Experiments, chapters 6 and 8, for effects and aliases.
    Lenth R. V., Quick and easy analysis of unreplicated factorials, Technometrics 31 (1989) 469-473,
    doi:10.1080/00401706.1989.10488595.
    """
    import pandas as pd
    import statsmodels.api as sm

    rows = len(design.rows)
    mains, confused = without_aliases(main_effects(design))
    if mains[-1].name == "beam_shape" and stacked(mains, rows).shape[1] >= rows:
        mains.pop()
    remarks = [
        f"{term.name} cannot be told from {' and '.join(names) or 'the mean'}: they were varied together"
        for term, names in confused
        if term.name != "beam_shape"
    ]
    terms, aliased = without_aliases(mains + interactions(mains))
    remarks += [f"{term.name} is mixed up with {' and '.join(names)}" for term, names in aliased]
    matrix = stacked(terms, rows)
    saturated = matrix.shape[1] >= rows
    if saturated and not _orthogonal(matrix):
        terms = mains
        matrix = stacked(terms, rows)
        saturated = matrix.shape[1] >= rows
        remarks.append(
            "too few welds for interactions: main effects only, which stand for both if there are any"
        )
    fit = sm.OLS(design.rows["stability_index"].to_numpy(dtype=float), matrix).fit()
    made: list[dict[str, Any]] = []
    start = 1
    for term in terms:
        width = term.columns.shape[1]
        made += _effect_rows(term, fit, start, saturated)
        start += width
    effects = pd.DataFrame(made, columns=EFFECT_COLUMNS)
    if saturated:
        remarks.append(_lenth(effects, orthogonal=_orthogonal(matrix)))
    elif fit.df_resid < 4:
        remarks.append(
            f"the error rests on {int(fit.df_resid)} degree{'s' if fit.df_resid > 1 else ''} of freedom only: "
            "intervals are wide; repeat welds"
        )
    return effects, remarks


def _effect_rows(term: Term, fit: Any, start: int, saturated: bool) -> list[dict[str, Any]]:
    """Rows of the table for one term."""
    width = term.columns.shape[1]
    places = np.arange(start, start + width)
    if term.two_ended:
        contrasts, levels = [(1, 2.0)], [""]
        if not term.factors[0].numeric and len(term.factors) == 1:
            levels = [" to ".join(map(str, term.factors[0].levels))]
    elif len(term.factors) == 1:
        contrasts, levels = (
            [(k, 1.0) for k in range(1, width + 2)],
            [str(level) for level in term.factors[0].levels],
        )
    else:
        # An interaction of words with many levels: one test for all of it.
        contrast = np.zeros((width, len(fit.params)))
        contrast[np.arange(width), places] = 1
        p = np.nan if saturated else float(fit.f_test(contrast).pvalue)
        return [
            dict(
                zip(
                    EFFECT_COLUMNS,
                    (term.name, "any", np.nan, np.nan, np.nan, p, "" if saturated else "residuals"),
                    strict=True,
                )
            )
        ]
    made = []
    for (k, size), level in zip(contrasts, levels, strict=True):
        vector = np.zeros(len(fit.params))
        if k <= width:
            vector[places[k - 1]] = size
        else:
            # The last level's departure: all of them add up to nothing.
            vector[places] = -size
        low = high = p = np.nan
        if not saturated:
            test = fit.t_test(vector)
            low, high = test.conf_int()[0]
            p = float(test.pvalue)
        effect = float(vector @ fit.params)
        source = "" if saturated else "residuals"
        made.append(dict(zip(EFFECT_COLUMNS, (term.name, level, effect, low, high, p, source), strict=True)))
    return made


def _lenth(effects: pd.DataFrame, *, orthogonal: bool) -> str:
    """Fill in margins of error after Lenth; say what they rest on."""
    from scipy.stats import t

    count = len(effects)
    if not orthogonal or count < 5:
        return "no weld is left over to know the error: effects stand without intervals; repeat some welds"
    size = effects["effect"].abs()
    first = 1.5 * size.median()
    error = 1.5 * size[size < 2.5 * first].median() if first > 0 else 0.0
    df = count / 3
    margin = t.ppf(0.975, df) * error
    effects["effect_low"], effects["effect_high"] = effects["effect"] - margin, effects["effect"] + margin
    effects["p"] = 2 * t.sf(size / error, df) if error > 0 else np.nan
    effects["error_from"] = "lenth"
    return (
        "no weld is repeated: the error is guessed from the smallest effects (Lenth 1989); repeat some welds"
    )


def _orthogonal(matrix: Floats) -> bool:
    product = matrix.T @ matrix
    return bool(np.allclose(product, np.diag(product.diagonal()), atol=1e-9 * len(matrix)))


def _read(design: Design, effects: pd.DataFrame, surface: Surface | None) -> str:
    if not design.factors:
        return "No factor was varied, so nothing can be said of factors."
    sure = effects[(effects["effect_low"] > 0) | (effects["effect_high"] < 0)]
    sure = sure.reindex(sure["effect"].abs().sort_values(ascending=False, kind="stable").index)
    if len(sure):
        words = "; ".join(
            f"{row.term}{f' ({row.level})' if row.level else ''} {row.effect:+.1f} ({row.effect_low:+.1f} to "
            f"{row.effect_high:+.1f})"
            for row in sure.head(5).itertuples()
        )
        sentence = (
            "Effects on the index that stand out of the scatter, in index points (numbers from low to high, one of "
            f"several words against the mean of all): {words}."
        )
    else:
        sentence = "No factor's effect on the index stands out of the scatter of these welds."
    return f"{sentence} {surface.reading}" if surface is not None else sentence
