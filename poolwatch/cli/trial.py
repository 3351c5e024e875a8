"""`poolwatch trial`: every clip of a manifest measured, the beam shapes ranked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .progress import COMPILING

if TYPE_CHECKING:
    from ..trial.batch import ClipEvent, Progress
    from ..trial.results import TrialResult


@click.command("trial", short_help="measure every clip of a trial and rank the beam shapes")
@click.argument("manifest", type=click.Path(path_type=Path), metavar="MANIFEST.csv")
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder for everything the trial gives."
)
@click.option("--workers", type=click.IntRange(min=1), help="Clips measured at a time; default: one a core.")
@click.option("--scheduler", metavar="ADDRESS", help="Dask scheduler to run on, such as tcp://HOST:8786.")
@click.option(
    "--store",
    metavar="URL",
    envvar="POOLWATCH_STORE",
    help="Trial database to add the score rows to: sqlite:///FILE or postgresql://…; also from POOLWATCH_STORE.",
)
@click.option("--settings", type=click.Path(path_type=Path), help="TOML file for clips whose row names none.")
@click.option("--rank-settings", type=click.Path(path_type=Path), help="TOML file with a table [rank].")
@click.option("--no-overlay", is_flag=True, help="Write no annotated videos.")
@click.option("--no-report", is_flag=True, help="Write no report.html.")
def command(
    manifest: Path,
    out: Path,
    workers: int | None,
    scheduler: str | None,
    store: str | None,
    settings: Path | None,
    rank_settings: Path | None,
    no_overlay: bool,
    no_report: bool,
) -> None:
    """Measure every clip of a manifest and rank the beam shapes.

    The manifest is a CSV with one row a clip: clip, beam_shape, replicate, record_rate_hz, mm_per_px or scale,
    and where known travel_direction_deg, travel_speed_mm_s, exposure_s, material, settings; factor_… and
    outcome_… columns as you like (absent where a shape lacks the part). It is checked whole before any frame is
    read.

    Stopped half-way, the same command goes on where it was.
    """
    from ..trial.run import run_trial
    from ..trial.settings import read_rank_settings
    from .rank import show_ranking

    chosen = read_rank_settings(rank_settings)
    with trial_progress() as progress:
        result = run_trial(
            manifest,
            out,
            workers=workers,
            scheduler=scheduler,
            settings=settings,
            rank_settings=chosen,
            overlay=not no_overlay,
            report=not no_report,
            store=store,
            progress=progress,
        )
    show_ranking(result.ranking)
    show_studies(result)
    click.echo(
        f"{result.measured} clips measured, {result.resumed} were finished before; written: {result.out}",
        err=True,
    )


def show_studies(result: TrialResult) -> None:
    """Print what factors and outcomes say, and the trial's notes."""
    from rich.console import Console
    from rich.markup import escape

    console = Console()
    readings = (result.factors.reading,) if result.factors else ()
    for reading in (*readings, *(result.outcomes.readings if result.outcomes else ())):
        console.print()
        console.print(escape(reading))
    if result.factors is not None and len(result.factors.next_welds):
        console.print()
        console.print("What to weld next (mean index expected ± its standard uncertainty; 95 % of welds):")
        settings = Counter(_setting(weld) for weld in result.factors.next_welds.to_dict("records"))
        for setting, times in settings.items():
            console.print("  " + escape(setting + (f", {times} welds" if times > 1 else "")))
    for line in [*(result.factors.remarks if result.factors else ()), *result.notes]:
        console.print("- " + escape(line))


def _setting(weld: Mapping[Hashable, Any]) -> str:
    """A setting to weld next in one line."""
    named = (
        f"{str(name).removeprefix('factor_')} {value if isinstance(value, str) else f'{value:.4g}'}"
        for name, value in weld.items()
        if name == "beam_shape" or str(name).startswith("factor_")
    )
    expected = f"{weld['predicted']:.0f} ± {weld['predicted_u']:.0f}; {weld['weld_low']:.0f} to {weld['weld_high']:.0f}"
    return f"{', '.join(named)}: {expected}"


@contextmanager
def trial_progress() -> Iterator[Progress]:
    """A bar over all clips with the time left; on a terminal only. Failures are told at once everywhere."""
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
