"""D-optimal designs under a budget, and blocks, both by exchange."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from ..experiment.factors import Factor, Value
from ..experiment.terms import Kind, matrix_of, model_terms, separate
from ..model.errors import UsageError
from .designs import Plan

Floats = NDArray[np.float64]
# A gain in the determinant below this share is rounding.
_LEAST_GAIN = 1e-7


def d_optimal(
    factors: tuple[Factor, ...],
    candidates: list[dict[str, Value]],
    runs: int,
    *,
    model: Kind,
    seed: int,
    starts: int = 30,
) -> Plan:
    """Runs from a list of candidates that know the coefficients of a model best (largest det X'X).

    Parameters
    ----------
    factors
        What is varied.
    candidates
        Runs that can be welded; each may be chosen more than once.
    runs
        Budget.
    model
        See `model_terms`.
    seed
        Of the starts.
    starts
        Searches from random beginnings; the best is kept.

    Raises
    ------
    UsageError
        The budget is below the number of coefficients, or the candidates cannot tell a factor from the others.
        Interactions and squares that no candidate tells are left out, with a note.

    References
    ----------
    Fedorov V. V., Theory of Optimal Experiments, Academic Press 1972 (exchange of the best pair).
    Cook R. D., Nachtsheim C. J., Technometrics 22 (1980) 315-324, doi:10.1080/00401706.1980.10486162.
    """
    if not candidates:
        raise UsageError("every combination is forbidden; nothing can be welded")
    kept, lost = separate(model_terms(factors, model), candidates)
    _check_told(factors, lost)
    x = matrix_of(kept, candidates)
    _, p = x.shape
    if runs < p:
        raise UsageError(
            f"{runs} runs cannot estimate the {p} coefficients of the model {model!r}; give {p} or more (some more, so "
            "that the error can be estimated), or a smaller --model"
        )
    log_det, chosen = _best_of(x, runs, starts, np.random.default_rng(seed))
    picked = [candidates[n] for n in sorted(chosen.tolist())]
    efficiency = 100 * float(np.exp(log_det / p)) / runs
    return Plan(
        f"D-optimal design of {runs} runs for the model {model!r}",
        factors,
        picked,
        (
            f"D-efficiency {efficiency:.1f} % of a design with orthogonal columns at -1 and +1, "
            f"{p} coefficients, {len(candidates)} candidates, best of {starts} searches",
            *(f"{name} is left out: no combination that can be welded tells it" for name in lost),
        ),
    )


def _check_told(factors: Sequence[Factor], lost: Mapping[str, Sequence[str]]) -> None:
    untold = next((factor.name for factor in factors if factor.name in lost), None)
    if untold is not None:
        raise UsageError(
            f"{untold} cannot be separated from {' + '.join(lost[untold])} in the combinations that are left; "
            "forbid fewer, or leave that factor out"
        )


def _best_of(x: Floats, runs: int, starts: int, rng: np.random.Generator) -> tuple[float, NDArray[np.int64]]:
    """The largest log det X'X of so many searches, and the rows that give it."""
    largest, best = -np.inf, np.zeros(0, dtype=np.int64)
    for _ in range(starts):
        chosen = _exchange(x, _start(x, runs, rng))
        _, value = np.linalg.slogdet(x[chosen].T @ x[chosen])
        if value > largest + 1e-9:
            largest, best = float(value), chosen
    return largest, best


def _start(x: Floats, runs: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Random rows that span the model, the rest at random."""
    order = rng.permutation(len(x))
    left = x[order].copy()
    rows: list[int] = []
    # Greedy pivoting on random weights gives a basis that differs from start to start.
    weight = rng.uniform(0.5, 1.0, len(x))
    _, columns = x.shape
    for _ in range(columns):
        norm = (left**2).sum(axis=1) * weight
        norm[rows] = -1.0
        pick = int(norm.argmax())
        rows.append(pick)
        unit = left[pick] / np.linalg.norm(left[pick])
        left = left - np.outer(left @ unit, unit)
    spare = rng.integers(0, len(x), runs - len(rows))
    return np.concatenate([order[rows], spare])


def _exchange(x: Floats, chosen: NDArray[np.int64]) -> NDArray[np.int64]:
    """Exchange the best pair of a chosen row and a candidate until nothing is gained."""
    chosen = chosen.copy()
    for _ in range(100 * len(chosen)):
        inverse = np.linalg.inv(x[chosen].T @ x[chosen])
        scaled = x @ inverse
        own = np.einsum("ij,ij->i", scaled, x)
        cross = scaled[chosen] @ x.T
        mine = own[chosen][:, None]
        # Ratio of the determinants less one (Fedorov's delta).
        gain = own - (mine * own - cross**2) - mine
        place = int(gain.argmax())
        row, candidate = divmod(place, len(x))
        if gain[row, candidate] < _LEAST_GAIN:
            break
        chosen[row] = candidate
    return chosen


def into_blocks(x: Floats, blocks: int, *, seed: int, starts: int = 20) -> NDArray[np.int64]:
    """Block of each run, 0-based: blocks of like size that disturb the model's coefficients least.

    Runs are swapped between blocks as long as the determinant of the model with block means grows.

    Parameters
    ----------
    x
        Model matrix, shape (runs, coefficients), first column ones.
    blocks
        2 or more.
    seed, starts
        Of the searches.

    Raises
    ------
    UsageError
        More blocks than half the runs.

    References
    ----------
    Cook R. D., Nachtsheim C. J., Computer-aided blocking of factorial and response-surface designs,
    Technometrics 31 (1989) 339-346, doi:10.1080/00401706.1989.10488556.
    """
    n = len(x)
    if blocks * 2 > n:
        raise UsageError(f"{blocks} blocks of {n} runs hold fewer than two runs each; plan fewer blocks")
    terms = _independent(x[:, 1:] - x[:, 1:].mean(axis=0))
    rng = np.random.default_rng(seed)
    base = np.arange(n) % blocks
    best, least = base, math.inf
    for _ in range(starts):
        block, loss = _swapped(terms, rng.permutation(base), blocks)
        if loss < least - 1e-12:
            best, least = block, loss
        if least < 1e-12:
            break
    return best


def _swapped(terms: Floats, block: NDArray[np.int64], blocks: int) -> tuple[NDArray[np.int64], float]:
    """Swap runs between blocks while the terms' information within blocks grows; loss is 0 where none is lost."""
    _, width = terms.shape
    size = np.bincount(block, minlength=blocks).astype(float)
    total = np.zeros((blocks, width))
    np.add.at(total, block, terms)

    def loss_of(sums: Floats) -> float:
        lost = np.eye(width) - (sums / size[:, None]).T @ sums
        sign, value = np.linalg.slogdet(lost)
        return -float(value) if sign > 0 else 1e9

    loss = loss_of(total)
    improved = True
    while improved and loss > 1e-12:
        improved = False
        for i in range(len(block)):
            for j in range(i + 1, len(block)):
                if block[i] == block[j]:
                    continue
                moved = total.copy()
                step = terms[j] - terms[i]
                moved[block[i]] += step
                moved[block[j]] -= step
                new = loss_of(moved)
                if new < loss - 1e-12:
                    total, loss, improved = moved, new, True
                    block[i], block[j] = block[j], block[i]
    return block, loss


def _independent(x: Floats) -> Floats:
    """Orthonormal columns that span those of x."""
    u, s, _ = np.linalg.svd(x, full_matrices=False)
    return np.asarray(u[:, s > 1e-9 * max(float(s.max(initial=0.0)), 1e-300)])
