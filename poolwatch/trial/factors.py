"""What process factors do to the index, and what the design cannot say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..experiment.comparing import holm
from ..experiment.factors import BLOCK
from ..experiment.limits import Limits
from ..experiment.terms import Term
from ..model.rounding import with_interval
from .advice import advise
from .design import Floats, read_design
from .model import FactorModel, fit_model
from .region import region_of
from .surface import Surface, find_best

if TYPE_CHECKING:
    import pandas as pd

EFFECT_COLUMNS = [
    "term", "level", "effect", "effect_low", "effect_high", "p", "p_holm", "error_from", "p_term", "df",
]  # fmt: skip


@dataclass(frozen=True)
class FactorStudy:
    """Effects of the factors on the stability index.

    Attributes
    ----------
    effects
        One row an effect: ``term``; ``level`` for words with more than two levels, directions around the circle and
        squares; ``effect`` in index points (change from the lowest to the highest value, from the first word to the
        second, or from the opposite direction; for a level its departure from the mean of the levels; for a square how
        far the ends are above the middle); ``effect_low``, ``effect_high`` (95 %, for this effect alone); ``p`` of a
        t test of it; ``p_holm``, Holm's correction over all effects, the block apart, each term with the same share of
        the error; ``error_from`` (``residuals``, ``lenth`` or empty where no error is known); ``p_term`` of the F test
        of the whole term; ``df`` behind the error.
    surface
        Best point of the model within what was tried, None where the design does not allow one.
    next_welds
        Settings to weld next, see `advise`; empty where too little is known.
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


def study_factors(scores: pd.DataFrame, *, next_count: int = 3, limits: Limits | None = None) -> FactorStudy:
    """Main effects, interactions, response surface and the next welds, all from one model (`fit_model`).

    Parameters
    ----------
    scores
        One row a weld: ``clip``, ``beam_shape``, ``stability_index`` and columns ``factor_…``; ``absent`` where a
        weld lacks the part.
    next_count
        Settings to suggest.
    limits
        What the plan forbids.
    """
    import pandas as pd

    design = read_design(scores, limits)
    remarks = list(design.remarks)
    effects = pd.DataFrame(columns=EFFECT_COLUMNS)
    if not design.factors or not len(design.runs):
        next_welds, said = advise(design, None, None, count=next_count)
        return FactorStudy(effects, None, next_welds, (*remarks, *said), _NOTHING_VARIED)
    model = fit_model(design)
    remarks += model.remarks
    effects = effect_table(model)
    region = region_of(design, model, limits) if design.chosen else None
    surface, said = find_best(model, region)
    remarks += said
    next_welds, said = advise(design, model, region, count=next_count)
    remarks += said
    reading = _read(model, effects)
    if surface is not None:
        reading = f"{reading} {surface.reading}"
    return FactorStudy(effects, surface, next_welds, tuple(remarks), reading)


_NOTHING_VARIED = "No factor was varied, so nothing can be said of factors."


def effect_table(model: FactorModel) -> pd.DataFrame:
    """Effects with intervals, p, and Holm's correction over them; see `FactorStudy.effects`."""
    import pandas as pd

    made = [row for term in model.terms for row in _effect_rows(term, model)]
    effects = pd.DataFrame(made, columns=EFFECT_COLUMNS)
    corrected = effects["term"] != BLOCK
    # However many levels a term has, it may use no more of the error than any other.
    share = 1 / effects.groupby("term")["term"].transform("count").astype(float)
    effects["p_holm"] = holm(effects["p"].where(corrected), share)
    return effects


def _effect_rows(term: Term, model: FactorModel) -> list[dict[str, Any]]:
    """Rows of the table for one term."""
    places = model.places(term)
    whole = model.p_of(places)[1]
    made = []
    for level, weights in _contrasts(term, len(places)):
        vector = np.zeros(len(model.coefficients))
        vector[places] = weights
        made.append((term.name, level, *model.contrast(vector)))
    if not made:
        # Words with many levels or directions in an interaction: one test for all of it.
        made.append((term.name, "any", np.nan, np.nan, np.nan, whole))
    df = model.df if model.error_from else np.nan
    return [
        dict(zip(EFFECT_COLUMNS, (*row, np.nan, model.error_from, whole, df), strict=True)) for row in made
    ]


def _contrasts(term: Term, width: int) -> list[tuple[str, Floats]]:
    """Name and weights of each effect of a term."""
    factor = term.first
    if term.square:
        return [("ends against the middle", np.ones(1))]
    if width == 1:
        words = term.order == 1 and not factor.numeric
        return [(f"{factor.shown(0)} to {factor.shown(1)}" if words else "", np.array([2.0]))]
    if term.order > 1:
        return []
    if factor.round:
        turn = factor.period / 360
        names = (f"{180 * turn:g}° to 0°", f"{-90 * turn:g}° to {90 * turn:g}°")
        return list(zip(names, 2 * np.eye(2), strict=True))
    # The last level's departure: all of them add up to nothing.
    weights = np.vstack([np.eye(width), -np.ones(width)])
    return [(factor.shown(k), row) for k, row in enumerate(weights)]


def _read(model: FactorModel, effects: pd.DataFrame) -> str:
    if not model.error_from:
        return (
            "No error is known, so the effects of the factors on the index can be put in order but not tested: "
            f"{_largest(effects)}. Repeat some welds."
        )
    sure = effects[(effects["p_holm"] <= 0.05) & effects["effect"].notna()]
    if len(sure):
        return (
            f"Effects on the index that exceed the scatter, in index points{_counted_from(sure, effects)}: "
            f"{_worded(sure)}."
        )
    half = (effects["effect_high"] - effects["effect_low"]) / 2
    _, p = model.p_of(model.chosen_places())
    together = (
        f" Together the factors change the index more than chance would (p {p:.2g}): weld more to see which."
        if p <= 0.05
        else ""
    )
    return (
        "No factor's effect on the index exceeds the scatter of these welds, which show an effect to "
        f"± {half.median():.2g} points.{together}"
    )


def _counted_from(shown: pd.DataFrame, effects: pd.DataFrame) -> str:
    """From where to where the effects shown count, as far as their levels do not say so."""
    levels = effects["term"].value_counts()
    said = ["of a number from its lowest to its highest value"] if (shown["level"] == "").any() else []
    if (shown["term"].map(levels) > 2).any():
        said.append("of a word against the mean of all words")
    return f" ({', '.join(said)})" if said else ""


def _worded(effects: pd.DataFrame) -> str:
    ordered = effects.reindex(effects["effect"].abs().sort_values(ascending=False, kind="stable").index)
    return "; ".join(
        f"{row.term}{f' ({row.level})' if row.level else ''} "
        f"{with_interval(row.effect, row.effect_low, row.effect_high, plus=True)}"
        for row in ordered.head(5).itertuples()
    )


def _largest(effects: pd.DataFrame) -> str:
    known = effects[effects["effect"].notna() & (effects["term"] != BLOCK)]
    ordered = known.reindex(known["effect"].abs().sort_values(ascending=False, kind="stable").index)
    return "; ".join(
        f"{row.term}{f' ({row.level})' if row.level else ''} {row.effect:+.1f}"
        for row in ordered.head(5).itertuples()
    )
