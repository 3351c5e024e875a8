"""Trials with parts that some beams lack, planned by the planner, with effects and scatter drawn by hand.

The columns of the model are written here once more, from their definitions and not with the code under test: numbers
from -1 to +1 between the ends, a part's figure 0 where the part is absent, its product with its parent about the mean of
the parent's levels that have the part.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from poolwatch.experiment.limits import Forbidden, Limits, allowed, nest, parse_forbidden, parse_nested
from poolwatch.plan.candidates import grid
from poolwatch.plan.factors import parse_factors
from poolwatch.plan.optimal import d_optimal

FACTORS = (
    "ring_share=0,0.3,0.6",
    "ring_diameter_mm=0.8,1.2",
    "tail_length_mm=0,1,2",
    "tail_direction_deg=0,180",
    "travel_speed_mm_s=80,100,120",
)
NESTED = ("ring_diameter_mm in ring_share", "tail_direction_deg in tail_length_mm")
APART = "ring_share=0.3..0.6 tail_length_mm=1..2"
"""A beam has a ring or a tail, not both."""
SCATTER = 3.0


@dataclass(frozen=True)
class Planned:
    """A planned trial: its runs, and what it forbids."""

    runs: list[dict[str, float | str]]
    forbidden: tuple[Forbidden, ...]
    limits: Limits


def planned(welds: int, seed: int, *, apart: bool, model: str = "interactions") -> Planned:
    nested = parse_nested(NESTED)
    factors = nest(parse_factors(FACTORS), nested)
    forbidden = (parse_forbidden(APART, factors),) if apart else ()
    candidates = allowed(grid(factors, model), forbidden)  # type: ignore[arg-type]
    plan = d_optimal(factors, candidates, welds, model=model, seed=seed, starts=3)  # type: ignore[arg-type]
    listed = {f.name: tuple(map(float, f.settings)) for f in factors}
    return Planned(
        plan.runs, forbidden, Limits(nested, forbidden, {"ring_diameter_mm": listed["ring_diameter_mm"]})
    )


def _mains(run: dict[str, float | str]) -> dict[str, float]:
    share, length = float(run["ring_share"]), float(run["tail_length_mm"])
    diameter, direction = run["ring_diameter_mm"], run["tail_direction_deg"]
    assert (diameter == "absent") == (share == 0)
    assert (direction == "absent") == (length == 0)
    return {
        "ring_share": (share - 0.3) / 0.3,
        "ring_diameter_mm": 0.0 if diameter == "absent" else (float(diameter) - 1.0) / 0.2,
        "tail_length_mm": length - 1,
        # 0 is leading, 180 trailing, however it is wrapped.
        "tail_direction_deg": 0.0 if direction == "absent" else -np.cos(np.radians(float(direction))),
        "travel_speed_mm_s": (float(run["travel_speed_mm_s"]) - 100) / 20,
    }


def column(term: str) -> Callable[[dict[str, float | str]], float]:
    """The column of a term for a run."""

    def value(run: dict[str, float | str]) -> float:
        x = _mains(run)
        if term.endswith("²"):
            return x[term[:-1]] ** 2
        names = term.split(" x ")
        if len(names) == 1:
            return x[term]
        if set(names) in ({"ring_share", "ring_diameter_mm"}, {"tail_length_mm", "tail_direction_deg"}):
            # Levels with the part are coded 0 and 1: their mean is one half.
            return (x[names[0]] - 0.5) * x[names[1]]
        return x[names[0]] * x[names[1]]

    return value


def matrix(terms: list[str], runs: list[dict[str, float | str]]) -> np.ndarray:
    return np.array([[1.0, *(column(term)(run) for term in terms)] for run in runs])


def draw_coefficients(terms: list[str], rng: np.random.Generator) -> np.ndarray:
    """Half of the effects are none; main effects are larger than the others."""
    size = np.array([3.0 if " x " not in term and "²" not in term else 1.5 for term in terms])
    return np.concatenate([[50.0], size * rng.standard_normal(len(terms)) * (rng.random(len(terms)) < 0.5)])


def scores(runs: list[dict[str, float | str]], index: np.ndarray) -> pd.DataFrame:
    # Directions come back from pictures wrapped either way, and not to the last digit.
    wobble = np.random.default_rng(3)
    made = {f"factor_{name}": [run[name] for run in runs] for name in runs[0]}
    made["factor_tail_direction_deg"] = [
        value if value == "absent" else (float(value) + wobble.normal(0, 0.5) + 180) % 360 - 180
        for value in made["factor_tail_direction_deg"]
    ]
    return pd.DataFrame(
        {"clip": [f"w{k}" for k in range(len(runs))], "beam_shape": "x", "stability_index": index} | made
    )
