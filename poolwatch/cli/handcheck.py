"""`poolwatch handcheck`: a page for marking frames by hand, and how far hand and tool differ."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from ..handcheck.sampling import FrameDraw
    from ..measure import Measurement

# Two tables, for one is wider than a terminal.
_TABLES = (
    {"name": "tool − hand", "bias": "mean", "lower": "lower limit", "upper": "upper limit"},
    {
        "name": "",
        "um": "mean; limits",
        "share": "of what shapes differ",
        "hand": "one marking scatters",
        "left": "left for the tool",
    },
)


@click.command("handcheck", short_help="mark frames by hand, then how far hand and tool differ")
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--marks",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="FILE.csv",
    help="Marks that the page saved; again for a second person or round.",
)
@click.option(
    "--seed", type=click.IntRange(min=0, max=10**9), default=1, show_default=True, help="Seed of the draw."
)
@click.option(
    "--frames", type=click.IntRange(8, 999), default=20, show_default=True, help="Frames to mark in all."
)
@click.option(
    "--worst",
    type=click.IntRange(0, 500),
    default=5,
    show_default=True,
    help="How many of them are the worst moments; the others are drawn at random.",
)
@click.option(
    "--particle-frames",
    type=click.IntRange(0, 999),
    default=30,
    show_default=True,
    help="Frames in a row in which particles are marked; 0 for none.",
)
@click.option("--clip", type=click.Path(path_type=Path), help="Where the recording is now, if it was moved.")
@click.option(
    "--trial",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="A trial's folder; default: the one that DIR is in. Differences are set against what its shapes differ by.",
)
@click.pass_context
def command(
    context: click.Context,
    /,
    folder: Path,
    marks: tuple[Path, ...],
    clip: Path | None,
    trial: Path | None,
    **given: int,
) -> None:
    """Check a clip measured into DIR by hand.

    Without --marks it writes DIR/handcheck.html, a page that opens offline: frames drawn at random over the steady
    part, and its worst moments, with nothing measured in them. A person marks front, rear, left and right of the pool
    and saves the marks. With --marks it says how far tool and hand differ, and puts that into run.json and the reports.

    \b
    poolwatch handcheck results/weld
    poolwatch handcheck results/weld --marks AB-round1.csv --marks AB-round2.csv
    """
    from ..measure import read_measurement

    measurement = read_measurement(folder)
    if not marks:
        if trial is not None:
            raise click.UsageError("--trial goes with --marks")
        _write_page(measurement, folder, clip, **given)
        return
    chosen = [
        name for name in given if context.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE
    ]
    if chosen:
        raise click.UsageError(
            f"--{chosen[0].replace('_', '-')} goes without --marks: the marks say from which draw they are"
        )
    _compare(measurement, folder, marks, clip, trial)


def _write_page(
    measurement: Measurement,
    folder: Path,
    clip: Path | None,
    *,
    seed: int,
    frames: int,
    worst: int,
    particle_frames: int,
) -> None:
    from ..handcheck.page import write_page
    from ..handcheck.sampling import Wanted, draw_frames

    draw = draw_frames(measurement, seed, Wanted(frames - worst, worst, particle_frames))
    path = write_page(measurement, folder, draw, clip=clip)
    click.echo(f"{_words(draw)}; open the page in a browser, mark, save, then run with --marks", err=True)
    click.echo(f"written: {path}", err=True)


def _words(draw: FrameDraw) -> str:
    run = f", {draw.wanted.run} in a row for particles" if draw.run else ""
    return f"{len(draw.random)} frames drawn at random and {len(draw.worst)} worst moments{run}, seed {draw.seed}"


def _compare(
    measurement: Measurement,
    folder: Path,
    marks: tuple[Path, ...],
    clip: Path | None,
    trial: Path | None,
) -> None:
    from ..handcheck.check import hand_check, record
    from ..handcheck.marks import read_marks
    from ..handcheck.results import write_check
    from ..handcheck.shapes import TRIAL_SCORES, shapes_apart

    check = hand_check(measurement, read_marks(marks, measurement))
    scores = (trial or folder.resolve().parent) / TRIAL_SCORES
    apart = shapes_apart(scores) if trial is not None or scores.exists() else {}
    found = record(check, measurement, apart)
    pictures = write_check(measurement, folder, check, found, clip=clip)
    mm = None if "no_scale" in measurement.flags else measurement.axes.mm_per_px
    show_check(found, mm)
    for path in pictures:
        click.echo(f"written: {path}", err=True)
    click.echo(f"written: {folder / 'run.json'}", err=True)


def show_check(found: Mapping[str, Any], mm_per_px: float | None) -> None:
    """Print what a check by hand gave."""
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    from ..show.report.checked import checked_headline, checked_rows, checked_sentences

    console = Console()
    rows = checked_rows(found, mm_per_px)
    console.print(escape(checked_headline(found)))
    for heads in _TABLES:
        shown = {key: words for key, words in heads.items() if any(row[key] != "–" for row in rows)}
        if len(shown) == 1:
            continue
        table = Table(box=None, pad_edge=False)
        for words in shown.values():
            table.add_column(words)
        for row in rows:
            table.add_row(*(escape(row[key]) for key in shown))
        console.print(table)
    for words in checked_sentences(found):
        console.print(f"- {escape(words)}")
    console.print(
        "A steady pool is no proof of a sound weld: judge welds by your local codes and licensed practice."
    )
