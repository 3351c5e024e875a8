"""Factors and their coding: numbers, words, directions, and factors of a part that some settings lack."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Value = float | str
Run = Mapping[str, Value]
"""A setting: value by factor name, without the prefix ``factor_``."""
ABSENT = "absent"
"""Value of a factor of a part that a setting lacks: no ring, no ring diameter."""
BLOCK = "block"
"""The factor that holds days, sheets, batches: it is taken out of the scatter, but nobody can choose it."""
BLOCK_COLUMN = f"factor_{BLOCK}"
"""Its column in manifests and score rows."""
SHAPE = "beam_shape"
# Endings of names that hold angles, and after how many degrees these repeat.
_PERIODS = {"_direction_deg": 360.0, "_axis_deg": 180.0}
# Directions within this share of the period count as numbers; two bundles no wider than the second as two levels.
_ARC, _BUNDLE = 0.25, 0.06
# A part whose parent is below this share of the parent's largest value is not there.
_NOTHING = 0.02


def period_of(name: str) -> float:
    """After how many degrees a factor repeats: 360 for ``…_direction_deg``, 180 for ``…_axis_deg``, else 0."""
    return next((period for ending, period in _PERIODS.items() if name.endswith(ending)), 0.0)


def wrapped(degrees: float, period: float) -> float:
    """The angle in (-period/2, period/2]."""
    turned = degrees % period
    return turned - period if turned > period / 2 else turned


@dataclass(frozen=True)
class Factor:
    """A process factor, as it is planned or was varied.

    Attributes
    ----------
    name
        Without the prefix ``factor_``.
    levels
        Numbers in rising order, or words. Angles of an arc are counted from `centre`.
    ranged
        The two numbers are the ends of a range in which any value can be set.
    nested_in
        Name of the factor whose part it belongs to, empty for none known.
    within
        Levels of that factor with which the part is there.
    period, centre
        For directions: after how many degrees they repeat, and the middle of the arc that was used.
    """

    name: str
    levels: tuple[Value, ...]
    ranged: bool = False
    nested_in: str = ""
    within: tuple[Value, ...] = ()
    period: float = 0.0
    centre: float = 0.0

    @property
    def of_words(self) -> bool:
        """Whether its levels are words."""
        return isinstance(self.levels[0], str)

    @property
    def numeric(self) -> bool:
        """Whether it is coded as a number from -1 to +1 between its ends."""
        return not self.of_words and (not self.period or self._span <= _ARC * self.period)

    @property
    def round(self) -> bool:
        """Whether it holds more than two directions around the circle, coded as cosine and sine."""
        return bool(self.period) and not self.numeric and len(self.levels) > 2

    @property
    def _span(self) -> float:
        low, high = self._ends
        return high - low

    @property
    def _ends(self) -> tuple[float, float]:
        low, *_, high = self.levels
        return float(low), float(high)

    @property
    def column(self) -> str:
        """Its column in score rows."""
        return SHAPE if self.name == SHAPE else f"factor_{self.name}"

    @property
    def distinct(self) -> int:
        """Levels that differ by more than a twentieth of the range; of words and directions all."""
        if not self.numeric:
            return len(self.levels)
        numbers = np.array(self.levels, dtype=np.float64)
        count, last = 1, numbers[0]
        for number in numbers[1:]:
            if number - last > 0.05 * np.ptp(numbers):
                count, last = count + 1, number
        return 3 if self.ranged and count == 2 else count

    def code(self, values: Sequence[Value]) -> Floats:
        """Columns of a linear model; 0 where the part is absent.

        Numbers go from -1 to +1, two words or directions are -1 and +1, more words are departures from the mean of
        the levels, more directions their cosine and sine.

        Returns
        -------
        NDArray
            Shape (n, 1), (n, 2) for directions around the circle, (n, levels - 1) for more than two words.
        """
        here = np.array([value != ABSENT for value in values], dtype=np.bool_)
        coded = self._coded([value for value in values if value != ABSENT])
        _, width = coded.shape
        made: Floats = np.zeros((len(values), width))
        made[here] = coded
        return made

    def _coded(self, values: list[Value]) -> Floats:
        if self.numeric:
            low, high = self._ends
            numbers = self._number(np.array(values, dtype=np.float64))[:, None]
            return np.asarray((2 * numbers - high - low) / (high - low))
        if self.round:
            angle = np.radians(np.array(values, dtype=np.float64) * 360 / self.period)
            return np.column_stack([np.cos(angle), np.sin(angle)])
        known = {value: self.level(value) for value in set(values)}
        place = np.array([known[value] for value in values], dtype=np.int64)
        if len(self.levels) == 2:
            return np.asarray(place[:, None] * 2.0 - 1.0)
        coded: Floats = (place[:, None] == np.arange(len(self.levels) - 1)).astype(np.float64)
        coded[place == len(self.levels) - 1] = -1.0
        return coded

    def level(self, value: Value) -> int:
        """Number of the level of a word, or of the nearest direction."""
        if isinstance(value, str):
            return self.levels.index(value)
        away = [abs(wrapped(float(value) - float(one), self.period or 1e300)) for one in self.levels]
        return int(np.argmin(away))

    def _number(self, values: Floats) -> Floats:
        if not self.period:
            return values
        return np.asarray((values - self.centre + self.period / 2) % self.period - self.period / 2)

    def value(self, coded: float, digits: int = 6) -> float:
        """The number at a coded place: -1 is the lowest level, +1 the highest."""
        low, high = self._ends
        number = low + (coded + 1) / 2 * (high - low)
        if self.period:
            number = wrapped(number + self.centre, self.period)
        return float(f"{number:.{digits}g}")

    @property
    def settings(self) -> tuple[Value, ...]:
        """The levels as they are set: directions of an arc no longer from its middle."""
        if not self.period:
            return self.levels
        return tuple(round(wrapped(float(one) + self.centre, self.period), 9) for one in self.levels)

    def shown(self, place: int) -> str:
        """A level as it stands in a table."""
        level = self.levels[place]
        if isinstance(level, str):
            return level
        return f"{wrapped(round(level), self.period):.0f}°" if self.period else f"{level:.6g}"

    def exists_with(self, value: Value) -> bool:
        """Whether its part is there when the factor that it is nested in has a value."""
        if value == ABSENT:
            return False
        if isinstance(value, str):
            return value in self.within
        least = min(abs(float(level)) for level in self.within)
        return abs(float(value)) >= min(least, _NOTHING * max(abs(float(level)) for level in self.within))


def is_nothing(values: Floats) -> NDArray[np.bool_]:
    """Which values of a factor say that its part is not there: those that are 0 beside the largest."""
    size = np.abs(values)
    return np.asarray(size <= _NOTHING * size.max(initial=0.0))


def direction_factor(name: str, angles: Sequence[float], *, ranged: bool = False) -> Factor:
    """A factor of directions: an arc is a number, two bundles are two levels, more are a circle.

    Parameters
    ----------
    name
        Ends in ``_direction_deg`` or ``_axis_deg``.
    angles
        Degrees, however wrapped; those that are the same on the circle are one level.
    ranged
        Any value between the two can be set.
    """
    period = period_of(name)
    turned = np.sort(np.unique(np.round(np.asarray(angles, dtype=np.float64) % period, 9) % period))
    gaps = np.diff(turned, append=turned.min() + period)
    # Cut the circle at its widest gap: what is left is the shortest arc that holds all.
    turned = np.roll(turned, -int(gaps.argmax()) - 1)
    first = float(turned[0])
    along = first + (turned - first) % period
    if np.ptp(along) <= _ARC * period:
        middle = (along.min() + along.max()) / 2
        levels = np.round(along - middle, 9)
        centre = wrapped(float(middle), period)
        return Factor(name, tuple(map(float, levels)), ranged, period=period, centre=centre)
    bundles: list[list[float]] = []
    begin = -math.inf
    for angle in along.tolist():
        if angle - begin > _BUNDLE * period:
            bundles.append([])
            begin = angle
        bundles[-1].append(angle)
    # Straight behind is 180, not -180, also where it was measured as -179.7.
    room = _BUNDLE * period / 2
    middles = sorted(
        (round(float(np.mean(bundle)), 6) + period / 2 - room) % period - period / 2 + room
        for bundle in bundles
    )
    return Factor(name, tuple(middles), period=period)
