"""`poolwatch rank`: beam shapes in order, from score rows alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    import pandas as pd

    from ..experiment.limits import Limits
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
@click.option(
    "--trial", "trials", multiple=True, help="With a trial database: the rows of this trial; may be repeated."
)
@click.option("--settings-id", help="With a trial database: only rows measured with these settings.")
@click.option(
    "--plan",
    type=click.Path(path_type=Path),
    help="The plan.toml of `plan trial`, so that nothing it forbids is advised; default: one beside SCORES.csv, or "
    "that stored with the trial.",
)
@click.option("--no-report", is_flag=True, help="Write no report.html.")
def command(
    scores: str,
    out: Path,
    settings: Path | None,
    plan: Path | None,
    trials: tuple[str, ...],
    settings_id: str | None,
    no_report: bool,
) -> None:
    """Rank beam shapes from score rows: a scores.csv, or a trial database (sqlite:///FILE, postgresql://…).

    Gives all that `poolwatch trial` gives but the clips: effects and what to weld next where the rows hold factor_…
    columns, correlations where they hold outcome_… columns. The unit of evidence is the weld. Shapes that share a
    letter cannot be told apart on these welds.
    """
    from ..experiment.limits import PLAN_FILE, read_limits
    from ..model.errors import UsageError
    from ..model.files import remove
    from ..trial.comparison import compare, write_tables
    from ..trial.report import write_ranking_report
    from ..trial.rows import read_rows
    from ..trial.settings import read_rank_settings
    from ..trial.store_address import is_store
    from .trial import show_studies

    chosen = read_rank_settings(settings)
    if plan is not None and not plan.exists():
        raise UsageError(f"{plan}: no such file; check the path")
    if is_store(scores):
        rows, name, limits = _from_store(scores, trials, settings_id)
        limits = limits if plan is None else read_limits(plan)
    elif trials or settings_id is not None:
        raise click.UsageError("--trial and --settings-id go with a trial database")
    else:
        limits = read_limits(plan or Path(scores).parent / PLAN_FILE)
        rows, name = read_rows(scores), ""
    compared = compare(rows, settings=chosen, limits=limits)
    # A page of other rows must not stand beside these.
    remove(out / "report.html")
    write_tables(out, compared.tables())
    if not no_report:
        write_ranking_report(out / "report.html", compared, rows, name or out.resolve().name)
    show_ranking(compared.ranking)
    show_studies(compared)
    click.echo(f"written: {out / 'ranking.csv'}", err=True)


def _from_store(
    address: str, trials: tuple[str, ...], settings_id: str | None
) -> tuple[pd.DataFrame, str, Limits]:
    """Rows of the trials asked for, or of the only one there is, their name and plans; which these are is printed."""
    from ..experiment.limits import Limits, limits_of
    from ..model.errors import UsageError
    from ..trial.store import open_store

    store = open_store(address)
    there = store.trials()
    if not trials and len(there) > 1:
        listed = ", ".join(f"{name!r} ({count} welds)" for name, count in there.items())
        raise UsageError(f"{store.name}: holds {len(there)} trials: {listed}; choose with --trial NAME")
    chosen = trials or tuple(there)
    rows = store.read(trial=chosen, settings_id=settings_id)
    name = ", ".join(chosen)
    both = sum(there[trial] for trial in set(chosen)) - len(rows) if settings_id is None else 0
    once = f"; {both} welds are in several of them and count once, as stored last" if both else ""
    click.echo(f"{len(rows)} welds of trial {name} in {store.name}{once}", err=True)
    limits = Limits()
    for trial, plan in store.plans().items():
        if trial in chosen:
            limits = limits.with_those_of(limits_of(plan, f"{store.name}, plan of trial {trial!r}"))
    return rows, name, limits


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
