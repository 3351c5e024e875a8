"""What is asked of a trial's statistics, over drawn trials: effects, advice, laboratory results.

``python -m tests.trial.bars`` takes 400 tables (1,000 for advice, which not all give) and 1,000 null trials and writes the table of ``tests/accuracy/RESULTS.md``;
the tests take fewer by default.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from poolwatch.model.tables import INDEX_PARTS
from poolwatch.trial.advice import improvements, weld_interval
from poolwatch.trial.design import Design, read_design
from poolwatch.trial.factors import effect_table
from poolwatch.trial.model import FactorModel, _fitted, fit_model
from poolwatch.trial.outcomes import _corrected, _orders
from poolwatch.trial.posterior import posterior_of
from poolwatch.trial.region import Region, region_of
from tests.trial.nested import SCATTER, Planned, draw_coefficients, matrix, planned, scores
from tests.trial.simulated import score_rows

RESULTS = Path(__file__).parents[1] / "accuracy" / "RESULTS.md"
COMMAND = "python -m tests.trial.bars"


@dataclass(frozen=True)
class Known:
    """A planned trial, what it can estimate, and where it may advise."""

    plan: Planned
    design: Design
    region: Region
    terms: list[str]


@cache
def designs() -> list[Known]:
    """Four planned trials: ring and tail together or never, with few welds and more."""
    made = []
    for welds, apart in ((18, True), (24, True), (26, False), (34, False)):
        plan = planned(welds, welds, apart=apart)
        rows = scores(plan.runs, np.random.default_rng(welds).normal(50, 5, welds))
        design = read_design(rows, plan.limits)
        model = fit_model(design)
        region = region_of(design, model, plan.limits)
        made.append(Known(plan, design, region, [term.name for term in model.terms]))
    return made


@dataclass(frozen=True)
class Drawn:
    """A table of drawn effects and scatter, and what is fitted to it."""

    known: Known
    truth: np.ndarray
    design: Design
    model: FactorModel

    @property
    def advises(self) -> bool:
        return bool(self.model.p_of(self.model.chosen_places())[1] <= 0.05)


def drawn(number: int, *, null: bool = False) -> Drawn:
    rng = np.random.default_rng((2026, number, int(null)))
    known = designs()[number % len(designs())]
    truth = draw_coefficients(known.terms, rng)
    if null:
        truth[1:] = 0
    runs = known.plan.runs
    index = matrix(known.terms, runs) @ truth + rng.normal(0, SCATTER, len(runs))
    design = replace(known.design, rows=known.design.rows.assign(stability_index=index))
    # The terms are chosen by the design alone, so they are those of any other index; choosing takes longest.
    return Drawn(known, truth, design, _fitted(list(known.region.model.terms), design.runs, index))


def effects_held(tables: int) -> np.ndarray:
    """Whether each true effect is within its interval, over drawn tables."""
    held = []
    for number in range(tables):
        one = drawn(number)
        table = effect_table(one.model)
        assert table["term"].tolist() == one.known.terms
        size = np.where(table["level"] == "ends against the middle", 1, 2)
        true = one.truth[1:] * size
        held += ((table["effect_low"] <= true) & (true <= table["effect_high"])).tolist()
    return np.array(held)


def false_alarms(tables: int) -> np.ndarray:
    """Where nothing has an effect: whether one stands out, and whether something is advised; shape (tables, 2)."""
    found = []
    for number in range(tables):
        one = drawn(number, null=True)
        found.append([bool((effect_table(one.model)["p_holm"] <= 0.05).any()), one.advises])
    return np.array(found)


@dataclass(frozen=True)
class Advised:
    """Advice over drawn tables.

    Attributes
    ----------
    claimed, came
        Improvement expected and come of each row of the advice, index points, shape (tables, 2).
    inside
        Whether each setting is within what was tried.
    held
        Whether a weld there is within its interval.
    """

    claimed: np.ndarray
    came: np.ndarray
    inside: np.ndarray
    held: np.ndarray


def advice(tables: int) -> Advised:
    claimed, came, inside, held = [], [], [], []
    for number in range(tables):
        one = drawn(number)
        if not one.advises:
            continue
        model, terms, region = one.model, one.known.terms, one.known.region
        posterior = posterior_of(model.terms, model.matrix(one.design.runs), one.design.index)
        best = region.tried[int(np.argmax(model.matrix(region.tried) @ model.coefficients))]
        made = improvements(model, replace(region, model=model), posterior, 2)
        means = matrix(terms, [best, *(run for run, _ in made)]) @ one.truth
        # A second row that is not advised claims nothing and brings nothing.
        claimed.append([*(gain for _, gain in made), 0.0][:2])
        came.append([*np.maximum(means[1:] - means[0], 0), 0.0][:2])
        for (run, _), mean in zip(made, means[1:], strict=True):
            low, high = weld_interval(model, posterior, run)
            held.append(low <= np.random.default_rng(number).normal(mean, SCATTER) <= high)
            inside.append(is_inside(run, one.known))
    return Advised(np.array(claimed), np.array(came), np.array(inside), np.array(held))


def is_inside(run: dict[str, float | str], known: Known) -> bool:
    """Whether a setting was tried, from the definitions: no forbidden pair, no lone part, no leverage beyond."""
    share, length = float(run["ring_share"]), float(run["tail_length_mm"])
    tried = matrix(known.terms, known.plan.runs)
    inverse = np.linalg.inv(tried.T @ tried)
    here = matrix(known.terms, [run])[0]
    most = np.einsum("ni,ij,nj->n", tried, inverse, tried).max()
    return (
        not any(one.holds(run) for one in known.plan.forbidden)
        and (run["ring_diameter_mm"] == "absent") == (share == 0)
        and (run["tail_direction_deg"] == "absent") == (length == 0)
        and (share == 0 or 0.3 <= share <= 0.6)
        and (length == 0 or 1 <= length <= 2)
        and 80 <= float(run["travel_speed_mm_s"]) <= 120
        and run["ring_diameter_mm"] in ("absent", 0.8, 1.2)
        and bool(here @ inverse @ here <= most * 1.001)
    )


def null_trial(rng: np.random.Generator, welds: int) -> pd.DataFrame:
    """Scores of shapes that differ, and nine laboratory results that have nothing to do with them."""
    rows = score_rows(rng, (0.4, 0.7, 1.2), welds)
    return rows.assign(**{f"outcome_o{k}": rng.normal(0, 1, len(rows)) for k in range(9)})


def false_readings(trials: int, welds: int) -> np.ndarray:
    """Whether a null trial holds a relation that is shown, `welds` a shape.

    By p alone: a reading also wants an interval without 0, so there are no more.
    """
    rng = np.random.default_rng(8)
    held = []
    for _ in range(trials):
        rows = null_trial(rng, welds)
        measures = rows[["stability_index", *(f"d_{part}" for part in INDEX_PARTS)]].to_numpy()
        outcomes = rows.filter(like="outcome_").to_numpy()
        p = exact_p(measures, outcomes).ravel()
        names = ["stability_index", *INDEX_PARTS] * outcomes.shape[1]
        found = [{"p": one, "measure": name} for one, name in zip(p, names, strict=True)]
        held.append(bool((_corrected(found) <= 0.05).any()))
    return np.array(held)


def exact_p(measures: np.ndarray, outcomes: np.ndarray) -> np.ndarray:
    """Two-sided p of Spearman's rho over the orders of the outcomes' values, shape (outcomes, measures)."""
    from scipy.stats import rankdata

    x, y = rankdata(measures, axis=0), rankdata(outcomes, axis=0)
    x, y = x - x.mean(axis=0), y - y.mean(axis=0)
    reached = []
    for column in y.T:
        orders, more = _orders(column)
        found = np.abs(column @ x)
        reached.append((more + (np.abs(orders @ x) >= found - 1e-9).sum(axis=0)) / (more + len(orders)))
    return np.array(reached)


def bounds(share: float, count: int) -> str:
    """A share with its 95 % interval (Wilson 1927)."""
    z = 1.96
    middle = (share + z**2 / (2 * count)) / (1 + z**2 / count)
    half = z / (1 + z**2 / count) * np.sqrt(share * (1 - share) / count + z**2 / (4 * count**2))
    return f"{100 * share:.1f} % ({100 * max(middle - half, 0):.1f} to {100 * min(middle + half, 1):.1f})"


def main(tables: int = 400, trials: int = 1000, advised: int = 1000) -> None:
    """Work out all of them and put the table into `RESULTS.md`, in place of the one of the same command."""
    effects, alarms, given = effects_held(tables), false_alarms(tables), advice(advised)
    excess = given.came - given.claimed
    rows = [
        ("true effects within their 95 % intervals", "93 to 97 %", len(effects), bounds(effects.mean(), len(effects))),
        ("null tables in which an effect stands out", "at most 5 %", tables, bounds(alarms[:, 0].mean(), tables)),
        ("null tables in which something is advised", "at most 5 %", tables, bounds(alarms[:, 1].mean(), tables)),
        ("advised settings within what was tried", "all", len(given.inside), f"{100 * given.inside.mean():.4g} %"),
        ("welds with advised settings within their 95 % intervals", "95 %", len(given.held), bounds(given.held.mean(), len(given.held))),
    ]  # fmt: skip
    for place, row in enumerate(("best row", "second row")):
        error = 1.96 * excess[:, place].std() / np.sqrt(len(excess))
        rows.append(
            (
                f"expected improvement that came, {row}, less the {given.claimed[:, place].mean():.2f} claimed; points",
                "0 within its interval",
                len(excess),
                f"{excess[:, place].mean():+.3f} ± {error:.3f}",
            )
        )
    for welds in (2, 4):
        share = false_readings(trials, welds).mean()
        what = f"null trials of nine outcomes, {3 * welds} welds, that hold a relation"
        rows.append((what, "at most 5 %", trials, bounds(share, trials)))
    table = "\n".join(
        ["| what | asked | of | found (95 % interval) |", "| --- | --- | --- | --- |"]
        + [f"| {' | '.join(map(str, row))} |" for row in rows]
    )
    about = (
        "Trials planned with parts nested in one another (ring share, ring diameter, tail length, tail direction, travel "
        "speed), 18 to 34 welds; half of the effects none, main effects drawn with 3, others with 1.5 index points, welds "
        "scattering by 3."
    )
    section = f"Trials\n\n`{COMMAND}`\n\n{about}\n\n{table}"
    title = (
        "# What measuring and judging come to against truth\n\nEach table is written by the command above it."
    )
    parts = RESULTS.read_text(encoding="utf-8").rstrip().split("\n\n## ") if RESULTS.exists() else [title]
    parts = [part for part in parts if f"`{COMMAND}`" not in part]
    RESULTS.write_text("\n\n## ".join([*parts, section]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
