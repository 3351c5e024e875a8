"""What a design can tell: terms, aliases, precision, degrees of freedom for the error."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from ..experiment.factors import Factor, Value
from ..experiment.terms import Kind, Term, matrix_of, model_terms, separate

Floats = NDArray[np.float64]
# Bias of a coefficient by a term left out that goes without a word, as a share of that term.
_SMALL_ALIAS = 0.05


@dataclass(frozen=True)
class Precision:
    """How well a term is known.

    Attributes
    ----------
    term
        Its name.
    error
        Standard error of the effect, in standard deviations of one weld: change from the lowest to the highest
        value, or from one of two words to the other; for more words, departure of a level from their mean.
    vif
        Variance inflation factor: 1 where the term is orthogonal to all others.
    """

    term: str
    error: float
    vif: float


@dataclass(frozen=True)
class Estimable:
    """What a design can tell.

    Attributes
    ----------
    precisions
        Of each term that can be told, in order.
    aliased
        Term that cannot be told → names of the terms it is mixed up with (``the mean`` and ``blocks`` as well).
    biased
        Of designs that tell main effects only: (main effect, interaction, share of the interaction that falls
        on it), largest first.
    relation
        Words of the defining relation of a two-level fraction; empty for others.
    runs, coefficients
        How many.
    error_df
        Degrees of freedom left for the error.
    pure_error_df
        Of these, those from runs at the same setting.
    """

    precisions: tuple[Precision, ...]
    aliased: dict[str, tuple[str, ...]]
    biased: tuple[tuple[str, str, float], ...]
    relation: tuple[str, ...]
    runs: int
    coefficients: int
    error_df: int
    pure_error_df: int

    def lines(self) -> list[str]:
        """In words, one line each."""
        said = [
            f"{self.runs} runs, {self.coefficients} coefficients, {self.error_df} degrees of freedom for the error "
            f"({self.pure_error_df} of them from repeated settings)"
        ]
        if self.relation:
            more = f" and {len(self.relation) - 8} longer words" if len(self.relation) > 8 else ""
            said.append(f"defining relation: I = {' = '.join(self.relation[:8])}{more}")
        said += [
            f"{term} cannot be separated from {' + '.join(names)}" for term, names in self.aliased.items()
        ]
        whole: dict[str, list[str]] = {}
        for main, pair, share in self.biased:
            if abs(share) > 0.999:
                whole.setdefault(main, []).append(pair)
        said += [f"{main} cannot be separated from {' + '.join(pairs)}" for main, pairs in whole.items()]
        partly = [
            f"{main} is biased by {share:+.2f} of {pair}, if there is such an interaction"
            for main, pair, share in self.biased
            if abs(share) <= 0.999
        ]
        said += partly[:12]
        if len(partly) > 12:
            said.append(f"and {len(partly) - 12} smaller biases of main effects by interactions")
        if self.error_df == 0:
            said.append(
                "no run is left for the error: effects can be ordered but not tested; add runs or centre points"
            )
        elif self.error_df < 4:
            said.append(
                "few degrees of freedom for the error: intervals will be wide; add runs or replicates"
            )
        return said


def estimable(
    factors: tuple[Factor, ...],
    runs: list[dict[str, Value]],
    model: Kind,
    block: NDArray[np.int64] | None = None,
) -> Estimable:
    """What a design can tell of a model.

    Parameters
    ----------
    factors
        What is varied.
    runs
        All runs, replicates included.
    model
        Terms asked for; those earlier in the model are kept where two cannot be told apart.
    block
        Block of each run, None for one block.

    References
    ----------
    Box G. E. P., Wilson K. B., J. R. Stat. Soc. B 13 (1951) 1-45, doi:10.1111/j.2517-6161.1951.tb00067.x (the
    alias matrix).
    """
    terms = model_terms(factors, model)
    first, blocked = _with_blocks(block, runs)
    kept, aliased = separate(terms, blocked, first=first)
    x = matrix_of([*first, *kept], blocked)
    n, p = x.shape
    inverse = np.linalg.inv(x.T @ x)
    place = 1 + sum(term.width for term in first)
    precisions = []
    for term in kept:
        columns = term.columns(runs)
        width = term.width
        here = inverse.diagonal()[place : place + width]
        spread = ((columns - columns.mean(axis=0)) ** 2).sum(axis=0)
        # From low to high is two coded units; a square's or a level's coefficient stands for one.
        steps = 2.0 if width == 1 and not term.square else 1.0
        precisions.append(Precision(term.name, steps * math.sqrt(here.max()), float((here * spread).max())))
        place += width
    settings = sorted({tuple(map(str, run.values())) for run in runs})
    place_of = {setting: number for number, setting in enumerate(settings)}
    own = np.eye(len(settings))[[place_of[tuple(map(str, run.values()))] for run in runs]]
    pure = n - int(np.linalg.matrix_rank(np.hstack([own, *(term.columns(blocked) for term in first)])))
    return Estimable(
        tuple(precisions),
        aliased,
        _biases(factors, runs, kept, x) if model == "main" else (),
        _defining_relation(factors, runs),
        n,
        p,
        n - p,
        pure,
    )


def _with_blocks(
    block: NDArray[np.int64] | None, runs: list[dict[str, Value]]
) -> tuple[list[Term], list[dict[str, Value]]]:
    if block is None or block.max(initial=0) == 0:
        return [], runs
    words: list[Value] = [str(b) for b in block]
    factor = Factor("blocks", tuple(dict.fromkeys(words)))
    return [Term((factor,))], [run | {factor.name: word} for run, word in zip(runs, words, strict=True)]


def _biases(
    factors: tuple[Factor, ...], runs: list[dict[str, Value]], kept: list[Term], x: Floats
) -> tuple[tuple[str, str, float], ...]:
    """Share of each interaction that falls on each main effect, largest first."""
    names = ["", *(term.name for term in kept for _ in range(term.width))]
    _, width = x.shape
    offset = width - len(names)
    pairs = [term for term in model_terms(factors, "interactions") if term.order == 2]
    found: dict[tuple[str, str], float] = {}
    for pair in pairs:
        shares, *_ = np.linalg.lstsq(x, pair.columns(runs), rcond=None)
        for name, row in zip(names, shares[offset:], strict=True):
            share = float(row[np.abs(row).argmax()])
            if name and abs(share) > _SMALL_ALIAS and abs(share) > abs(found.get((name, pair.name), 0.0)):
                found[name, pair.name] = share
    named = [(main, pair, share) for (main, pair), share in found.items()]
    return tuple(sorted(named, key=lambda one: -abs(one[-1])))


def _defining_relation(factors: tuple[Factor, ...], runs: list[dict[str, Value]]) -> tuple[str, ...]:
    """Products of factors that do not change over the runs of a two-level fraction, shortest first."""
    if any(len(factor.levels) != 2 or factor.nested_in for factor in factors) or len(factors) > 12:
        return ()
    columns = np.hstack([factor.code([run[factor.name] for run in runs]) for factor in factors])
    off_centre = columns[np.any(columns != 0, axis=1)]
    if not len(off_centre) or np.any(np.abs(off_centre) != 1):
        return ()
    words = []
    for size in range(1, len(factors) + 1):
        for chosen in combinations(range(len(factors)), size):
            product = off_centre[:, chosen].prod(axis=1)
            if np.all(product == product[0]):
                sign = "" if product[0] > 0 else "-"
                words.append(sign + " x ".join(factors[n].name for n in chosen))
    return tuple(words)
