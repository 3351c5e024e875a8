"""`poolwatch inspect`: what a recording is and whether it is fit for measuring."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..model.errors import MeasurementError
from .measure import recording_options

if TYPE_CHECKING:
    from ..measure.inspection import Inspection

_STYLE = {"good": "green", "fair": "yellow", "poor": "bold red", "fact": "dim"}


@click.command("inspect", short_help="what a recording is and whether it is fit for measuring")
@click.argument("clip", type=click.Path(path_type=Path))
@recording_options
@click.option("--quick", is_flag=True, help="Do not decode every frame to count and compare them.")
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON.")
@click.option("--verbose", is_flag=True, help="Say, too, where limits come from.")
@click.option("--strict", is_flag=True, help="For scripts: end with 1 where anything is poor.")
def command(
    clip: Path,
    settings_file: Path | None,
    quick: bool,
    as_json: bool,
    verbose: bool,
    strict: bool,
    **given: Any,
) -> None:
    """Look at a clip before measuring it: every finding with a verdict, why it matters and what to change.

    Ends with 0 whatever is found, unless --strict is given.

    \b
    poolwatch inspect weld.mkv --record-rate 10000 --mm-per-px 0.02 --exposure 4e-5
    """
    import json

    from .. import inspect_clip
    from ..measure.inspection import as_rows
    from .progress import bar

    with bar(f"reading {clip.name}") as tell:
        inspection = inspect_clip(clip, settings=settings_file, quick=quick, progress=tell, **given)
    if as_json:
        click.echo(
            json.dumps({"clip": str(clip), "fit": inspection.fit, "findings": as_rows(inspection)}, indent=2)
        )
    else:
        _show(inspection, sources=verbose)
    if strict and not inspection.fit:
        poor = ", ".join(f.name for f in inspection.findings if f.verdict == "poor")
        raise MeasurementError(f"{clip}: not fit for measuring as it is; poor: {poor}")


def _show(inspection: Inspection, *, sources: bool) -> None:
    """Print the findings as a table; on wish with where their limits come from."""
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for f in inspection.findings:
        more = f.why + (f" → {f.change}" if f.change else "")
        more += f" ({f.source})" if sources and f.source else ""
        verdict = "" if f.verdict == "fact" else f.verdict
        text = escape(f.value) + (f"\n[dim]{escape(more)}[/dim]" if more else "")
        table.add_row(escape(f.name), f"[{_STYLE[f.verdict]}]{verdict}[/]", text)
    console = Console()
    console.print(table)
    console.print(
        "fit for measuring" if inspection.fit else "not fit for measuring as it is: see what is poor above"
    )
