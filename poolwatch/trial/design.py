"""What was varied in a trial: factors out of the ``factor_…`` columns, and the welds that say anything about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..experiment.factors import (
    ABSENT,
    BLOCK,
    SHAPE,
    Factor,
    Value,
    direction_factor,
    is_nothing,
    period_of,
)
from ..experiment.limits import Limits

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
# A number that varies by less than this share of its size, and a direction by less than so much of its period, is the
# same in all welds: what is left is how well it was set or measured.
_ONE_VALUE, _ONE_DIRECTION = 0.01, 1 / 72
_NAMES = 12
PRESENCE = " (there or not)"
"""Ending of the name of a factor that says whether a part is there; it has no column of its own."""
_THERE = ("not there", "there")


@dataclass(frozen=True)
class Design:
    """What was varied, and which welds say anything about it.

    Attributes
    ----------
    rows
        Welds with an index and all factors known, index reset.
    runs
        The setting of each: value by factor name, ``absent`` where it lacks the part; ``beam_shape`` too.
    factors
        Those that were varied, in the order of the columns, block and parts included.
    shape
        The beam shape as a factor, None where there is one only.
    remarks
        Sentences on what cannot be used.
    """

    rows: pd.DataFrame
    runs: list[dict[str, Value]]
    factors: tuple[Factor, ...]
    shape: Factor | None
    remarks: tuple[str, ...]

    @property
    def index(self) -> Floats:
        """Stability index of each weld."""
        return np.asarray(self.rows["stability_index"], dtype=np.float64)

    @property
    def chosen(self) -> tuple[Factor, ...]:
        """Factors that can be chosen for a further weld: all but the block."""
        return tuple(factor for factor in self.factors if factor.name != BLOCK)


def read_design(scores: pd.DataFrame, limits: Limits | None = None) -> Design:
    """Find the factors in the ``factor_…`` columns.

    A cell that says ``absent`` belongs to a weld that lacks the part (no ring, so no ring diameter): the weld counts
    for all other factors, and the figure is compared among the welds that have the part. An empty cell is unknown: the
    weld is left out, or the column where most of its cells are empty.

    Parameters
    ----------
    scores
        One row a weld: ``clip``, ``beam_shape``, ``stability_index`` and columns ``factor_…``.
    limits
        What the plan says of them.
    """
    limits = limits or Limits()
    remarks: list[str] = []
    indexed = scores["stability_index"].notna()
    cells = {
        str(name).removeprefix("factor_"): _values(scores[name].tolist(), words=name == f"factor_{BLOCK}")
        for name in scores
        if str(name).startswith("factor_")
    }
    known = {
        name: np.array([v is not None for v in values], dtype=np.bool_) for name, values in cells.items()
    }
    bare = [name for name, there in known.items() if 2 * there[indexed].sum() < indexed.sum() and there.any()]
    if bare:
        remarks.append(f"left out, because most of their cells are empty: {_listed(bare)}")
    names = [name for name, there in known.items() if there.any() and name not in bare]
    whole = np.asarray(indexed, dtype=np.bool_)
    for name in names:
        whole = whole & known[name]
    if not whole.all():
        remarks.append(
            f"left out, because a factor or the index is missing: {_listed(scores.loc[~whole, 'clip'].tolist())}; "
            f"where a shape has no such part write {ABSENT!r} in the cell"
        )
    rows = scores[whole].reset_index(drop=True)
    columns = {name: [cells[name][k] for k in np.flatnonzero(whole)] for name in names}
    factors = []
    for name in names:
        factor = _factor(name, [value for value in columns[name] if value not in (None, ABSENT)])
        if factor is not None:
            factors.append(factor)
    steady = [name for name in names if name not in {factor.name for factor in factors}]
    runs = [
        _run(str(shape), {f.name: _bundled(f, columns[f.name][k]) for f in factors})
        for k, shape in enumerate(rows["beam_shape"])
    ]
    factors, runs = _with_presences([_nested(factor, factors, runs, limits) for factor in factors], runs)
    if steady:
        remarks.append(f"not varied, so nothing can be said of them: {_listed(steady)}")
    shapes = tuple(sorted(set(rows["beam_shape"].astype(str))))
    shape = Factor(SHAPE, shapes) if len(shapes) > 1 else None
    return Design(rows, runs, tuple(factors), shape, tuple(remarks))


def _bundled(factor: Factor, value: Value | None) -> Value | None:
    """A direction as its level: measured ones that belong together are one setting."""
    if factor.numeric or value is None or isinstance(value, str):
        return value
    return factor.settings[factor.level(value)]


def _run(shape: str, cells: dict[str, Value | None]) -> dict[str, Value]:
    made: dict[str, Value] = {SHAPE: shape}
    return made | {name: ABSENT if value is None else value for name, value in cells.items()}


def _values(cells: Sequence[Any], *, words: bool) -> list[Value | None]:
    """Cells as numbers if all that are filled are, else as words; None where empty."""
    texts = ["" if cell is None or cell != cell else str(cell).strip() for cell in cells]
    filled = [text for text in texts if text and text.lower() != ABSENT]
    try:
        numbers = not words and all(np.isfinite(float(text)) for text in filled)
    except ValueError:
        numbers = False
    made: list[Value | None] = []
    for text in texts:
        if not text:
            made.append(None)
        elif text.lower() == ABSENT:
            made.append(ABSENT)
        else:
            made.append(float(text) if numbers else text)
    return made


def _factor(name: str, values: list[Value]) -> Factor | None:
    """The factor of these values; None where they are all one."""
    words = sorted({value for value in values if isinstance(value, str)})
    if words:
        return Factor(name, tuple(words)) if len(words) > 1 else None
    numbers = sorted({float(value) for value in values})
    if len(numbers) < 2:
        return None
    if period_of(name):
        factor = direction_factor(name, numbers)
        small = factor.numeric and float(factor.levels[-1]) * 2 < _ONE_DIRECTION * factor.period
        return None if small else factor
    if numbers[-1] - numbers[0] < _ONE_VALUE * max(abs(numbers[0]), abs(numbers[-1])):
        return None
    return Factor(name, tuple(numbers))


def _nested(factor: Factor, factors: list[Factor], runs: list[dict[str, Value]], limits: Limits) -> Factor:
    """A factor of a part with its parent: as planned, else the one that is nothing exactly where the part is absent."""
    absent = np.array([run[factor.name] == ABSENT for run in runs], dtype=np.bool_)
    if not absent.any():
        return factor
    planned = limits.nested.get(factor.name)
    for other in sorted(factors, key=lambda one: one.name != planned):
        if other.name in (factor.name, BLOCK):
            continue
        values = [run[other.name] for run in runs]
        there = [value for value, gone in zip(values, absent, strict=True) if not gone]
        gone = [value for value, none in zip(values, absent, strict=True) if none]
        if ABSENT in there:
            continue
        if other.of_words:
            fits = not set(there) & set(gone)
        else:
            numbers = np.array([0.0 if value == ABSENT else float(value) for value in values])
            fits = not other.period and bool((is_nothing(numbers) == absent).all())
        if fits:
            return replace(factor, nested_in=other.name, within=tuple(sorted(set(there), key=str)))
    return factor


def _with_presences(
    factors: list[Factor], runs: list[dict[str, Value]]
) -> tuple[list[Factor], list[dict[str, Value]]]:
    """Before each part that comes and goes with no other factor a factor of its own: there or not."""
    made: list[Factor] = []
    for factor in factors:
        here = [run[factor.name] != ABSENT for run in runs]
        if all(here) or factor.nested_in:
            made.append(factor)
            continue
        part = Factor(factor.name + PRESENCE, (_THERE[0], _THERE[1]))
        runs = [run | {part.name: _THERE[int(there)]} for run, there in zip(runs, here, strict=True)]
        made += [part, replace(factor, nested_in=part.name, within=(_THERE[1],))]
    return made, runs


def _listed(names: Sequence[object]) -> str:
    more = f" and {len(names) - _NAMES} more" if len(names) > _NAMES else ""
    return ", ".join(map(str, names[:_NAMES])) + more
