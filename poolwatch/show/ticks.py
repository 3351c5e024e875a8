"""Round numbers for ticks and scale bars."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray


def nice_step(least: float) -> float:
    """The smallest of 1, 2, 5 times a power of ten that is at least `least` (> 0)."""
    power = 10.0 ** math.floor(math.log10(least))
    for mantissa in (1.0, 2.0, 5.0, 10.0):
        if mantissa * power >= least * (1 - 1e-9):
            return mantissa * power
    return 10.0 * power


def ticks(low: float, high: float, most: int) -> NDArray[np.float64]:
    """Round places within [low, high], at most about `most` of them."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return np.empty(0)
    step = nice_step((high - low) / max(most, 1))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return np.asarray(np.arange(first, last + 1) * step, dtype=np.float64)


def decimals(step: float) -> int:
    """Decimal places that tell multiples of `step` apart."""
    return max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0


def digits(value: float, step: float) -> str:
    """A number with the decimals that `step` needs, with a true minus sign."""
    text = f"{value:.{decimals(step)}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "\N{MINUS SIGN}")
