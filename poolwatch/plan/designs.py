"""Designs from the textbooks, in factor levels: which runs, in standard order."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..experiment.factors import Factor, Value
from ..experiment.limits import complete
from ..model.errors import UsageError
from .candidates import each_once

Floats = NDArray[np.float64]
Axial = Literal["inscribed", "circumscribed", "face-centred"]

# Generators of the two-level fractions of highest resolution: Montgomery D. C., Design and Analysis of
# Experiments, table of fractional factorials; NIST/SEMATECH e-Handbook, section 5.3.3.4.7 (both from memory; their
# resolutions are worked out again in the tests). By (factors, runs).
_LETTERS = "abcdefghjk"
GENERATORS: dict[tuple[int, int], str] = {
    (3, 4): "ab",
    (4, 8): "abc",
    (5, 8): "ab ac",
    (5, 16): "abcd",
    (6, 8): "ab ac bc",
    (6, 16): "abc bcd",
    (6, 32): "abcde",
    (7, 8): "ab ac bc abc",
    (7, 16): "abc bcd acd",
    (7, 32): "abcd abde",
    (7, 64): "abcdef",
    (8, 16): "bcd acd abc abd",
    (8, 32): "abc abd bcde",
    (8, 64): "abcd abef",
    (9, 16): "abc bcd acd abd abcd",
    (9, 32): "bcde acde abde abce",
    (9, 64): "abcd acef cdef",
    (10, 16): "abc bcd acd abd abcd ab",
    (10, 32): "abcd abce abde acde bcde",
    (10, 64): "bcdf acdf abde abce",
}
# Blocks of factors that move together, for numbers of factors where pairs are not the published design:
# Box G. E. P., Behnken D. W., Technometrics 2 (1960) 455-475, doi:10.1080/00401706.1960.10489912 (from memory).
_BEHNKEN_BLOCKS = {
    6: ((1, 2, 4), (2, 3, 5), (3, 4, 6), (1, 4, 5), (2, 5, 6), (1, 3, 6)),
    7: ((4, 5, 6), (1, 6, 7), (2, 5, 7), (1, 2, 4), (3, 4, 7), (1, 3, 5), (2, 3, 6)),
}


@dataclass(frozen=True)
class Plan:
    """A design before it is randomised.

    Attributes
    ----------
    name
        In words.
    factors
        What is varied.
    runs
        One dict a run, value by factor name, in standard order.
    notes
        What to know of it.
    """

    name: str
    factors: tuple[Factor, ...]
    runs: list[dict[str, Value]]
    notes: tuple[str, ...] = ()


def full_factorial(factors: tuple[Factor, ...], *, centres: int = 0) -> Plan:
    """Every combination of levels; a range has its two ends.

    Raises
    ------
    UsageError
        More than 5,000 runs, or centre points with factors that are words.
    """
    from pyDOE3 import fullfact

    counts = [len(factor.levels) for factor in factors]
    total = int(np.prod(counts, dtype=float))
    if total > 5000:
        raise UsageError(
            f"{total} combinations are more than anyone welds; use a fraction or a d-optimal design"
        )
    runs = [
        {factor.name: factor.settings[int(place)] for factor, place in zip(factors, row, strict=True)}
        for row in fullfact(counts)
    ]
    if any(factor.nested_in for factor in factors):
        runs = each_once([complete(run, factors) for run in runs])
    name = "full factorial " + " x ".join(map(str, counts))
    return Plan(name, factors, runs + _centres(factors, centres))


def fraction(
    factors: tuple[Factor, ...], *, runs: int | None = None, resolution: int = 4, centres: int = 0
) -> Plan:
    """Fraction of a two-level factorial.

    Parameters
    ----------
    factors
        Each at two levels.
    runs
        Power of two below 2^factors; None: the smallest that reaches `resolution`.
    resolution
        3: main effects clear of each other; 4: clear of two-factor interactions; 5: those clear of each other.
    centres
        Centre points added.

    Raises
    ------
    UsageError
        A factor has other than two levels, or there is no such fraction.
    """
    from pyDOE3 import fracfact

    _two_levels(factors)
    k = len(factors)
    known = sorted(size for n, size in GENERATORS if n == k)
    if runs is None:
        runs = next((size for size in known if resolution_of(k, GENERATORS[k, size]) >= resolution), None)
    if runs is None or (runs == 2**k):
        return full_factorial(factors, centres=centres)
    if (k, runs) not in GENERATORS:
        raise UsageError(
            f"there is no fraction of {runs} runs for {k} factors; "
            + (f"runs can be {', '.join(map(str, known))}" if known else "fractions go from 3 to 10 factors")
        )
    generators = GENERATORS[k, runs]
    base = _LETTERS[: k - len(generators.split())]
    matrix = fracfact(" ".join([*base, *generators.split()]))
    names = dict(zip(_LETTERS, (factor.name for factor in factors), strict=False))
    said = [
        f"{names[letter]} = {' x '.join(names[one] for one in word)}"
        for letter, word in zip(_LETTERS[len(base) :], generators.split(), strict=False)
    ]
    level = ["III", "IV", "V", "VI", "VII"][resolution_of(k, generators) - 3]
    return Plan(
        f"fraction 2^({k}-{len(said)}) of resolution {level}",
        factors,
        _decoded(factors, matrix) + _centres(factors, centres),
        (f"generators: {'; '.join(said)}",),
    )


def resolution_of(factors: int, generators: str) -> int:
    """Length of the shortest word of the defining relation.

    Examples
    --------
    >>> resolution_of(5, "ab ac")
    3
    """
    words = generators.split()
    base = factors - len(words)
    bits = [
        sum(1 << _LETTERS.index(letter) for letter in word) | 1 << (base + n) for n, word in enumerate(words)
    ]
    products = [0]
    for word in bits:
        products += [product ^ word for product in products]
    return min(product.bit_count() for product in products[1:])


def central_composite(factors: tuple[Factor, ...], *, axial: Axial = "inscribed", centres: int = 4) -> Plan:
    """Two-level factorial, points on the axes and centre points: a quadratic model, rotatable.

    Parameters
    ----------
    factors
        Numbers, 2 to 6; ends of a list or range are its lowest and highest level.
    axial
        ``inscribed``: axial points at the ends, corners within; ``circumscribed``: corners at the ends, axial
        points beyond; ``face-centred``: both at the ends (not rotatable).
    centres
        Centre points.

    Raises
    ------
    UsageError
        A factor is words, or there are fewer than 2 or more than 6.
    """
    from pyDOE3 import ccdesign

    _numbers(factors, "a central composite design", 2, 6)
    shape = "faced" if axial == "face-centred" else "circumscribed"
    matrix = np.asarray(ccdesign(len(factors), center=(0, max(centres, 1)), alpha="rotatable", face=shape))
    matrix = matrix[np.any(matrix != 0, axis=1)]
    alpha = float(np.abs(matrix).max())
    notes = (
        [] if axial == "face-centred" else [f"rotatable: axial points at alpha = {alpha:.4f} of the corners"]
    )
    if axial == "inscribed":
        matrix = matrix / alpha
    elif axial == "circumscribed":
        beyond = [f"{f.name} {f.value(-alpha):g} to {f.value(alpha):g}" for f in factors]
        notes.append(f"axial points lie beyond the levels given: {', '.join(beyond)}; can they be welded?")
    return Plan(
        f"central composite design, {axial}",
        factors,
        _decoded(factors, matrix) + _centres(factors, centres),
        tuple(notes),
    )


def box_behnken(factors: tuple[Factor, ...], *, centres: int = 3) -> Plan:
    """Middles of edges and the centre: a quadratic model without the corners.

    Raises
    ------
    UsageError
        A factor is words, or there are fewer than 3 or more than 7.
    """
    from pyDOE3 import bbdesign

    k = len(factors)
    _numbers(factors, "a Box-Behnken design", 3, 7)
    if k in _BEHNKEN_BLOCKS:
        rows = []
        for block in _BEHNKEN_BLOCKS[k]:
            for signs in itertools.product((-1.0, 1.0), repeat=len(block)):
                row = np.zeros(k)
                row[np.array(block) - 1] = signs
                rows.append(row)
        matrix = np.array(rows)
    else:
        matrix = np.asarray(bbdesign(k, center=1))
        matrix = matrix[np.any(matrix != 0, axis=1)]
    return Plan("Box-Behnken design", factors, _decoded(factors, matrix) + _centres(factors, centres))


def latin_hypercube(factors: tuple[Factor, ...], runs: int, *, seed: int) -> Plan:
    """Each factor's range cut into as many strata as runs, one run in each; far from each other (maximin).

    Lists of numbers and words have their levels spread evenly.

    Raises
    ------
    UsageError
        Fewer than 2 runs.
    """
    from pyDOE3 import lhs

    if runs < 2:
        raise UsageError("a Latin hypercube needs --runs of 2 or more")
    matrix = np.asarray(
        lhs(len(factors), runs, criterion="centermaximin", iterations=200, seed=np.random.default_rng(seed))
    )
    made = []
    for row in matrix:
        run: dict[str, Value] = {}
        for factor, place in zip(factors, row, strict=True):
            if factor.ranged:
                run[factor.name] = factor.value(2 * float(place) - 1)
            else:
                run[factor.name] = factor.settings[
                    min(int(place * len(factor.levels)), len(factor.levels) - 1)
                ]
        made.append(complete(run, factors))
    return Plan(f"Latin hypercube, {runs} runs", factors, made)


def _decoded(factors: tuple[Factor, ...], matrix: Floats) -> list[dict[str, Value]]:
    """Runs of a coded table; words only at -1 and +1."""
    return [
        {
            factor.name: factor.value(float(x)) if factor.numeric else factor.settings[int(x > 0)]
            for factor, x in zip(factors, row, strict=True)
        }
        for row in matrix
    ]


def _centres(factors: tuple[Factor, ...], count: int) -> list[dict[str, Value]]:
    if count and not all(factor.numeric for factor in factors):
        words = next(factor.name for factor in factors if not factor.numeric)
        raise UsageError(f"{words} is a word and has no centre; leave out --centres or plan it d-optimal")
    return [{factor.name: factor.value(0.0) for factor in factors} for _ in range(count)]


def _two_levels(factors: tuple[Factor, ...]) -> None:
    _no_parts(factors, "a fraction")
    for factor in factors:
        if len(factor.levels) != 2:
            raise UsageError(
                f"a fraction needs two levels of each factor; {factor.name} has {len(factor.levels)}: "
                "give low..high, or use --design d-optimal"
            )


def _numbers(factors: tuple[Factor, ...], what: str, least: int, most: int) -> None:
    if not least <= len(factors) <= most:
        raise UsageError(
            f"{what} needs {least} to {most} factors, {len(factors)} given; use --design d-optimal"
        )
    _no_parts(factors, what)
    for factor in factors:
        if not factor.numeric:
            raise UsageError(f"{what} needs numbers; {factor.name} is words: use --design d-optimal")


def _no_parts(factors: tuple[Factor, ...], what: str) -> None:
    part = next((factor for factor in factors if factor.nested_in), None)
    if part is not None:
        raise UsageError(
            f"{what} has no place for {part.name}, which is there with some levels of {part.nested_in} only; use "
            "--design d-optimal or full"
        )
