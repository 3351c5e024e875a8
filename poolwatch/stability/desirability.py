"""From the parts' values to the index: a weighted geometric mean of desirabilities.

The idea of a geometric mean of desirabilities is that of Derringer & Suich 1980 (doi:10.1080/00224065.1980.11980968).
Theirs reach 0 and 1 at stated ends; d = 1/(1 + (x/half)^p) never does, so nothing ties at an end.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from poolwatch.model.errors import UsageError
from poolwatch.model.tables import INDEX_PARTS

from .settings import StabilitySettings


def desirability(x: float | NDArray[np.float64], half: float, exponent: float) -> NDArray[np.float64]:
    """d = 1/(1 + (x/half)^exponent): 1 at 0, one half at `half`, falling towards 0."""
    return np.asarray(1 / (1 + (np.maximum(x, 0.0) / half) ** exponent))


def desirabilities(x: Mapping[str, float], settings: StabilitySettings) -> dict[str, float]:
    """Desirability of each part that is given and is no NaN.

    Parameters
    ----------
    x
        Part → value, named as in `poolwatch.model.tables.INDEX_PARTS`, in the units of `IndexSettings.parts`.
    settings
        All settings of this room.

    Raises
    ------
    UsageError
        A part is unknown or a value is below 0.
    """
    index = settings.index
    result = {}
    for name, value in x.items():
        if name not in INDEX_PARTS:
            raise UsageError(f"unknown index part {name!r}; the parts are {', '.join(INDEX_PARTS)}")
        if value < 0:
            raise UsageError(f"index part {name!r} must be at least 0, got {value!r}")
        if np.isfinite(value):
            result[name] = float(desirability(value, index.parts[name].half, index.exponent))
    return {name: result[name] for name in INDEX_PARTS if name in result}


def weights(names: Mapping[str, object], settings: StabilitySettings) -> dict[str, float]:
    """Weights of the parts that are there, adding up to 1; empty where they have none."""
    given = {name: settings.index.parts[name].weight for name in INDEX_PARTS if name in names}
    total = sum(given.values())
    return {name: weight / total for name, weight in given.items()} if total > 0 else {}


def index_of(x: Mapping[str, float], settings: StabilitySettings) -> float:
    """Stability index, 0 to 100, from the parts' values; parts left out or NaN have no weight.

    NaN where no part with a weight is given.

    Raises
    ------
    UsageError
        A part is unknown or a value is below 0.

    Examples
    --------
    >>> index_of({"pool_length": 0.05, "pool_width": 0.05}, StabilitySettings())
    50.0
    """
    return mean_of(desirabilities(x, settings), settings)


def mean_of(d: Mapping[str, float], settings: StabilitySettings) -> float:
    """Index from desirabilities, with the settings' weights."""
    share = weights(d, settings)
    if not share:
        return float("nan")
    with np.errstate(divide="ignore"):
        return float(100 * np.exp(sum(share[name] * np.log(d[name]) for name in share)))
