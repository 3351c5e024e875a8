"""Factors of a trial, coded for models: numbers from -1 to +1, words as departures from their mean."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
BLOCK = "block"
"""The factor that holds days, sheets, batches: it is taken out of the scatter, but nobody can choose it."""
SHAPE = "beam_shape"


@dataclass(frozen=True)
class Factor:
    """A process factor as it was varied.

    Attributes
    ----------
    name
        Without the prefix ``factor_``.
    levels
        Values that occur, sorted: numbers, or words.
    """

    name: str
    levels: tuple[float, ...] | tuple[str, ...]

    @property
    def numeric(self) -> bool:
        """Whether its levels are numbers."""
        return not isinstance(self.levels[0], str)

    @property
    def column(self) -> str:
        """Its column in score rows."""
        return SHAPE if self.name == SHAPE else f"factor_{self.name}"

    def code(self, values: pd.Series) -> Floats:
        """Columns of the model: one from -1 to +1 for numbers and pairs of words, else one a level but the last.

        Returns
        -------
        NDArray
            Shape (rows, columns).
        """
        if self.numeric:
            low, high = float(self.levels[0]), float(self.levels[-1])
            numbers = np.asarray(values, dtype=np.float64)[:, None]
            return np.asarray((2 * numbers - high - low) / (high - low))
        place: Floats = np.array([self.levels.index(value) for value in values], dtype=np.float64)
        if len(self.levels) == 2:
            return np.asarray(place[:, None] * 2 - 1)
        coded: Floats = (place[:, None] == np.arange(len(self.levels) - 1)).astype(float)
        coded[place == len(self.levels) - 1] = -1
        return coded

    def decode(self, coded: float) -> float:
        """The number that stands at a coded place."""
        low, high = float(self.levels[0]), float(self.levels[-1])
        return low + (coded + 1) / 2 * (high - low)


@dataclass(frozen=True)
class Term:
    """One effect of the model: a main effect or an interaction, and its columns.

    Attributes
    ----------
    name
        ``power`` or ``power x gas``.
    factors
        The factors in it.
    columns
        Shape (rows, columns).
    """

    name: str
    factors: tuple[Factor, ...]
    columns: Floats

    @property
    def two_ended(self) -> bool:
        """Whether one number says it all: the change from the low to the high end."""
        return bool(self.columns.shape[1] == 1)


@dataclass(frozen=True)
class Design:
    """What was varied, and which welds say anything about it.

    Attributes
    ----------
    rows
        Welds with an index and all factors given, index reset.
    factors
        Those that were varied.
    remarks
        Sentences on what cannot be used.
    """

    rows: pd.DataFrame
    factors: tuple[Factor, ...]
    remarks: tuple[str, ...]

    @property
    def chosen(self) -> tuple[Factor, ...]:
        """Factors that can be chosen for a further weld: all but the block."""
        return tuple(factor for factor in self.factors if factor.name != BLOCK)


def read_design(scores: pd.DataFrame) -> Design:
    """Find the factors in the ``factor_…`` columns.

    A column that is empty throughout or holds one value is no factor; a weld without a value is left out.
    """
    remarks = []
    names = [name for name in scores if name.startswith("factor_")]
    empty = [name for name in names if scores[name].isna().all() or (scores[name].astype(str) == "").all()]
    names = [name for name in names if name not in empty]
    given = ~scores[names].isna() & (scores[names].astype(str) != "")
    whole = given.all(axis=1) & scores["stability_index"].notna()
    rows = scores[whole].reset_index(drop=True)
    if not whole.all():
        remarks.append(
            f"left out, because a factor or the index is missing: {', '.join(scores.loc[~whole, 'clip'])}"
        )
    factors = []
    for name in names:
        values = rows[name].tolist()
        # Blocks have no order for a model to follow, however they are named.
        words = name == f"factor_{BLOCK}" or any(isinstance(value, str) for value in values)
        levels = sorted({str(v) for v in values}) if words else sorted({float(v) for v in values})
        if len(levels) < 2:
            remarks.append(f"{name.removeprefix('factor_')} was not varied: nothing can be said of it")
        else:
            factors.append(Factor(name.removeprefix("factor_"), tuple(levels)))  # type: ignore[arg-type]
    return Design(rows, tuple(factors), tuple(remarks))


def coded_factor(design: Design, factor: Factor) -> Floats:
    """Columns of a factor for the design's rows."""
    values = design.rows[factor.column]
    return factor.code(values if factor.numeric else values.astype(str))


def main_effects(design: Design) -> list[Term]:
    """A term a factor, and one for the beam shape where shapes differ beyond their factors."""
    terms = [Term(factor.name, (factor,), coded_factor(design, factor)) for factor in design.factors]
    shapes = sorted(set(design.rows["beam_shape"]))
    if len(shapes) > 1:
        shape = Factor(SHAPE, tuple(shapes))
        terms.append(Term(SHAPE, (shape,), shape.code(design.rows[SHAPE])))
    return terms


def interactions(mains: list[Term]) -> list[Term]:
    """All pairs of factors; beam shape and block are left out of them."""
    pairs = combinations([term for term in mains if term.name not in (SHAPE, BLOCK)], 2)
    return [
        Term(
            f"{a.name} x {b.name}",
            a.factors + b.factors,
            np.einsum("ni,nj->nij", a.columns, b.columns).reshape(len(a.columns), -1),
        )
        for a, b in pairs
    ]


def told_apart(design: Design) -> list[Term]:
    """Main effects that the welds tell apart, without the beam shape where it would leave no weld for the error."""
    mains, _ = without_aliases(main_effects(design))
    if mains and mains[-1].name == SHAPE and stacked(mains, len(design.rows)).shape[1] >= len(design.rows):
        mains.pop()
    return mains


def without_aliases(terms: list[Term]) -> tuple[list[Term], list[tuple[Term, list[str]]]]:
    """Keep terms that can be told from those before them.

    Returns
    -------
    kept
        Estimable together.
    aliased
        Each of the others, with the names of the terms that it is mixed up with.
    """
    kept: list[Term] = []
    aliased = []
    for term in terms:
        basis = stacked(kept, len(term.columns))
        both = np.hstack([basis, term.columns])
        if np.linalg.matrix_rank(both) == basis.shape[1] + term.columns.shape[1]:
            kept.append(term)
            continue
        solution = np.linalg.lstsq(basis, term.columns, rcond=None)[0][1:]
        names, start = [], 0
        for other in kept:
            width = other.columns.shape[1]
            if np.abs(solution[start : start + width]).max(initial=0) > 1e-6:
                names.append(other.name)
            start += width
        aliased.append((term, names))
    return kept, aliased


def stacked(terms: list[Term], rows: int) -> Floats:
    """The model's matrix: a column of ones, then the terms' columns."""
    return np.hstack([np.ones((rows, 1)), *(term.columns for term in terms)])
