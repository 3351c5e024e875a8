"""`poolwatch rank`: beam shapes in order, from score rows alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from ..trial import Ranking


@click.command("rank", short_help="rank beam shapes from score rows alone")
@click.argument("scores", metavar="SCORES.csv|STORE_URL")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    help="Folder for ranking.csv, pairs.csv and report.html.",
)
@click.option("--settings", type=click.Path(path_type=Path), help="TOML file with a table [rank].")
@click.option("--trial", help="With a trial database: only the rows of this trial.")
@click.option("--settings-id", help="With a trial database: only rows measured with these settings.")
@click.option("--no-report", is_flag=True, help="Write no report.html.")
def command(
    scores: str,
    out: Path,
    settings: Path | None,
    trial: str | None,
    settings_id: str | None,
    no_report: bool,
) -> None:
    """Rank beam shapes from score rows: a scores.csv, or a trial database (sqlite:///FILE, postgresql://…).

    The unit of evidence is the weld. Shapes that share a letter cannot be told apart on these welds.
    """
    from ..model.files import remove
    from ..model.table import write_csv
    from ..trial.ranking import rank
    from ..trial.rows import read_rows
    from ..trial.settings import read_rank_settings
    from ..trial.store import is_store, open_store

    chosen = read_rank_settings(settings)
    if is_store(scores):
        rows = open_store(scores).read(trial=trial, settings_id=settings_id)
    elif trial is not None or settings_id is not None:
        raise click.UsageError("--trial and --settings-id go with a trial database")
    else:
        rows = read_rows(scores)
    ranking = rank(rows, settings=chosen)
    # A page of other rows must not stand beside these.
    remove(out / "report.html")
    write_csv(out / "ranking.csv", ranking.table)
    write_csv(out / "pairs.csv", ranking.pairs)
    if not no_report:
        from ..trial.report import write_ranking_report

        write_ranking_report(out / "report.html", ranking, rows, trial or out.resolve().name)
    show_ranking(ranking)
    click.echo(f"written: {out / 'ranking.csv'}", err=True)


def show_ranking(ranking: Ranking) -> None:
    """Print the ranking, its reading and what to know before using it."""
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    console = Console()
    table = Table(box=None, pad_edge=False)
    table.add_column("rank", justify="right")
    table.add_column("beam shape", overflow="fold")
    table.add_column("welds", justify="right")
    table.add_column("index", justify="right")
    table.add_column("95 % interval", justify="right")
    table.add_column("group")
    table.add_column("best", justify="right")
    table.add_column("order holds", justify="right")
    for row in ranking.table.itertuples():
        table.add_row(
            str(row.rank),
            escape(row.beam_shape),
            str(row.clips),
            _number(row.stability_index, "{:.1f}"),
            _number(row.stability_index_low, "{:.1f}") + " to " + _number(row.stability_index_high, "{:.1f}"),
            row.group or "–",
            _chance(row.probability_best),
            _number(row.order_holds, "{:.0%}"),
        )
    console.print(table)
    console.print()
    console.print(escape(ranking.reading))
    remarks = [f"{r.beam_shape}: {r.remarks}" for r in ranking.table.itertuples() if r.remarks]
    excluded = [f"not counted: {row.clip}: {row.reason}" for row in ranking.excluded.itertuples()]
    for line in [*ranking.notes, *remarks, *excluded]:
        console.print("- " + escape(line))
    console.print(
        "A steady pool is no proof of a sound weld: judge welds by your local codes and licensed practice."
    )


def _chance(value: float) -> str:
    """A probability from random draws, which never make anything certain or impossible."""
    if value > 0.995:
        return ">99%"
    return "<1%" if value < 0.005 else _number(value, "{:.0%}")


def _number(value: float, form: str) -> str:
    return "–" if value != value else form.format(value)
