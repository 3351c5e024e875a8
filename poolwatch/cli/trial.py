"""`poolwatch trial`: every clip of a manifest measured, the beam shapes ranked."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..model.errors import PoolwatchError
from .amounts import Amount
from .progress import COMPILING

if TYPE_CHECKING:
    from ..trial.batch import ClipEvent, Progress
    from ..trial.results import TrialResult


@click.command("trial", short_help="measure every clip of a trial and rank the beam shapes")
@click.argument("manifest", type=click.Path(path_type=Path), metavar="MANIFEST.csv")
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder for everything the trial gives."
)
@click.option("--workers", type=click.IntRange(min=1), help="Processes; default: one a core.")
@click.option("--scheduler", metavar="ADDRESS", help="Dask scheduler to run on, such as tcp://HOST:8786.")
@click.option(
    "--store",
    metavar="URL",
    envvar="POOLWATCH_STORE",
    help="Trial database to add the score rows to: sqlite:///FILE or postgresql://…; also from POOLWATCH_STORE.",
)
@click.option(
    "--replace-stored",
    is_flag=True,
    help="Let it take the place of another trial of its name in the database.",
)
@click.option(
    "--name",
    "title",
    default="",
    help="Name of the trial, in report and database; default: the last part of --out.",
)
@click.option(
    "--follow", is_flag=True, help="Keep running: measure each clip once its row and its file are complete."
)
@click.option(
    "--poll", type=Amount("s"), default="2s", show_default=True, help="With --follow: time between two looks."
)
@click.option(
    "--settle",
    type=Amount("s"),
    default="10s",
    show_default=True,
    help="With --follow: a file that has not changed for so long is complete.",
)
@click.option("--settings", type=click.Path(path_type=Path), help="TOML file for clips whose row names none.")
@click.option("--rank-settings", type=click.Path(path_type=Path), help="TOML file with a table [rank].")
@click.option("--no-overlay", is_flag=True, help="Write no annotated videos.")
@click.option("--no-report", is_flag=True, help="Write no report.html.")
@click.option("--strict", is_flag=True, help="For scripts: end with 1 where any weld was not measured.")
def command(
    manifest: Path,
    out: Path,
    follow: bool,
    poll: float,
    settle: float,
    no_overlay: bool,
    no_report: bool,
    strict: bool,
    **choices: Any,
) -> None:
    """Measure every clip of a manifest and rank the beam shapes.

    The manifest is a CSV with one row a clip. Columns: clip, beam_shape, replicate, record_rate_hz, mm_per_px or scale,
    and where known travel_direction_deg, travel_speed_mm_s, exposure_s, material, settings. Columns factor_… and
    outcome_… may be added (`poolwatch explain manifest`). It is checked whole before any frame is
    read. Rows that are not filled in yet, or whose recording is not there yet, are left out and named.

    Stopped half-way, the same command goes on where it was. With --follow it keeps running beside the machine: fill in
    rows and save the manifest as welds are made; Ctrl-C ends it.

    Ends with 1 where no clip was measured; with --strict, where any weld of the manifest was not: it failed, is not
    filled in, or its recording is not there. The others are ranked and written all the same.
    """
    from .. import run_trial
    from .follow import follow_day
    from .ranking_output import show_ranking, show_studies

    choices |= {"overlay": not no_overlay, "report": not no_report}
    if follow:
        from ..trial.run import TrialOptions
        from ..trial.settings import read_rank_settings

        choices["rank_settings"] = read_rank_settings(choices["rank_settings"])
        state = follow_day(manifest, out, TrialOptions(**choices), poll_s=poll, settle_s=settle)
        if strict and state.measured < state.rows:
            raise PoolwatchError(f"{out}: {state.words}, so the ranking lacks {state.rows - state.measured}")
        return
    with trial_progress() as progress:
        result = run_trial(manifest, out, progress=progress, **choices)
    show_ranking(result.ranking)
    show_studies(result.compared, result.notes)
    click.echo(
        f"{result.measured} clips measured, {result.resumed} were finished before; written: {out}",
        err=True,
    )
    if strict:
        refuse_gaps(result, out)


def refuse_gaps(result: TrialResult, out: Path) -> None:
    """End the command with 1, after everything is written, where a weld was not measured.

    Raises
    ------
    PoolwatchError
        Some weld was not.
    """
    lacking = len(result.failures) + result.pending
    if not lacking:
        return
    said = (
        f"{lacking} of {lacking + len(result.scores)} welds {'was' if lacking == 1 else 'were'} not measured"
    )
    if result.failures:
        clip, reason = next(iter(result.failures.items()))
        said += f"; {len(result.failures)} failed (in excluded.csv), first {clip}: {reason}"
    if result.pending:
        said += f"; {result.pending} are not filled in or lack their recording (named above)"
    raise PoolwatchError(f"{out}: {said}")


@contextmanager
def trial_progress() -> Iterator[Progress]:
    """A bar over all clips with the time left, on a terminal only; failures are said at once everywhere."""
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    shares: dict[str, float] = {}
    finished: set[str] = set()
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        console=console,
        disable=not console.is_terminal,
    ) as bar:
        task = bar.add_task("checking", total=1.0)
        before = 0.0

        def tell(event: ClipEvent) -> None:
            nonlocal before
            if event.kind == "preparing":
                bar.update(task, description=COMPILING)
                return
            shares[event.clip] = event.share * event.work
            if event.kind == "checked":
                console.print(escape(event.message), soft_wrap=True)
                return
            if event.kind == "failed":
                console.print(f"{escape(event.clip)}: failed: {escape(event.message)}", soft_wrap=True)
            if event.kind == "resumed":
                before += event.work
                bar.update(task, total=max(1.0 - before, 1e-9))
                shares[event.clip] = 0.0
            if event.kind in ("done", "failed", "resumed"):
                finished.add(event.clip)
            bar.update(
                task,
                completed=sum(shares.values()),
                description=f"{len(finished)} clips finished, now {escape(Path(event.clip).name)}",
            )

        yield tell
