"""What a trial gives: all that a report needs, and the files that scripts rely on."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from ..model.tables import write_csv
from .measurer import Common
from .ranking import Ranking

if TYPE_CHECKING:
    import pandas as pd

    from .factors import FactorStudy
    from .outcomes import OutcomeStudy


@dataclass(frozen=True)
class TrialResult:
    """A trial, measured and compared.

    Attributes
    ----------
    out
        The trial's folder.
    manifest
        The manifest's file.
    scores
        Every measured clip's score row as compared, with ``folder``, factors and outcomes.
    ranking
        Order, groups, pairs, parts, outlying welds, excluded clips, notes, reading.
    common
        Band, smallest particle and left-out parts in which all were scored.
    factors
        What the process factors do; None without ``factor_…`` columns.
    outcomes
        How laboratory results go with the index; None without ``outcome_…`` columns.
    measured, resumed
        Clips measured now, and finished before.
    notes
        What to know before using the trial, one sentence each; the ranking's own are in `ranking`.
    """

    out: Path
    manifest: Path
    scores: pd.DataFrame
    ranking: Ranking
    common: Common
    factors: FactorStudy | None = None
    outcomes: OutcomeStudy | None = None
    measured: int = 0
    resumed: int = 0
    notes: tuple[str, ...] = field(default=())

    def write(self) -> None:
        """Write `scores.csv`, `ranking.csv`, `pairs.csv`, `excluded.csv`, and the studies where there are any.

        Raises
        ------
        OutputError
            The folder cannot be written.
        """
        write_csv(self.out / "scores.csv", self.scores)
        write_csv(self.out / "ranking.csv", self.ranking.table)
        write_csv(self.out / "pairs.csv", self.ranking.pairs)
        write_csv(self.out / "excluded.csv", self.ranking.excluded)
        if self.factors is not None:
            write_csv(self.out / "effects.csv", self.factors.effects)
            write_csv(self.out / "next_welds.csv", self.factors.next_welds)
        if self.outcomes is not None:
            write_csv(self.out / "outcomes.csv", self.outcomes.table)
