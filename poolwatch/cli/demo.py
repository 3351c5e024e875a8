"""`poolwatch demo`: the whole job on the clips that come with poolwatch."""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command("demo", short_help="the whole job on the demo clips: measure, rank, overlays, report")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("demo_results"),
    show_default=True,
    metavar="DIR",
    help="Folder for the results.",
)
def command(out: Path) -> None:
    """Measure the four demo clips, rank their beam shapes, write overlays and the report.

    The clips are invented (simulated): 2 mm austenitic stainless sheet for plate heat exchangers, welded with four
    made-up beam shapes, one weld each. Ends with 1 where one of them could not be measured.
    """
    from .. import run_trial
    from ..model.data import data_folder
    from .ranking_output import show_ranking
    from .trial import refuse_gaps, trial_progress

    manifest = data_folder("demo_clips") / "manifest.csv"
    if sys.stderr.isatty():
        click.echo(
            "measuring four clips: under a minute on two cores, and once a minute more to compile", err=True
        )
    with trial_progress() as progress:
        result = run_trial(
            manifest,
            out,
            progress=progress,
            title="Demo: four beam shapes on 2 mm austenitic stainless sheet",
            about="All clips are invented: simulated footage that comes with poolwatch, no real welds.",
        )
    show_ranking(result.ranking)
    click.echo(f"written: {out} (open {out / 'report.html'} in a browser)", err=True)
    refuse_gaps(result, out)
