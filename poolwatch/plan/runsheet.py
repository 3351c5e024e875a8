"""From a design to a run sheet: replicates, blocks, random order; the manifest to be filled in."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..experiment.factors import BLOCK_COLUMN, SHAPE, Factor, Value
from ..experiment.terms import Kind, matrix_of, model_terms
from ..model.errors import UsageError
from ..model.weld_facts import BEAM_PICTURE, BEAM_PICTURE_SCALE, POWER, WELD_FACTS
from .designs import Plan
from .estimable import Estimable, estimable
from .optimal import into_blocks

if TYPE_CHECKING:
    import pandas as pd

SPEED = "travel_speed_mm_s"
ASKED = tuple(name for name in WELD_FACTS.names if name not in (BEAM_PICTURE, BEAM_PICTURE_SCALE))
"""Facts of a weld that a planned manifest has a column for; pictures of beams come from `poolwatch beam`."""
# Facts about the recording, in the order of a manifest's columns.
_RECORDING = (
    *("record_rate_hz", "mm_per_px", "scale", "travel_direction_deg"),
    *(SPEED, "exposure_s", "material"),
)


@dataclass(frozen=True)
class RunSheet:
    """Runs in the order in which they are to be welded.

    Attributes
    ----------
    plan
        The design.
    runs
        Value by factor name, in welding order.
    block
        Block of each run, from 1, shape (n,).
    standard
        Place of each run in the design's standard order, from 1, shape (n,).
    seed
        Of the random order.
    told
        What can be estimated.
    model
        For which model.
    notes
        What to know.
    """

    plan: Plan
    runs: list[dict[str, Value]]
    block: NDArray[np.int64]
    standard: NDArray[np.int64]
    seed: int
    told: Estimable
    model: Kind
    notes: tuple[str, ...] = field(default=())

    @property
    def blocks(self) -> int:
        """How many blocks."""
        return int(self.block.max())

    @property
    def shapes(self) -> list[str]:
        """Name of the beam shape of each run: the factor of that name, or one name for each setting."""
        if any(factor.name == SHAPE for factor in self.plan.factors):
            return [str(run[SHAPE]) for run in self.runs]
        settings = {tuple(run.values()): n for n, run in reversed(list(enumerate(self.plan.runs)))}
        order = {key: n for n, key in enumerate(sorted(settings, key=lambda key: settings[key]), 1)}
        digits = max(2, len(str(len(order))))
        return [f"setting-{order[tuple(run.values())]:0{digits}d}" for run in self.runs]


def make_run_sheet(plan: Plan, *, model: Kind, replicates: int = 1, blocks: int = 1, seed: int) -> RunSheet:
    """Replicate, block and randomise a design.

    Parameters
    ----------
    plan
        The design.
    model
        Model that the blocks must disturb least, and that is judged.
    replicates
        Each run so often. With as many blocks as replicates each block is one whole replicate.
    blocks
        Days, sheets, batches of sheet … between which something may change.
    seed
        Of the random order: the same seed gives the same sheet.

    Raises
    ------
    UsageError
        Too many blocks.
    """
    if replicates < 1 or blocks < 1:
        raise UsageError("replicates and blocks must be 1 or more")
    count = len(plan.runs)
    standard = np.tile(np.arange(count), replicates)
    if blocks == 1:
        block = np.zeros(len(standard), dtype=np.int64)
    elif blocks == replicates:
        block = np.repeat(np.arange(replicates), count)
    else:
        runs = [plan.runs[n] for n in standard]
        x = matrix_of(model_terms(plan.factors, model), runs)
        block = into_blocks(x, blocks, seed=seed)
    rng = np.random.default_rng(seed)
    order = np.concatenate([rng.permutation(np.flatnonzero(block == b)) for b in range(blocks)])
    standard, block = standard[order], block[order]
    runs = [plan.runs[n] for n in standard]
    told = estimable(plan.factors, runs, model, block if blocks > 1 else None)
    return RunSheet(plan, runs, block + 1, standard + 1, seed, told, model, plan.notes)


def manifest_table(sheet: RunSheet, facts: dict[str, str], outcomes: tuple[str, ...] = ()) -> pd.DataFrame:
    """The manifest that `poolwatch trial` takes once the clips' names stand in it.

    Parameters
    ----------
    sheet
        The runs.
    facts
        Cells that all rows share, by column of the manifest (``record_rate_hz``, ``mm_per_px``, ``sheet`` …).
    outcomes
        Names of laboratory results to be filled in, with or without ``outcome_``.

    Returns
    -------
    DataFrame
        One row a run in welding order: ``run``, ``clip`` (empty), ``beam_shape``, ``replicate``, the facts, what the
        report says of the weld (see `poolwatch.model.weld_facts`), ``factor_…`` (``factor_block`` where there are
        blocks) and ``outcome_…`` (empty).
    """
    import pandas as pd

    n = len(sheet.runs)
    seen: Counter[str] = Counter()
    replicate = []
    for shape in sheet.shapes:
        seen[shape] += 1
        replicate.append(str(seen[shape]))
    columns: dict[str, list[Any]] = {
        "run": list(range(1, n + 1)),
        "clip": [""] * n,
        SHAPE: sheet.shapes,
        "replicate": replicate,
    }
    # Rate, scale and direction get a column to be filled in: figures are wrong without them, the rest is missing.
    asked = {"record_rate_hz", "travel_direction_deg"} | ({"mm_per_px"} if "scale" not in facts else set())
    columns |= {name: [facts.get(name, "")] * n for name in _RECORDING if name in facts or name in asked}
    # Asked for, whether known now or filled in at the machine: the report's head shows them.
    columns |= {name: [facts.get(name, "")] * n for name in ASKED}
    for factor in sheet.plan.factors:
        # Numbers stay numbers: a minus sign at the start of a text would be kept from the spreadsheet.
        values: list[Any] = [run[factor.name] for run in sheet.runs]
        if factor.name in (SPEED, POWER):
            columns[factor.name] = values
        if factor.name != SHAPE:
            columns[f"factor_{factor.name}"] = values
    if sheet.blocks > 1:
        # A word, not a number: blocks have no order for a model to follow.
        columns[BLOCK_COLUMN] = [f"block-{b}" for b in sheet.block]
    for name in outcomes:
        columns[f"outcome_{name.removeprefix('outcome_')}"] = [""] * n
    return pd.DataFrame(columns)


def shown(value: Value) -> str:
    """A level as it stands in a table."""
    return value if isinstance(value, str) else f"{value:.6g}"


def factor_units(factors: tuple[Factor, ...]) -> list[str]:
    """One line a factor: its name and levels."""
    return [
        f"{factor.name}: "
        + (" to " if factor.ranged else ", ").join(map(shown, factor.settings))
        + (f", where {factor.nested_in} has that part" if factor.nested_in else "")
        for factor in factors
    ]
