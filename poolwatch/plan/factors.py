"""Process factors as they are to be varied."""

from __future__ import annotations

import re

from ..experiment.factors import Factor, Value, direction_factor, period_of
from ..experiment.limits import number
from ..model.errors import UsageError

_NAME = re.compile(r"[a-z][a-z0-9_]*")
_RANGE = re.compile(r"\s*(\S+?)\s*\.\.\s*(\S+)\s*")


def parse_factor(text: str) -> Factor:
    """A factor from ``name=low..high``, ``name=1,2,3`` or ``name=word,word``.

    Raises
    ------
    UsageError
        The text is not of that form, has one level only, or a level twice.

    Examples
    --------
    >>> parse_factor("ring_share=0..0.6")
    Factor(name='ring_share', levels=(0.0, 0.6), ranged=True, nested_in='', within=(), period=0.0, centre=0.0)
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
        low, high = number(span[1]), number(span[2])
        if low is None or high is None or not low < high:
            raise UsageError(f"factor {name!r}: {said!r} is no range; write low..high with low below high")
        return _ranged(name, low, high)
    parts = [part.strip() for part in said.split(",")]
    if len(parts) < 2 or not all(parts):
        raise UsageError(
            f"factor {name!r}: {said!r} gives no two levels; a factor that is not varied is no factor"
        )
    numbers = [number(part) for part in parts]
    known = [number for number in numbers if number is not None]
    if known and len(known) < len(numbers):
        raise UsageError(f"factor {name!r}: {said!r} mixes numbers and words")
    levels: tuple[Value, ...] = tuple(sorted(known)) if known else tuple(parts)
    if len(set(levels)) < len(levels):
        raise UsageError(f"factor {name!r}: {said!r} names a level twice")
    return direction_factor(name, known) if known and period_of(name) else Factor(name, levels)


def parse_factors(texts: list[str] | tuple[str, ...]) -> tuple[Factor, ...]:
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


def _ranged(name: str, low: float, high: float) -> Factor:
    if not period_of(name):
        return Factor(name, (low, high), True)
    factor = direction_factor(name, (low, high), ranged=True)
    if not factor.numeric or high - low > period_of(name) / 2:
        raise UsageError(
            f"factor {name!r}: directions go round, so a range holds a quarter of them at most; list the directions"
        )
    return factor
