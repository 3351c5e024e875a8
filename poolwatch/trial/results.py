"""What a trial gives: all that a report needs, and the files that scripts rely on."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from ..model.files import remove, write_text
from ..model.table import csv_text
from .measurer import Common
from .ranking import Ranking
from .report import report_is_current, write_report

if TYPE_CHECKING:
    import pandas as pd

    from .batch import Runner
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
    title, about
        Name of the trial and a sentence about it, for the report; the folder's name and nothing by default.
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
    title: str = ""
    about: str = ""

    def tables(self) -> dict[str, str]:
        """The CSV files of the trial: text by name."""
        made = {
            "scores.csv": self.scores,
            "ranking.csv": self.ranking.table,
            "pairs.csv": self.ranking.pairs,
            "excluded.csv": self.ranking.excluded,
        }
        if self.factors is not None:
            made |= {"effects.csv": self.factors.effects, "next_welds.csv": self.factors.next_welds}
        if self.outcomes is not None:
            made["outcomes.csv"] = self.outcomes.table
        return {name: csv_text(frame) for name, frame in made.items()}

    def write(self, *, report: bool = True, run: Runner | None = None) -> None:
        """Write the tables, and the report unless it stands already and nothing changed.

        Parameters
        ----------
        report
            Whether a report is wanted.
        run
            As for `write_report`.

        Raises
        ------
        OutputError
            The folder cannot be written.
        """
        tables = self.tables()
        folders = self.scores["folder"].astype(str)
        current = report_is_current(self.out, tables, folders) and self.measured == 0
        if not current:
            # A report that no longer fits its tables must not outlive a run that is killed here.
            remove(self.out / "report.html")
        for name, text in tables.items():
            write_text(self.out / name, text)
        # A table whose columns are gone from the manifest must not stay behind.
        for name in {"effects.csv", "next_welds.csv", "outcomes.csv"} - set(tables):
            remove(self.out / name)
        if report and not current:
            write_report(self, run)
