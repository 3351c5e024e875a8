"""Terms of a linear model of a designed experiment: main effects, products, squares; which can be separated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .factors import ABSENT, BLOCK, SHAPE, Factor, Run

Floats = NDArray[np.float64]
Kind = Literal["main", "interactions", "quadratic"]
# A coefficient of a term in another that is rounding.
_ROUNDING = 1e-6


@dataclass(frozen=True)
class Term:
    """A main effect, a product of two factors, or a square.

    Attributes
    ----------
    factors
        One, or the two of a product; the same twice for a square.
    """

    factors: tuple[Factor, ...]

    @property
    def first(self) -> Factor:
        """Its factor, or the first of two."""
        return self.factors[0]

    @property
    def name(self) -> str:
        """``power``, ``power x gas`` or ``power²``."""
        if self.square:
            return f"{self.first.name}²"
        return " x ".join(factor.name for factor in self.factors)

    @property
    def order(self) -> int:
        """1 for main effects, 2 for products and squares."""
        return len(self.factors)

    @property
    def square(self) -> bool:
        """Whether it is a square."""
        return self.order == 2 and len(set(self.factors)) == 1

    @property
    def width(self) -> int:
        """How many columns it has."""
        _, width = self.columns([{}]).shape
        return int(width)

    def columns(self, runs: Sequence[Run]) -> Floats:
        """Its columns of the model's matrix, shape (runs, n); 0 where a part is absent or a factor not given."""
        coded, *others = (
            factor.code([run.get(factor.name, ABSENT) for run in runs]) for factor in self.factors
        )
        if not others:
            return coded
        (other,) = others
        first, second = self.factors
        # What a part's figure does is meant at the mean of its parent's levels that have the part.
        if second.nested_in == first.name:
            coded = coded - first.code(second.within).mean(axis=0)
        elif first.nested_in == second.name:
            other = other - second.code(first.within).mean(axis=0)
        return np.asarray(np.einsum("ni,nj->nij", coded, other).reshape(len(runs), -1))


def main_terms(factors: Sequence[Factor]) -> list[Term]:
    """A main effect of each factor."""
    return [Term((factor,)) for factor in factors]


def product_terms(mains: Sequence[Term]) -> list[Term]:
    """Products of two, but for blocks and shapes, and for a part with the one level that has it."""
    factors = [term.first for term in mains if term.first.name not in (SHAPE, BLOCK)]
    return [Term((a, b)) for a, b in combinations(factors, 2) if not (_bound(a, b) or _bound(b, a))]


def square_terms(mains: Sequence[Term]) -> list[Term]:
    """Squares of numbers with a range or at least three levels."""
    factors = [term.first for term in mains]
    return [Term((f, f)) for f in factors if f.numeric and f.distinct > 2]


def model_terms(factors: Sequence[Factor], kind: Kind) -> list[Term]:
    """Terms of a model, without the constant.

    Parameters
    ----------
    factors
        What is varied.
    kind
        ``main``: main effects; ``interactions``: and products of two; ``quadratic``: and squares of numbers with a
        range or three levels.
    """
    terms = main_terms(factors)
    mains = list(terms)
    if kind != "main":
        terms += product_terms(mains)
    if kind == "quadratic":
        terms += square_terms(mains)
    return terms


def matrix_of(terms: Sequence[Term], runs: Sequence[Run]) -> Floats:
    """The model's matrix: a column of ones, then the terms' columns."""
    return np.hstack([np.ones((len(runs), 1)), *(term.columns(runs) for term in terms)])


def separate(
    terms: Sequence[Term], runs: Sequence[Run], *, first: Sequence[Term] = (), least: float = 1e-9
) -> tuple[list[Term], dict[str, tuple[str, ...]]]:
    """Terms that can be separated from those before them, and what the others are mixed up with.

    Parameters
    ----------
    terms
        In order of importance.
    runs
        The settings.
    first
        Terms that come before all, such as blocks.
    least
        Least share of a term's sum of squares about its mean that the terms before it do not explain: one over the
        largest variance inflation that is taken.

    Returns
    -------
    kept
        Those of `terms` that can be estimated together.
    mixed
        Name of each of the others → names of the terms that explain it, ``the mean`` where it does not vary.
    """
    kept: list[Term] = []
    mixed: dict[str, tuple[str, ...]] = {}
    known = list(first)
    basis = matrix_of(known, runs)
    for term in terms:
        columns = term.columns(runs)
        solution, *_ = np.linalg.lstsq(basis, columns, rcond=None)
        share = _unexplained(columns, columns - basis @ solution)
        if share > least:
            kept.append(term)
            known.append(term)
            basis = np.hstack([basis, columns])
            continue
        # Without a share at all any coefficient counts; else those that matter.
        limit = _ROUNDING if share < 1e-9 else 0.2 * float(np.abs(solution[1:]).max(initial=0.0))
        names, place = [], 1
        for other in known:
            if np.abs(solution[place : place + other.width]).max(initial=0.0) > limit:
                names.append(other.name)
            place += other.width
        mixed[term.name] = tuple(names) or ("the mean",)
    return kept, mixed


def _unexplained(columns: Floats, rest: Floats) -> float:
    """Least share of a term's own spread, in any direction of it, that is left; 0 where it has none."""
    own = columns - columns.mean(axis=0)
    _, s, v = np.linalg.svd(own, full_matrices=False)
    runs, width = columns.shape
    if runs <= width or s.min(initial=np.inf) < 1e-9 * max(float(s.max(initial=0.0)), 1e-3):
        return 0.0
    turned = rest @ v.T / s
    return float(np.linalg.eigvalsh(turned.T @ turned).min())


def _bound(part: Factor, parent: Factor) -> bool:
    """Whether a part comes with one level of its parent only, so that the two have no product."""
    if part.nested_in != parent.name:
        return False
    coded = parent.code(part.within)
    return bool(np.ptp(coded, axis=0).max(initial=0.0) < 0.05)
