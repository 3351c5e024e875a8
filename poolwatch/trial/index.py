"""The index of many clips from their desirabilities: the same parts for all, any weights."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..model.errors import UsageError
from ..model.tables import INDEX_PARTS

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
# A desirability never reaches 0 by its formula; a cell rounded to 0 still has a logarithm.
LEAST = 1e-12


def desirabilities(scores: pd.DataFrame) -> tuple[tuple[str, ...], Floats, tuple[str, ...]]:
    """The parts of the index that every row has.

    Parameters
    ----------
    scores
        Score rows; columns ``d_<part>``.

    Returns
    -------
    parts
        Names of the parts that all rows have, in the order of `INDEX_PARTS`.
    values
        Their desirabilities, shape (rows, parts).
    left_out
        Parts that some rows have and some lack: left out for all, because like is compared with like.

    Raises
    ------
    UsageError
        A desirability is outside 0 to 1.
    """
    present: list[str] = []
    partial: list[str] = []
    for part in INDEX_PARTS:
        column = f"d_{part}"
        if column not in scores or scores[column].isna().all():
            continue
        outside = ~scores[column].dropna().between(0, 1)
        if outside.any():
            row = outside.idxmax()
            raise UsageError(
                f"row {row + 2} ({scores['clip'][row]}), {column}: {scores[column][row]:g} is outside 0 to 1; "
                "take the rows as poolwatch wrote them"
            )
        (partial if scores[column].isna().any() else present).append(part)
    values = scores[[f"d_{part}" for part in present]].to_numpy(dtype=np.float64, copy=True)
    return tuple(present), np.maximum(values, LEAST), tuple(partial)


def part_weights(parts: Sequence[str], weights: Mapping[str, float]) -> Floats:
    """Weights of some parts, scaled to sum 1.

    Raises
    ------
    UsageError
        A weight is missing or negative, or they sum to 0.
    """
    try:
        chosen = np.array([weights[part] for part in parts], dtype=np.float64)
    except KeyError as error:
        raise UsageError(f"no weight for the index part {error.args[0]!r}; give one for each part") from None
    if (chosen < 0).any() or not chosen.sum() > 0:
        raise UsageError(f"index weights must be at least 0 and not all 0, got {dict(weights)}")
    return np.asarray(chosen / chosen.sum())


def weighted_index(values: Floats, weights: Floats) -> Floats:
    """100 times the weighted geometric mean of desirabilities.

    Parameters
    ----------
    values
        Shape (rows, parts).
    weights
        Shape (parts,) or (sets, parts), each set of sum 1.

    Returns
    -------
    NDArray
        Shape (rows,) or (sets, rows).

    References
    ----------
    Derringer G., Suich R., Simultaneous optimization of several response variables, J. Qual. Technol. 12
    (1980) 214-219, doi:10.1080/00224065.1980.11980968.
    """
    return np.asarray(100 * np.exp(weights @ np.log(np.maximum(values, LEAST)).T))


def order_under_weights(
    shape_of_row: NDArray[np.int64],
    values: Floats,
    draws: int,
    seed: int,
    *,
    lift: Callable[[Floats], Floats] | None = None,
) -> NDArray[np.int64]:
    """Ranks of the shapes under weights drawn evenly over all sets of weights.

    Parameters
    ----------
    shape_of_row
        Number of each row's shape, from 0, shape (rows,).
    values
        Desirabilities, shape (rows, parts).
    draws, seed
        How many sets, and the random seed.
    lift
        By how much the means are moved, shape (sets, shapes), from the indices, shape (sets, rows).

    Returns
    -------
    NDArray
        Rank of each shape, 1 is best, shape (draws, shapes).
    """
    rng = np.random.default_rng(seed)
    _, parts = values.shape
    index = weighted_index(values, rng.dirichlet(np.ones(parts), draws))
    membership = (shape_of_row[:, None] == np.arange(shape_of_row.max() + 1)).astype(float)
    means = index @ membership / membership.sum(axis=0)
    if lift is not None:
        means = means + lift(index)
    order = np.argsort(-means, axis=1, kind="stable")
    ranks = np.empty_like(order)
    _, shapes = means.shape
    np.put_along_axis(ranks, order, np.arange(1, shapes + 1)[None, :], axis=1)
    return ranks
