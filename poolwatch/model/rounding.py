"""Numbers with the digits that their uncertainty leaves them."""

from __future__ import annotations

import math
from typing import Any

MINUS = "\N{MINUS SIGN}"
_MISSING = "–"
# Two digits of an uncertainty up to here, one above: its last digit is then at most a sixth of it.
_TWO_DIGITS = 3.545
_MOST_PLACES = 9


def known(value: Any) -> bool:
    """Whether a value is a finite number."""
    try:
        return math.isfinite(float(value))
    except (TypeError, ValueError):
        return False


def places_of(uncertainty: float) -> int:
    """Decimal places to which an uncertainty, and its value, are given; negative for tens, hundreds …

    One or two significant digits: at most two suffice (GUM, JCGM 100:2008, 7.2.6). Which of the two follows the rule
    of the Particle Data Group (Review of Particle Physics, introduction, "Rounding"): two up to 354, one above.

    Examples
    --------
    >>> [places_of(u) for u in (0.119, 0.367, 0.96, 37.0)]
    [2, 1, 1, -1]
    """
    power = math.floor(math.log10(uncertainty))
    lead = uncertainty / 10.0**power
    # 950 to 999 become 1000, and keep a second digit: the same place as the first of what they are.
    return min(1 - power if lead < _TWO_DIGITS else -power, _MOST_PLACES)


def to_places(value: float, places: int, *, plus: bool = False) -> str:
    """A number to so many decimal places, with a true minus sign, and a plus sign where `plus` says so."""
    text = f"{round(value, places):.{max(places, 0)}f}"
    if float(text) == 0:
        return text.lstrip("-")
    return f"+{text}" if plus and value > 0 else text.replace("-", MINUS)


def number(value: Any, uncertainty: float | None = None) -> str:
    """A number rounded to its uncertainty; without one three significant digits, whole numbers whole; "–" if missing.

    Examples
    --------
    >>> number(0.827, 0.119), number(0.827, 0.367), number(1234.5, 56.0), number(0.0012345)
    ('0.83', '0.8', '1230', '0.00123')
    """
    if not known(value):
        return _MISSING
    value = float(value)
    if uncertainty is not None and known(uncertainty) and uncertainty > 0:
        return to_places(value, places_of(float(uncertainty)))
    if value == int(value) and abs(value) < 1e6:
        text = f"{int(value)}"
    elif 1000 <= abs(value) < 1e7:
        text = f"{value:.0f}"
    else:
        text = f"{value:#.3g}".rstrip(".")
    return text.replace("-", MINUS)


def with_interval(value: Any, low: Any, high: Any, *, factor: float = 1.0, plus: bool = False) -> str:
    """A number with its 95 % interval in brackets, all times `factor`, rounded to half of the interval's width.

    Half of the width is the expanded uncertainty. Where an end is missing the value stands alone.

    Examples
    --------
    >>> with_interval(2.4037, 2.3911, 2.4164), with_interval(62.0, 57.0, 66.0)
    ('2.404 (2.391 to 2.416)', '62 (57 to 66)')
    """
    if not known(value):
        return _MISSING
    value = factor * float(value)
    if not (known(low) and known(high)):
        return number(value)
    ends = factor * float(low), factor * float(high)
    half = abs(ends[1] - ends[0]) / 2
    if not half > 0:
        return number(value)
    shown, low, high = (to_places(one, places_of(half), plus=plus) for one in (value, *ends))
    return f"{shown} ({low} to {high})"


def with_uncertainty(value: Any, uncertainty: Any) -> str:
    """A number with its standard uncertainty: ``0.83 ± 0.12``; alone where none is known.

    Examples
    --------
    >>> with_uncertainty(0.827, 0.119), with_uncertainty(0.827, 0.96)
    ('0.83 ± 0.12', '0.8 ± 1.0')
    """
    if not (known(uncertainty) and float(uncertainty) > 0):
        return number(value)
    return f"{number(value, float(uncertainty))} ± {number(uncertainty, float(uncertainty))}"
