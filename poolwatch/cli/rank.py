"""`poolwatch rank`: beam shapes in order, from score rows alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    import pandas as pd


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
    help="The plan.toml of `plan trial`, so that nothing it forbids is advised; default: one beside SCORES.csv.",
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
    from .ranking_output import show_ranking, show_studies

    chosen = read_rank_settings(settings)
    if plan is not None and not plan.exists():
        raise UsageError(f"{plan}: no such file; check the path")
    if plan is None and not is_store(scores):
        plan = Path(scores).parent / PLAN_FILE
    limits = None if plan is None else read_limits(plan)
    if is_store(scores):
        rows, name = _from_store(scores, trials, settings_id)
    elif trials or settings_id is not None:
        raise click.UsageError("--trial and --settings-id go with a trial database")
    else:
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


def _from_store(address: str, trials: tuple[str, ...], settings_id: str | None) -> tuple[pd.DataFrame, str]:
    """Rows of the trials asked for, or of the only one there is, and their name; which these are is printed."""
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
    return rows, name
