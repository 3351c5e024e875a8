"""Numbers with the digits that their uncertainty leaves them."""

from __future__ import annotations

import math
from collections.abc import Iterable
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


def half_width(low: Any, high: Any, factor: float = 1.0) -> float:
    """Half of the width of an interval times `factor`: its expanded uncertainty; NaN where there is none."""
    half = factor * abs(float(high) - float(low)) / 2 if known(low) and known(high) else math.nan
    return half if half > 0 else math.nan


def common_places(uncertainties: Iterable[float]) -> int | None:
    """Decimal places for all figures of a column: the fewest that one of them asks for.

    None where another would then keep no digit of its uncertainty, so that each must have its own.

    Examples
    --------
    >>> common_places([4.3, 3.05]), common_places([0.021, 2.9])
    (0, None)
    """
    found = [u for u in uncertainties if known(u)]
    if not found:
        return None
    places = min(map(places_of, found))
    least = max(-math.floor(math.log10(u) + 1e-12) for u in found)
    return places if places >= least else None


def with_interval(
    value: Any, low: Any, high: Any, *, factor: float = 1.0, plus: bool = False, places: int | None = None
) -> str:
    """A number with its 95 % interval in brackets, all times `factor`, rounded to half of the interval's width.

    Half of the width is the expanded uncertainty; `places` are those of a column instead (`common_places`). Where an
    end is missing the value stands alone.

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
    half = half_width(*ends)
    if not half > 0:
        return number(value)
    places = places_of(half) if places is None else places
    shown, low, high = (to_places(one, places, plus=plus) for one in (value, *ends))
    return f"{shown} ({low} to {high})"


def share_of_draws(value: Any, *, short: bool = False) -> str:
    """A share of random draws in per cent, which never make anything certain or impossible; `short` for narrow columns.

    Examples
    --------
    >>> share_of_draws(0.42), share_of_draws(1.0), share_of_draws(0.001, short=True)
    ('42 %', 'over 99 %', '<1%')
    """
    if not known(value):
        return _MISSING
    share = float(value)
    if share > 0.995:
        return ">99%" if short else "over 99 %"
    if share < 0.005:
        return "<1%" if short else "under 1 %"
    return f"{share:.0%}" if short else f"{100 * share:.0f} %"


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
