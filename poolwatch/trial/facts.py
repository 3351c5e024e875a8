"""Facts about recordings that those of the other clips refute: a rate, scale or speed that is far off."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

FACTS = {"record_rate_hz": "Hz", "mm_per_px": "mm", "travel_speed_mm_s": "mm/s"}
CONFIRMED = "facts_confirmed"
"""Column of a manifest and of score rows: ``yes`` where somebody has checked what looks wrong."""
YES, NO = ("yes", "y", "true", "1", "x"), ("", "no", "n", "false", "0")
# Values this far from those of the others are a slip of the pen, or no ground for a comparison. Values that differ by
# less than the second are alike. Common practice, no source.
_FAR, _ALIKE = 5.0, 1.5
# Share of the clips whose values must be alike before the others are called wrong.
_MAJORITY = 2 / 3
# A factor that is the fact in another unit keeps its ratio to it within this.
_SAME_RATIO = 0.02


@dataclass(frozen=True)
class StatedFacts:
    """What one row says.

    Attributes
    ----------
    facts
        Value by name of `FACTS`; None or NaN where it is not given.
    setting
        What welds of one setting share: beam shape and factors.
    factors
        Those of the ``factor_…`` columns that are numbers.
    confirmed
        Whether somebody has checked the facts.
    """

    facts: Mapping[str, float | None]
    setting: tuple[object, ...] = ()
    factors: Mapping[str, float] = field(default_factory=dict)
    confirmed: bool = False


def refuted_facts(clips: Sequence[StatedFacts]) -> list[tuple[int, str, str]]:
    """Facts that stand alone against those of the other clips.

    Refuted is what lies five times above or below the middle value while at least two in three clips have about that
    value; or what lies so against at least two other welds of its own setting that have about one value. What is
    planned to differ (a factor in proportion to it) and what is confirmed is left alone.

    Parameters
    ----------
    clips
        All clips of a trial.

    Returns
    -------
    list of tuple
        Number of the clip, name of the fact, and what is wrong in words.
    """
    found = []
    for name, unit in FACTS.items():
        values = {
            n: float(v) for n, clip in enumerate(clips) if (v := clip.facts.get(name)) is not None and v > 0
        }
        if len(values) < 3 or _planned(name, values, clips):
            continue
        middle = statistics.median_low(list(values.values()))
        majority = sum(_apart(v, middle) <= _ALIKE for v in values.values()) >= _MAJORITY * len(values)
        for n, value in values.items():
            if clips[n].confirmed:
                continue
            twins = [v for k, v in values.items() if k != n and clips[k].setting == clips[n].setting]
            if majority and _apart(value, middle) >= _FAR:
                found.append((n, name, f"{value:g} {unit} where most other clips have about {middle:g}"))
            elif len(twins) > 1 and max(twins) <= _ALIKE * min(twins) and _apart(value, twins[0]) >= _FAR:
                text = f"{value:g} {unit} where the other welds of its setting have about {twins[0]:g}"
                found.append((n, name, text))
    return found


def confirmed_by(text: str) -> bool | None:
    """What a cell of the column `CONFIRMED` says; None where it is neither yes nor no."""
    word = text.strip().casefold()
    return True if word in YES else False if word in NO else None


def _apart(a: float, b: float) -> float:
    return max(a / b, b / a)


def _planned(fact: str, values: Mapping[int, float], clips: Sequence[StatedFacts]) -> bool:
    """Whether a factor varies in proportion to a fact."""
    names = {name for n in values for name in clips[n].factors}
    for name in names:
        ratios = [
            clips[n].factors[name] / value
            for n, value in values.items()
            if clips[n].factors.get(name, math.nan) > 0
        ]
        if len(ratios) == len(values) and max(ratios) <= (1 + _SAME_RATIO) * min(ratios):
            return True
    return any(name == f"factor_{fact}" for name in names)
