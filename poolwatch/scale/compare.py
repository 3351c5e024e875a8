"""Two calibrations of one view against each other."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..model.axes import Scale
from .uncertainty import coverage_factor


@dataclass(frozen=True)
class Comparison:
    """How far two scales differ, and how far they may.

    Attributes
    ----------
    difference
        Second less first, relative to the first.
    u_difference
        Standard uncertainty of the difference, relative; the two taken as independent.
    limit
        Half width of the 95 % interval of the difference, relative.
    agree
        Whether the difference lies within the limit.
    judged
        False where neither scale has an uncertainty: then nothing can be judged.
    """

    difference: float
    u_difference: float
    limit: float
    agree: bool
    judged: bool


def compare(
    first: Scale, second: Scale, *, dof_first: float = math.inf, dof_second: float = math.inf
) -> Comparison:
    """Compare two scales of one view.

    Parameters
    ----------
    first, second
        The scales.
    dof_first, dof_second
        Degrees of freedom of their uncertainties.

    Notes
    -----
    The normalised error of proficiency tests: the difference over its expanded uncertainty must not exceed 1.
    Two calibrations that share an error (one ruler for both) may disagree with the truth and still agree here.
    """
    difference = second.mm_per_px / first.mm_per_px - 1
    a = first.u_mm_per_px / first.mm_per_px
    b = second.u_mm_per_px / first.mm_per_px
    u = math.hypot(a, b)
    lost = a**4 / dof_first + b**4 / dof_second
    limit = coverage_factor(u**4 / lost if lost > 0 else math.inf, 0.95) * u
    return Comparison(difference, u, limit, abs(difference) <= limit, u > 0)
