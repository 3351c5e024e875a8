"""What score rows say together: ranking, factors, outcomes, and the tables of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..experiment.limits import Limits
from ..model.files import remove, write_text
from ..model.table import csv_text
from .comparability import check_comparability
from .factors import FactorStudy, study_factors
from .outcomes import OutcomeStudy, study_outcomes
from .ranking import Ranking, rank_shapes
from .settings import RankSettings

if TYPE_CHECKING:
    import pandas as pd

# Tables that are there only where rows hold the columns for them.
_OPTIONAL = ("effects.csv", "next_welds.csv", "outcomes.csv")


@dataclass(frozen=True)
class Comparison:
    """Score rows compared.

    Attributes
    ----------
    ranking
        Order, groups, pairs, parts, outlying welds, excluded clips, notes, reading.
    factors
        What the process factors do; None without ``factor_…`` columns.
    outcomes
        How laboratory results go with the index; None without ``outcome_…`` columns.
    source
        Which rows of a trial database they are, in words; empty where they are from none.
    """

    ranking: Ranking
    factors: FactorStudy | None = None
    outcomes: OutcomeStudy | None = None
    source: str = ""

    @property
    def readings(self) -> tuple[str, ...]:
        """What factors and outcomes say, in words."""
        factors = (self.factors.reading,) if self.factors is not None else ()
        return (*factors, *(self.outcomes.readings if self.outcomes is not None else ()))

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the factors cannot say."""
        return self.factors.remarks if self.factors is not None else ()

    def tables(self) -> dict[str, str]:
        """The CSV files: text by name."""
        made = {
            "ranking.csv": self.ranking.table,
            "pairs.csv": self.ranking.pairs,
            "excluded.csv": self.ranking.excluded,
        }
        if self.factors is not None:
            made |= {"effects.csv": self.factors.effects, "next_welds.csv": self.factors.next_welds}
        if self.outcomes is not None:
            made["outcomes.csv"] = self.outcomes.table
        return {name: csv_text(frame) for name, frame in made.items()}


def compare(
    scores: pd.DataFrame,
    *,
    weights: Mapping[str, float] | None = None,
    settings: RankSettings | None = None,
    failed: pd.DataFrame | None = None,
    limits: Limits | None = None,
) -> Comparison:
    """Rank score rows and study their factors and outcomes, wherever they hold columns of such.

    Parameters
    ----------
    scores, weights, settings, failed
        As for `poolwatch.trial.rank`.
    limits
        What the plan forbids, so that it is not advised.

    Raises
    ------
    UsageError
        As for `poolwatch.trial.rank`.
    """
    ranking = rank_shapes(scores, weights=weights, settings=settings, failed=failed)
    # The rows that the ranking counts, in its order, with their index as compared.
    counted = check_comparability(scores).rows
    counted["stability_index"] = ranking.welds["stability_index"].to_numpy()
    names = [str(name) for name in scores]
    return Comparison(
        ranking,
        study_factors(counted, limits=limits) if any(name.startswith("factor_") for name in names) else None,
        study_outcomes(counted) if any(name.startswith("outcome_") for name in names) else None,
    )


def write_tables(out: Path, tables: Mapping[str, str]) -> None:
    """Write tables into a folder, and remove those of columns that are gone.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    for name in _OPTIONAL:
        if name not in tables:
            remove(out / name)
    for name, text in tables.items():
        write_text(out / name, text)
