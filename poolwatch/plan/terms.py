"""Models of a design: terms and their columns."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..model.errors import UsageError
from .factors import PlanFactor, Value

Floats = NDArray[np.float64]
Model = Literal["main", "interactions", "quadratic"]


@dataclass(frozen=True)
class ModelTerm:
    """A main effect, interaction or square, and its columns, shape (runs, n)."""

    name: str
    order: int
    columns: Floats


def model_terms(
    factors: tuple[PlanFactor, ...], runs: list[dict[str, Value]], model: Model
) -> list[ModelTerm]:
    """Terms of a model for a list of runs, without the constant.

    Parameters
    ----------
    factors
        What is varied.
    runs
        Value by factor name.
    model
        ``main``: main effects; ``interactions``: and products of two; ``quadratic``: and squares of numbers with
        a range or three levels.
    """
    mains = [ModelTerm(f.name, 1, f.code([run[f.name] for run in runs])) for f in factors]
    terms = list(mains)
    if model in ("interactions", "quadratic"):
        terms += [
            ModelTerm(
                f"{a.name} x {b.name}",
                2,
                np.einsum("ni,nj->nij", a.columns, b.columns).reshape(len(runs), -1),
            )
            for a, b in combinations(mains, 2)
        ]
    if model == "quadratic":
        terms += [
            ModelTerm(f"{f.name}²", 2, term.columns**2)
            for f, term in zip(factors, mains, strict=True)
            if f.numeric and (f.ranged or len(f.levels) > 2)
        ]
    return terms


def matrix_of(terms: list[ModelTerm], runs: int) -> Floats:
    """The model's matrix: a column of ones, then the terms' columns."""
    return np.hstack([np.ones((runs, 1)), *(term.columns for term in terms)])


def grid(factors: tuple[PlanFactor, ...], model: Model) -> list[dict[str, Value]]:
    """Every combination of levels; a range has its ends, and its middle for a quadratic model.

    Raises
    ------
    UsageError
        More than 20,000 combinations.
    """
    from itertools import product

    levels = [
        (f.value(-1), f.value(0), f.value(1)) if f.ranged and model == "quadratic" else f.levels
        for f in factors
    ]
    total = int(np.prod([len(one) for one in levels], dtype=float))
    if total > 20_000:
        raise UsageError(
            f"{total} combinations are too many to choose from; give fewer levels, or --candidates"
        )
    names = [f.name for f in factors]
    return [dict(zip(names, values, strict=True)) for values in product(*levels)]


def without_aliases(
    terms: list[ModelTerm], runs: int, first: list[ModelTerm] | None = None
) -> tuple[list[ModelTerm], dict[str, tuple[str, ...]]]:
    """Terms that can be told from those before them, and what the others are mixed up with.

    Parameters
    ----------
    terms
        In order of importance.
    runs
        How many.
    first
        Terms that come before all, such as blocks.
    """
    first = first or []
    kept: list[ModelTerm] = []
    aliased: dict[str, tuple[str, ...]] = {}
    for term in terms:
        known = [*first, *kept]
        basis = matrix_of(known, runs)
        both = np.hstack([basis, term.columns])
        if np.linalg.matrix_rank(both) == basis.shape[1] + term.columns.shape[1]:
            kept.append(term)
            continue
        solution = np.linalg.lstsq(basis, term.columns, rcond=None)[0]
        names = ["the mean"] if np.abs(solution[0]).max() > 1e-6 and not known else []
        place = 1
        for other in known:
            width = other.columns.shape[1]
            if np.abs(solution[place : place + width]).max(initial=0.0) > 1e-6:
                names.append(other.name)
            place += width
        aliased[term.name] = tuple(names) or ("the mean",)
    return kept, aliased
