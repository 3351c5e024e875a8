"""What a trial gives: all that a report needs, and the files that scripts rely on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from ..experiment.limits import PLAN_FILE
from ..model.files import remove, write_text
from ..model.table import csv_text
from .comparison import Comparison, write_tables
from .measurer import SharedBasis
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
    basis
        Band, smallest particle and left-out parts in which all were scored.
    factors
        What the process factors do; None without ``factor_…`` columns.
    outcomes
        How laboratory results go with the index; None without ``outcome_…`` columns.
    measured, resumed
        Clips measured now, and finished before.
    failures
        Reason by clip, for those that could not be measured or scored.
    pending
        Welds of the manifest that are left out: not filled in, or without their recording.
    notes
        What to know before using the trial, one sentence each; the ranking's own are in `ranking`.
    plan
        Text of the ``plan.toml`` beside the manifest; empty where there is none.
    title, about
        Name of the trial and a sentence about it, for the report; the folder's name and nothing by default.
    """

    out: Path
    manifest: Path
    scores: pd.DataFrame
    ranking: Ranking
    basis: SharedBasis
    factors: FactorStudy | None = None
    outcomes: OutcomeStudy | None = None
    measured: int = 0
    resumed: int = 0
    failures: Mapping[str, str] = field(default_factory=dict)
    pending: int = 0
    plan: str = ""
    notes: tuple[str, ...] = field(default=())
    title: str = ""
    about: str = ""

    @property
    def compared(self) -> Comparison:
        """Ranking, factors and outcomes."""
        return Comparison(self.ranking, self.factors, self.outcomes)

    def noted(self, note: str) -> TrialResult:
        """The same with one more note."""
        return replace(self, notes=(*self.notes, note))

    def tables(self) -> dict[str, str]:
        """The CSV files of the trial: text by name."""
        return {"scores.csv": csv_text(self.scores), **self.compared.tables()}

    def write_tables(self) -> None:
        """Write the tables; a report that stands there is left for the next one to take its place.

        Raises
        ------
        OutputError
            The folder cannot be written.
        """
        write_tables(self.out, self.tables())
        copy = self.out / PLAN_FILE
        # Beside the scores, so that `rank` keeps to it, too.
        if copy.resolve() == (self.manifest.parent / PLAN_FILE).resolve():
            return
        if self.plan:
            write_text(copy, self.plan)
        else:
            remove(copy)
