"""Letters for groups that cannot be told apart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def group_letters(apart: NDArray[np.bool_]) -> list[str]:
    """Compact letter display: two items share a letter exactly when they are not told apart.

    Insert-and-absorb, then a sweep that drops letters which say nothing new. The first item has the letter
    ``a``; pass items from best to worst.

    Parameters
    ----------
    apart
        Shape (n, n), symmetric: True where a test told the two apart.

    Raises
    ------
    ValueError
        `apart` is not square and symmetric with a False diagonal.

    References
    ----------
    Piepho H.-P., An algorithm for a letter-based representation of all-pairwise comparisons,
    J. Comput. Graph. Stat. 13 (2004) 456-466, doi:10.1198/1061860043515.

    Examples
    --------
    >>> import numpy as np
    >>> group_letters(np.array([[0, 0, 1], [0, 0, 0], [1, 0, 0]], dtype=bool))
    ['a', 'ab', 'b']
    """
    apart = np.asarray(apart, dtype=bool)
    if apart.ndim != 2 or not np.array_equal(apart, apart.T) or apart.diagonal().any():
        raise ValueError(
            f"pairs told apart must be a symmetric table with a False diagonal, got shape {apart.shape}"
        )
    n = len(apart)
    columns: list[frozenset[int]] = [frozenset(range(n))] if n else []
    for first, second in zip(*np.nonzero(np.triu(apart)), strict=True):
        split = []
        for column in columns:
            split += [column - {first}, column - {second}] if {first, second} <= column else [column]
        unique = list(dict.fromkeys(split))
        columns = [column for column in unique if not any(column < other for other in unique)]
    columns = _sweep(columns)
    columns.sort(key=lambda column: (min(column), sorted(column)))
    return ["".join(letter(k) for k, column in enumerate(columns) if item in column) for item in range(n)]


def _sweep(columns: list[frozenset[int]]) -> list[frozenset[int]]:
    """Drop each column whose every pair, and every item, stands together in another one as well."""
    kept = list(columns)
    for column in sorted(columns, key=len):
        rest = [other for other in kept if other != column]
        if all(any({i, j} <= other for other in rest) for i in column for j in column):
            kept = rest
    return kept


def letter(number: int) -> str:
    """The letter of group `number`, from 0: a … z, A … Z, then a1, b1 …"""
    letters: Sequence[str] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
    turn, place = divmod(number, len(letters))
    return letters[place] + (str(turn) if turn else "")
