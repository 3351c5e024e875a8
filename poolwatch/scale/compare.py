"""Two calibrations of one view against each other."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..model.axes import Scale
from .calibration import OVER_THE_LINE, OVER_THE_VIEW, Calibration, Plane, ScaleLine
from .uncertainty import coverage_factor

_WORDS = {
    "travel": "along travel",
    "ruler": "along the ruler",
    "points": "along the line of the points",
}
# Lines that differ by less than this are one direction, degrees.
_ONE_DIRECTION_DEG = 10.0


@dataclass(frozen=True)
class ScaleDifference:
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
) -> ScaleDifference:
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
    return ScaleDifference(difference, u, limit, abs(difference) <= limit, u > 0)


@dataclass(frozen=True)
class CalibrationDifference:
    """Two calibrations of one view against each other, where both can be seen.

    Attributes
    ----------
    first, second
        The scales that were compared: at one place, and along one direction where one of the two knows no other.
    result
        How far they differ, and how far they may.
    where
        At which place and along what they were compared, in words.
    hint
        What else may tell them apart, in a sentence; empty where nothing does.
    sizes
        That they were made with pictures of other sizes, in a sentence; empty where they were not, or it is not known.
    """

    first: Scale
    second: Scale
    result: ScaleDifference
    where: str
    hint: str = ""
    sizes: str = ""


def compare_calibrations(first: Calibration, second: Calibration) -> CalibrationDifference:
    """Compare two calibrations of one view, a tilted one too.

    Notes
    -----
    In a tilted view a pixel is worth more along the tilt than across it, and more far away than near. What was seen
    over a plane is held against what was seen along a line (travel, ruler, two points) along that line, where it was
    seen. Two planes are held against each other at the first one's place, in the direction in which they differ most.
    There either has the uncertainty of one direction, which is up to √2 that of the geometric mean of two that its
    file states.
    """
    one, other, where, hint = first.scale, second.scale, "over all directions", ""
    if first.plane is not None and second.plane is not None:
        place = (first.plane.place_x, first.plane.place_y)
        # Along the unit vector (dx, dy) of the picture the second is furthest from the first.
        back = np.linalg.inv(first.plane.jacobian(place))
        left, ratios, _ = np.linalg.svd((second.plane.jacobian(place) @ back).T)
        dx, dy = back @ left[:, int(np.argmax(np.abs(np.log(ratios))))]
        line = ScaleLine(*place, math.degrees(math.atan2(-dy, dx)))
        one, other = _along(first, first.plane, line), _along(second, second.plane, line)
        where = _words("where they differ most", line)
    elif first.plane is not None and second.line is not None:
        one, other = _along(first, first.plane, second.line), _there(second)
        where = _words(_WORDS.get(second.method, "along a line"), second.line)
    elif second.plane is not None and first.line is not None:
        one, other = _there(first), _along(second, second.plane, first.line)
        where = _words(_WORDS.get(first.method, "along a line"), first.line)
    elif first.line is not None and second.line is not None:
        apart = abs((first.line.direction_deg - second.line.direction_deg + 90) % 180 - 90)
        where = "each along its own line"
        if apart > _ONE_DIRECTION_DEG:
            hint = (
                f"The two were seen along lines {apart:.0f} degrees apart: a tilted view alone makes them differ; "
                "a target photo would tell"
            )
    result = compare(one, other, dof_first=first.budget.dof, dof_second=second.budget.dof)
    return CalibrationDifference(one, other, result, where, hint, _sizes(first.scale, second.scale))


def _along(calibration: Calibration, plane: Plane, line: ScaleLine) -> Scale:
    value = float(plane.scale_along((line.x, line.y), line.direction_deg))
    relative = math.sqrt(2) * calibration.u_but_for(OVER_THE_VIEW) / calibration.scale.mm_per_px
    return replace(calibration.scale, mm_per_px=value, u_mm_per_px=relative * value)


def _there(calibration: Calibration) -> Scale:
    """A scale where it was seen, however it changes elsewhere."""
    return replace(calibration.scale, u_mm_per_px=calibration.u_but_for(OVER_THE_LINE))


def _sizes(first: Scale, second: Scale) -> str:
    a, b = first.picture_px, second.picture_px
    if a is None or b is None or a == b:
        return ""
    return (
        "made with pictures of {} x {} and {} x {} px: the two can be held against each other only "
        "where one picture is a part cut out of the other, and places in px are not the same in both"
    ).format(*a, *b)


def _words(what: str, line: ScaleLine) -> str:
    return f"{what} ({round(line.direction_deg)}° in the picture, at x {line.x:.0f}, y {line.y:.0f} px)"
