"""`poolwatch explain`: what a word in a table, a settings file or a report means."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.console import Console

    from ..reference import Section

# Further words that are named.
_ALSO = 12


@click.command("explain", short_help="what a column, flag, status, setting or term means")
@click.argument("word", required=False)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.md",
    help="Write the whole reference as a page.",
)
@click.option(
    "--configs",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Write the settings files with comments into a folder.",
)
def command(word: str | None, out: Path | None, configs: Path | None) -> None:
    """Explain a column, flag, status, reason, setting, file or term.

    WORD may be part of a name: all that hold it are shown; else all whose meaning holds it. The name of a section shows
    the whole section. Without WORD the sections are listed.

    \b
    poolwatch explain tail_faint
    poolwatch explain score.csv
    poolwatch explain "stability index"
    """
    from rich.console import Console

    from ..model.errors import UsageError
    from ..model.files import write_text
    from ..reference import config_files, markdown_page, sections
    from ..reference.entries import find, longer_names

    every = sections()
    files = {configs / name: text for name, text in config_files().items()} if configs is not None else {}
    if out is not None:
        files[out] = markdown_page(every)
    if files:
        if word is not None:
            raise UsageError("these files hold every word; leave WORD out")
        for path, text in files.items():
            write_text(path, text)
            click.echo(f"written: {path}", err=True)
        return
    console = Console(highlight=False)
    if word is None:
        for section in every:
            console.print(f"[bold]{section.name}[/bold]  {section.title}, {len(section.entries)} words")
        console.print("\n`poolwatch explain WORD` shows a section or a word.")
        return
    for section in find(every, word):
        _show(console, section)
    more = longer_names(every, word)
    if more:
        console.print(f"see also: {', '.join(more[:_ALSO])}{' …' if len(more) > _ALSO else ''}")


def _show(console: Console, section: Section) -> None:
    """Print a section, each word with its other cells and, below it, its meaning."""
    from rich.markup import escape
    from rich.padding import Padding

    console.print(f"[bold]{escape(section.title)}[/bold]")
    if section.about:
        console.print(escape(section.about))
    for entry in section.entries:
        cells = [
            f"{head}: {cell}" for head, cell in zip(section.heads[1:-1], entry.extra, strict=True) if cell
        ]
        aside = f"  ({escape(', '.join(cells))})" if cells else ""
        console.print(f"[bold]{escape(entry.word)}[/bold]{aside}")
        console.print(Padding(escape(entry.meaning), (0, 0, 0, 4), expand=False))
    console.print()
