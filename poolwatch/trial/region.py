"""The region of settings that was tried: where the model may be asked, and which settings can be welded there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from ..experiment.factors import ABSENT, Factor, Run, Value
from ..experiment.limits import Limits, complete
from .design import Design
from .model import FactorModel

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_CANDIDATES = 1024
_MOST = 20_000
_DIGITS = 4
_SEED = 19_510_400
# What four digits round away, in coded units.
_ROOM = 0.005


@dataclass(frozen=True)
class Region:
    """Where settings may be advised.

    Inside: every factor within its range, every pair of factors within the outline (convex hull) of the pairs tried,
    combinations of words that were tried, the model's leverage no larger than at the least sure setting tried, and
    nothing that the plan forbids. Parts are absent exactly where their parent is.

    Attributes
    ----------
    factors
        Factors that can be chosen, the shape included where it is in the model.
    tried
        Settings tried, each once.
    candidates
        Settings inside, those tried first.
    model, limits
        What bounds it.
    leverage
        The largest of the settings tried.
    """

    factors: tuple[Factor, ...]
    tried: list[dict[str, Value]]
    candidates: list[dict[str, Value]]
    model: FactorModel
    limits: Limits
    leverage: float

    def inside(self, runs: Sequence[Run]) -> Bools:
        """Which settings are inside."""
        rows = self.model.matrix(runs)
        leverage = np.einsum("ni,ij,nj->n", rows, self.model.inverse, rows)
        fine = leverage <= self.leverage * (1 + 1e-6)
        fine &= np.array([self.limits.allow(run) for run in runs], dtype=np.bool_)
        for a, b in combinations(self.factors, 2):
            fine &= _in_pair(a, b, self.tried, runs)
        if len(self.factors) == 1:
            only = self.factors[0]
            fine &= _in_range(only, [run[only.name] for run in self.tried], [run[only.name] for run in runs])
        return np.asarray(fine)

    def around(self, run: Run, reach: float, count: int, rng: np.random.Generator) -> list[dict[str, Value]]:
        """Settings inside near another one: its numbers moved by up to `reach` in coded units."""
        made = []
        for _ in range(count):
            moved = dict(run)
            for factor in self.factors:
                value = run[factor.name]
                if factor.numeric and value != ABSENT and factor.name not in self.limits.listed:
                    coded = factor.code([value])[0, 0] + rng.uniform(-reach, reach)
                    moved[factor.name] = factor.value(float(np.clip(coded, -1, 1)), digits=_DIGITS)
            made.append(moved)
        made = _filled(made, self)
        return [one for one, fine in zip(made, self.inside(made), strict=True) if fine]


def region_of(design: Design, model: FactorModel, limits: Limits | None = None) -> Region:
    """The region that a trial's settings span.

    Parameters
    ----------
    design
        What was tried.
    model
        Its model.
    limits
        What the plan forbids.
    """
    limits = limits or Limits()
    in_model = [term.first for term in model.terms if term.order == 1]
    shape = tuple(factor for factor in in_model if factor == design.shape)
    factors = (*shape, *design.chosen)
    names = [factor.name for factor in factors]
    tried = [
        dict(key) for key in dict.fromkeys(tuple((name, run[name]) for name in names) for run in design.runs)
    ]
    rows = model.matrix(tried)
    most = float(np.einsum("ni,ij,nj->n", rows, model.inverse, rows).max())
    region = Region(factors, tried, [], model, limits, most)
    free = [factor for factor in factors if factor in in_model]
    made = _filled(_spread(free, limits), region)
    known = {tuple(run.items()) for run in tried}
    made = [run for run in made if tuple(run.items()) not in known]
    inside = region.inside(made) if made else np.zeros(0, dtype=np.bool_)
    candidates = [run for run, fine in zip(made, inside, strict=True) if fine]
    # What the plan forbids is not advised though it was welded once; a plan that forbids all of it is another trial's.
    candidates = ([run for run in tried if limits.allow(run)] or tried) + candidates
    return Region(factors, tried, candidates, model, limits, most)


def _spread(factors: Sequence[Factor], limits: Limits) -> list[dict[str, Value]]:
    """Settings spread over the ranges of the factors, with their corners, times every choice of words."""
    from scipy.stats import qmc

    numeric = [factor for factor in factors if factor.numeric]
    words = [factor for factor in factors if not factor.numeric]
    choices = list(product(*(factor.levels for factor in words)))
    points: Floats = np.zeros((1, 0))
    if numeric:
        sobol = qmc.Sobol(len(numeric), scramble=True, rng=np.random.default_rng(_SEED))
        count = int(2 ** np.floor(np.log2(min(_CANDIDATES, max(_MOST // len(choices), 16)))))
        points = sobol.random(count) * 2 - 1
        levels = [
            factor.code(factor.levels)[:, 0] if not factor.period else np.array([-1.0, 0.0, 1.0])
            for factor in numeric
        ]
        if np.prod([len(one) for one in levels], dtype=float) * len(choices) <= _MOST:
            points = np.vstack([points, list(product(*levels))])
    made: list[dict[str, Value]] = []
    for choice in choices[:_MOST]:
        named: dict[str, Value] = {f.name: level for f, level in zip(words, choice, strict=True)}
        made += [
            named | {f.name: _settable(f, float(x), limits) for f, x in zip(numeric, point, strict=True)}
            for point in points
        ]
    return made


def _settable(factor: Factor, coded: float, limits: Limits) -> float:
    value = factor.value(coded, digits=_DIGITS)
    listed = limits.listed.get(factor.name)
    if not listed:
        return value
    low, high = factor.value(-1), factor.value(1)
    fit = [one for one in listed if factor.period or low - 1e-9 <= one <= high + 1e-9]
    return min(fit or [value], key=lambda one: abs(one - value))


def _filled(runs: list[dict[str, Value]], region: Region) -> list[dict[str, Value]]:
    """Settings with the factors that are not in the model as they were varied along, and parts as their parents say."""
    made = [_snapped(run, region.factors) for run in runs]
    free = {term.first.name for term in region.model.terms if term.order == 1}
    left = [factor for factor in region.factors if factor.name not in free]
    if left and made:
        known = region.model.matrix(region.tried)
        ours = region.model.matrix(made)
        nearest = ((ours[:, None, :] - known[None]) ** 2).sum(axis=2).argmin(axis=1)
        for factor in left:
            values = [region.tried[k][factor.name] for k in nearest]
            if factor.numeric:
                here = np.array([run[factor.name] != ABSENT for run in region.tried])
                coded = factor.code([run[factor.name] for run in region.tried])
                line = np.linalg.lstsq(known[here], coded[here], rcond=None)[0]
                along = np.clip(ours @ line, -1, 1)[:, 0]
                values = [
                    value if value == ABSENT else factor.value(float(x), digits=9)
                    for value, x in zip(values, along, strict=True)
                ]
            for run, value in zip(made, values, strict=True):
                run[factor.name] = value
    names = [factor.name for factor in region.factors]
    made = [{name: run[name] for name in names} for run in made]
    return [dict(key) for key in dict.fromkeys(tuple(complete(run, region.factors).items()) for run in made)]


def _snapped(run: Run, factors: Sequence[Factor]) -> dict[str, Value]:
    """A setting whose parents have either none of a part or at least the least that was tried with it."""
    made = dict(run)
    for part in factors:
        value = made.get(part.nested_in)
        if not part.nested_in or value is None or isinstance(value, str):
            continue
        least = min((float(level) for level in part.within), key=abs)
        if abs(value) < abs(least):
            made[part.nested_in] = 0.0 if abs(value) < abs(least) / 2 else least
    return made


def _in_range(factor: Factor, tried: Sequence[Value], values: Sequence[Value]) -> Bools:
    """Which values are among those tried: words and absence themselves, numbers between them."""
    if not factor.numeric:
        known = {value if value == ABSENT else factor.level(value) for value in tried}
        return np.array([(v if v == ABSENT else factor.level(v)) in known for v in values], dtype=np.bool_)
    here = np.array([value != ABSENT for value in values], dtype=np.bool_)
    coded = factor.code(values)[:, 0]
    known_here = [value for value in tried if value != ABSENT]
    if not known_here:
        return ~here
    ends = factor.code(known_here)[:, 0]
    fine = (coded >= ends.min() - _ROOM) & (coded <= ends.max() + _ROOM)
    return np.where(here, fine, len(known_here) < len(tried))


def _in_pair(a: Factor, b: Factor, tried: Sequence[Run], runs: Sequence[Run]) -> Bools:
    """Which settings hold a pair of values within the outline of the pairs tried."""
    if a.numeric and b.numeric:
        fine = _absence(a, b, tried, runs)
        both = [k for k, run in enumerate(runs) if run[a.name] != ABSENT and run[b.name] != ABSENT]
        known = [run for run in tried if run[a.name] != ABSENT and run[b.name] != ABSENT]
        if both and known:
            points = _plane(a, b, [runs[k] for k in both])
            fine[both] &= _in_hull(_plane(a, b, known), points)
        return fine
    if b.numeric:
        a, b = b, a
    fine = np.zeros(len(runs), dtype=np.bool_)
    levels = np.array([_word(b, run[b.name]) for run in runs])
    known_levels = np.array([_word(b, run[b.name]) for run in tried])
    for level in set(known_levels):
        mine = np.flatnonzero(levels == level).tolist()
        values = [tried[k][a.name] for k in np.flatnonzero(known_levels == level).tolist()]
        fine[mine] = _in_range(a, values, [runs[k][a.name] for k in mine])
    return fine


def _word(factor: Factor, value: Value) -> str:
    return ABSENT if value == ABSENT else str(factor.level(value))


def _absence(a: Factor, b: Factor, tried: Sequence[Run], runs: Sequence[Run]) -> Bools:
    """Which settings lack the parts of a pair as some setting tried does."""
    known = {(run[a.name] == ABSENT, run[b.name] == ABSENT) for run in tried}
    fine = np.array([(run[a.name] == ABSENT, run[b.name] == ABSENT) in known for run in runs], dtype=np.bool_)
    for one, other in ((a, b), (b, a)):
        lone = [k for k, run in enumerate(runs) if run[other.name] == ABSENT and run[one.name] != ABSENT]
        values = [run[one.name] for run in tried if run[other.name] == ABSENT]
        if lone and values:
            fine[lone] &= _in_range(one, values, [runs[k][one.name] for k in lone])
    return fine


def _plane(a: Factor, b: Factor, runs: Sequence[Run]) -> Floats:
    return np.hstack([factor.code([run[factor.name] for run in runs]) for factor in (a, b)])


def _in_hull(known: Floats, points: Floats) -> Bools:
    """Which points of a plane are within the convex hull of others, on a line where these are on one."""
    from scipy.spatial import ConvexHull

    middle = known.mean(axis=0)
    _, size, turned = np.linalg.svd(known - middle)
    width = size.min() / np.sqrt(len(known)) if len(known) > 1 else 0.0
    if width < _ROOM:
        own, other = (known - middle) @ turned.T, (points - middle) @ turned.T
        along = (other[:, 0] >= own[:, 0].min() - _ROOM) & (other[:, 0] <= own[:, 0].max() + _ROOM)
        return np.asarray(along & (np.abs(other[:, 1]) <= 3 * _ROOM))
    planes = ConvexHull(known).equations
    return np.asarray((points @ planes[:, :2].T + planes[:, 2] <= _ROOM).all(axis=1))
