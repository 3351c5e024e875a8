"""Amounts with units: read from what people write, written as people read them."""

from __future__ import annotations

import math
import re

from ..model.errors import UsageError

# Factor to the unit that poolwatch's files use: mm, mm/s, s, Hz, W, px, mm per pixel.
_UNITS: dict[str, dict[str, float]] = {
    "mm": {"mm": 1.0, "um": 1e-3, "m": 1e3, "cm": 10.0},
    "mm/s": {"mm/s": 1.0, "m/s": 1e3, "m/min": 1e3 / 60, "mm/min": 1 / 60},
    "s": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0},
    "Hz": {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "fps": 1.0},
    "W": {"W": 1.0, "kW": 1e3},
    "mm/px": {"mm/px": 1.0, "um/px": 1e-3, "mm": 1.0, "um": 1e-3},
    "GB": {"GB": 1.0, "MB": 1e-3, "TB": 1e3},
}
_STEPS: dict[str, tuple[tuple[float, str], ...]] = {
    "mm": ((1.0, "mm"), (1e-3, "µm")),
    "mm/s": ((1e3, "m/s"), (1.0, "mm/s")),
    "s": ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns")),
    "Hz": ((1e6, "MHz"), (1e3, "kHz"), (1.0, "Hz")),
    "W": ((1e3, "kW"), (1.0, "W")),
    "mm/px": ((1.0, "mm/px"), (1e-3, "µm/px")),
    "GB": ((1e3, "TB"), (1.0, "GB"), (1e-3, "MB")),
}
_AMOUNT = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\d\s].*)?")


def parse_amount(text: str, unit: str) -> float:
    """The amount in `unit` that a text like ``"50um"``, ``"20 m/s"`` or ``"0.05"`` says.

    Parameters
    ----------
    text
        A number, with or without a unit; without one it is in `unit`.
    unit
        ``mm``, ``mm/s``, ``s``, ``Hz``, ``W``, ``mm/px`` or ``GB``.

    Raises
    ------
    UsageError
        No number above 0, or a unit that is not one of this kind.

    Examples
    --------
    >>> parse_amount("100us", "s")
    0.0001
    """
    known = _UNITS[unit]
    found = _AMOUNT.fullmatch(text.replace("µ", "u").replace("μ", "u"))
    if re.match(r"\s*[+-]?\d*,\d", text):
        raise UsageError(f"{text!r} is no amount in {unit}; write a decimal point, not a comma")
    number, said = found.groups() if found else ("", None)
    if not found or (said and said.strip() not in known):
        raise UsageError(
            f"{text!r} is no amount in {unit}; write a number, with one of these units or none "
            f"(then {unit}): {', '.join(known)}"
        )
    value = float(number) * (known[said.strip()] if said else 1.0)
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{text!r} must be a finite amount above 0")
    return float(f"{value:.12g}")


def amount(value: float, unit: str, digits: int = 3) -> str:
    """The value as people read it: ``amount(1.25e-6, "s")`` is ``"1.25 µs"``; an unknown unit stays as it is."""
    if not math.isfinite(value):
        return "none"
    steps = _STEPS.get(unit, ((1.0, unit),))
    factor, name = next(((f, n) for f, n in steps if abs(value) >= f * (1 - 1e-9)), steps[-1])
    scaled = float(f"{value / factor:.{digits}g}")
    shown = f"{scaled:,.0f}" if abs(scaled) >= 1000 else f"{scaled:g}"
    return f"{shown} {name}".rstrip()


def round_up(value: float, digits: int = 2) -> float:
    """Round up to so many significant digits."""
    return _round(value, digits, math.ceil)


def round_down(value: float, digits: int = 2) -> float:
    """Round down to so many significant digits."""
    return _round(value, digits, math.floor)


def _round(value: float, digits: int, way: object) -> float:
    step = 10.0 ** (math.floor(math.log10(abs(value))) - digits + 1)
    # A value that is round already but for its last binary digit stays.
    steps = value / step
    near = round(steps)
    whole = (
        near
        if abs(steps - near) < 1e-9 * abs(steps)
        else (math.ceil if way is math.ceil else math.floor)(steps)
    )
    return float(f"{whole * step:.12g}")


def table(rows: list[tuple[str, ...]], indent: str = "  ") -> list[str]:
    """Lines of a table with columns as wide as their widest cell."""
    if not rows:
        return []
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    return [
        (indent + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))).rstrip()
        for row in rows
    ]
