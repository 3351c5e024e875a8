"""The day beside the machine on a terminal: what `poolwatch trial --follow` prints."""

from __future__ import annotations

import datetime
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from .progress import COMPILING

if TYPE_CHECKING:
    from ..trial.batch import ClipEvent
    from ..trial.notices import FollowState, Notice
    from ..trial.run import TrialOptions

_STYLE = {"clip": "bold", "ranking": "green", "failed": "bold red", "trouble": "yellow"}


def follow_day(
    manifest: Path, out: Path, options: TrialOptions, *, poll_s: float, settle_s: float
) -> FollowState:
    """Follow a trial until Ctrl-C; print a line, with the time of day, for whatever happens.

    Raises
    ------
    UsageError
        A setting is wrong, or the database holds another trial of this name.
    OutputError
        Another process writes into the folder.
    """
    from rich.console import Console
    from rich.markup import escape

    from ..trial.follow import FollowPace, follow_trial

    console = Console()

    def notify(notice: Notice) -> None:
        now = datetime.datetime.now().strftime("%H:%M:%S")
        style = _STYLE.get(notice.kind, "default")
        if notice.kind == "idle":
            status.update("waiting for rows and files; Ctrl-C ends")
        line = f"{now}  {notice.kind:<9}  [{style}]{escape(notice.text)}[/]"
        console.print(line, soft_wrap=True, highlight=False)
        if not console.is_terminal:
            # A log that somebody watches must not lag behind.
            console.file.flush()

    with _ended_politely(), console.status("looking; Ctrl-C ends") as status:

        def progress(event: ClipEvent) -> None:
            if event.kind == "preparing":
                status.update(COMPILING)
            elif event.kind == "frames":
                status.update(f"measuring {escape(Path(event.clip).name)}: {event.share:.0%}")
            elif event.kind in ("done", "failed"):
                status.update("looking; Ctrl-C ends")

        state = follow_trial(
            manifest,
            out,
            options=options,
            pace=FollowPace(poll_s, settle_s),
            notify=notify,
            progress=progress,
        )
    click.echo(f"ended: {state.words}; the same command goes on from here; results in {out}", err=True)
    return state


@contextmanager
def _ended_politely() -> Iterator[None]:
    """Let a request to end (a shut-down, a service manager) do what Ctrl-C does."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
