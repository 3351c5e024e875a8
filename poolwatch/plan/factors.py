"""Process factors as they are to be varied, and combinations of them that cannot be welded."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.errors import UsageError

Floats = NDArray[np.float64]
Value = float | str
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_RANGE = re.compile(r"\s*(\S+?)\s*\.\.\s*(\S+)\s*")
# Two numbers of a table are the same to this.
_SAME = 1e-9


@dataclass(frozen=True)
class PlanFactor:
    """A factor and its levels.

    Attributes
    ----------
    name
        Without the prefix ``factor_``.
    levels
        Numbers in rising order, or words.
    ranged
        The two numbers are the ends of a range in which any value can be set.
    """

    name: str
    levels: tuple[Value, ...]
    ranged: bool = False

    @property
    def numeric(self) -> bool:
        """Whether its levels are numbers."""
        return not isinstance(self.levels[0], str)

    def value(self, coded: float) -> float:
        """The number at a coded place: -1 is the lowest level, +1 the highest."""
        low, high = float(self.levels[0]), float(self.levels[-1])
        return float(f"{low + (coded + 1) / 2 * (high - low):.6g}")

    def code(self, values: list[Value]) -> Floats:
        """Columns of a linear model: -1 to +1 for numbers, else departures from the mean of the levels.

        Returns
        -------
        NDArray
            Shape (n, 1) for numbers and two words, else (n, levels - 1).
        """
        if self.numeric:
            low, high = float(self.levels[0]), float(self.levels[-1])
            return (2 * np.array(values, dtype=np.float64)[:, None] - low - high) / (high - low)
        place = np.array([self.levels.index(value) for value in values])
        if len(self.levels) == 2:
            return place[:, None] * 2.0 - 1.0
        coded: Floats = (place[:, None] == np.arange(len(self.levels) - 1)).astype(np.float64)
        coded[place == len(self.levels) - 1] = -1.0
        return coded


def parse_factor(text: str) -> PlanFactor:
    """A factor from ``name=low..high``, ``name=1,2,3`` or ``name=word,word``.

    Raises
    ------
    UsageError
        The text is not of that form, has one level only, or a level twice.

    Examples
    --------
    >>> parse_factor("ring_share=0..0.6")
    PlanFactor(name='ring_share', levels=(0.0, 0.6), ranged=True)
    """
    name, sign, said = text.partition("=")
    name, said = name.strip(), said.strip()
    if not sign or not said:
        raise UsageError(f"factor {text!r}: write name=low..high, name=1,2,3 or name=word,word")
    if not _NAME.fullmatch(name):
        raise UsageError(
            f"factor {name!r}: use small letters, digits and _, with the unit at the end, as in power_w"
        )
    span = _RANGE.fullmatch(said)
    if span:
        low, high = _number(span[1]), _number(span[2])
        if low is None or high is None or not low < high:
            raise UsageError(f"factor {name!r}: {said!r} is no range; write low..high with low below high")
        return PlanFactor(name, (low, high), True)
    parts = [part.strip() for part in said.split(",")]
    if len(parts) < 2 or not all(parts):
        raise UsageError(
            f"factor {name!r}: {said!r} gives no two levels; a factor that is not varied is no factor"
        )
    numbers = [_number(part) for part in parts]
    known = [number for number in numbers if number is not None]
    if known and len(known) < len(numbers):
        raise UsageError(f"factor {name!r}: {said!r} mixes numbers and words")
    levels: tuple[Value, ...] = tuple(sorted(known)) if known else tuple(parts)
    if len(set(levels)) < len(levels):
        raise UsageError(f"factor {name!r}: {said!r} names a level twice")
    return PlanFactor(name, levels)


def parse_factors(texts: list[str] | tuple[str, ...]) -> tuple[PlanFactor, ...]:
    """Several factors.

    Raises
    ------
    UsageError
        None, or a name twice, or as `parse_factor`.
    """
    factors = tuple(parse_factor(text) for text in texts)
    names = [factor.name for factor in factors]
    if not names:
        raise UsageError("no factor is given; give --factor name=low..high at least once")
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise UsageError(f"factor {twice!r} is given twice")
    return factors


@dataclass(frozen=True)
class Forbidden:
    """A combination that cannot be welded: all of `pairs` at once; a pair is a factor with a value or a span."""

    pairs: dict[str, Value | tuple[float, float]]

    def holds(self, run: dict[str, Value]) -> bool:
        """Whether a run is this combination."""
        return all(_meets(run[name], wanted) for name, wanted in self.pairs.items())


def parse_forbidden(text: str, factors: tuple[PlanFactor, ...]) -> Forbidden:
    """A forbidden combination from ``ring_share=0 ring_diameter_mm=1..2``.

    Raises
    ------
    UsageError
        A pair is not of that form, or names no factor or a word that is no level of it.
    """
    known = {factor.name: factor for factor in factors}
    pairs: dict[str, Value | tuple[float, float]] = {}
    for pair in text.split():
        name, sign, said = pair.partition("=")
        if not sign or not said or name not in known:
            raise UsageError(f"--forbid {text!r}: {pair!r} is no factor=value; factors: {', '.join(known)}")
        factor = known[name]
        span = _RANGE.fullmatch(said)
        number = _number(said)
        if not factor.numeric:
            if said not in factor.levels:
                raise UsageError(
                    f"--forbid {text!r}: {said!r} is no level of {name}: {', '.join(map(str, factor.levels))}"
                )
            pairs[name] = said
        elif span and (low := _number(span[1])) is not None and (high := _number(span[2])) is not None:
            pairs[name] = (min(low, high), max(low, high))
        elif number is not None:
            pairs[name] = number
        else:
            raise UsageError(f"--forbid {text!r}: {said!r} is no number and no low..high")
    if not pairs:
        raise UsageError("--forbid is empty; write factor=value factor=value")
    return Forbidden(pairs)


def allowed(runs: list[dict[str, Value]], forbidden: tuple[Forbidden, ...]) -> list[dict[str, Value]]:
    """The runs that can be welded."""
    return [run for run in runs if not any(one.holds(run) for one in forbidden)]


def _meets(value: Value, wanted: Value | tuple[float, float]) -> bool:
    if isinstance(wanted, tuple):
        low, high = wanted
        room = _SAME * max(abs(low), abs(high), 1e-300)
        return low - room <= float(value) <= high + room
    if isinstance(wanted, str):
        return value == wanted
    return math.isclose(float(value), wanted, rel_tol=_SAME, abs_tol=1e-12)


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
