"""`poolwatch rank`: beam shapes in order, from score rows alone."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("rank", short_help="rank beam shapes from score rows alone")
@click.argument("scores", metavar="SCORES.csv|STORE_URL")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    help="Folder for ranking.csv, pairs.csv and report.html.",
)
@click.option(
    "--rank-settings", "settings", type=click.Path(path_type=Path), help="TOML file with a table [rank]."
)
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
    letter do not differ on these welds.
    """
    from .. import rank
    from .ranking_output import show_ranking, show_studies

    compared = rank(
        scores,
        out=out,
        settings=settings,
        plan=plan,
        trials=trials,
        settings_id=settings_id,
        report=not no_report,
    )
    if compared.source:
        click.echo(compared.source, err=True)
    show_ranking(compared.ranking)
    show_studies(compared)
    click.echo(f"written: {out / 'ranking.csv'}", err=True)
