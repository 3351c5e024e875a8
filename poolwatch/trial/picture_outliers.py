"""Welds whose picture is unlike that of their shape's others: another zoom, window or exposure than stated."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from ..experiment.factors import BLOCK_COLUMN

if TYPE_CHECKING:
    import pandas as pd

# A weld of the same setting departs by more than this from the middle of the others seldom for its own sake.
_SIZE, _LIGHT = 1.1, 1.3
# Chance that any weld of an ordinary trial is named for one column, were its scatter normal.
_CHANCE = 0.01
_LEAST_WELDS = 3
_DRAWS, _SEED = 4000, 19_740_600
_SAME_SETTING = ("beam_shape", "travel_speed_mm_s", "material")


def stray_welds(rows: pd.DataFrame) -> dict[int, str]:
    """What is odd about a weld's pool or light beside the other welds of its shape and setting.

    Length and width that are off by one factor speak for a wrong scale, a keyhole that is brighter or darker for
    another exposure, aperture or a dirty window. Scale and light hardly touch the index but for particles, so such
    welds are named and count.

    Parameters
    ----------
    rows
        Score rows, index 0 to n - 1, with factors where there are any.

    Returns
    -------
    dict
        A few words by number of the row.
    """
    setting = [name for name in _SAME_SETTING if name in rows]
    setting += [name for name in rows if str(name).startswith("factor_") and name != BLOCK_COLUMN]
    found: dict[int, list[str]] = {}
    length, width = (
        _departures(rows, f"pool_{side}_mean_mm", setting, _SIZE) for side in ("length", "width")
    )
    for place in sorted(set(length) | set(width)):
        both = place in length and place in width
        alike = both and abs(np.log(length[place] / width[place])) < np.log(_SIZE)
        sides = [
            f"pool {value:.2g} times as {word} as in its shape's other welds"
            for word, value in (("long", length.get(place)), ("wide", width.get(place)))
            if value is not None
        ]
        found.setdefault(place, []).append(
            f"pool {np.sqrt(length[place] * width[place]):.2g} times as long and wide as in its shape's other welds: "
            "is the scale right?"
            if alike
            else ", ".join(sides)
        )
    light = _departures(rows, "keyhole_brightness_mean", [*setting, *_given(rows, "exposure_s")], _LIGHT)
    for place, value in light.items():
        found.setdefault(place, []).append(
            f"keyhole {value:.2g} times as bright as in its shape's other welds: window, aperture, exposure?"
        )
    return {place: "; ".join(words) for place, words in found.items()}


def _given(rows: pd.DataFrame, name: str) -> list[str]:
    return [name] if name in rows else []


def _departures(rows: pd.DataFrame, column: str, setting: list[str], least: float) -> dict[int, float]:
    """Ratio to the middle of its setting, by number of the row, of what departs too far.

    How far is measured by the median of all departures, which strays themselves hardly touch.
    """
    if column not in rows:
        return {}
    logs = np.log(rows[column].where(rows[column] > 0))
    known = rows[logs.notna()]
    groups = [
        group
        for group in known.groupby(setting, dropna=False, sort=False).indices.values()
        if len(group) >= _LEAST_WELDS
    ]
    departure = {
        int(known.index[place]): float(logs[known.index[place]] - np.median(logs[known.index[group]]))
        for group in groups
        for place in group
    }
    sizes = [abs(value) for value in departure.values() if value]
    if not sizes:
        return {}
    limit = max(np.log(least), _far(tuple(sorted(map(len, groups)))) * float(np.median(sizes)))
    return {place: float(np.exp(value)) for place, value in departure.items() if abs(value) > limit}


@lru_cache(maxsize=64)
def _far(counts: tuple[int, ...]) -> float:
    """How many medians of all departures the largest reaches by chance, for groups of so many normal values."""
    rng = np.random.default_rng(_SEED)
    drawn = [rng.standard_normal((_DRAWS, count)) for count in counts]
    sizes = np.hstack([np.abs(x - np.median(x, axis=1, keepdims=True)) for x in drawn])
    # The middle value of an odd group departs by nothing and tells nothing.
    middle = np.nanmedian(np.where(sizes > 0, sizes, np.nan), axis=1)
    return float(np.quantile(sizes.max(axis=1) / middle, 1 - _CHANCE))
