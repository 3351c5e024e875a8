"""A progress bar on a terminal, nothing elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext

COMPILING = "compiling the measuring code, once on this machine: about a minute"


def compile_once() -> None:
    """Compile the measuring code where that has not been done; say so on a terminal."""
    from ..measure import compile_kernels, is_compiled

    if is_compiled():
        return
    from rich.console import Console

    console = Console(stderr=True)
    with console.status(COMPILING) if console.is_terminal else nullcontext():
        compile_kernels()


@contextmanager
def bar(what: str, unit: str = "frames") -> Iterator[Callable[[int, int], None]]:
    """A bar with rate and time left on standard error; quiet when that is no terminal.

    Parameters
    ----------
    what
        What is being done.
    unit
        What is counted.

    Yields
    ------
    callable
        To be called with how many are done and how many there are.
    """
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        ProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )
    from rich.progress import Task as _Task
    from rich.text import Text

    class Rate(ProgressColumn):
        def render(self, task: _Task) -> Text:
            speed = task.speed
            return Text("" if speed is None else f"{speed:,.0f} {unit}/s")

    class Counted(MofNCompleteColumn):
        def render(self, task: _Task) -> Text:
            # Before anything is counted "0/?" says less than the words alone.
            return Text() if task.total is None else super().render(task)

    console = Console(stderr=True)
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        Counted(),
        Rate(),
        TimeRemainingColumn(),
        console=console,
        disable=not console.is_terminal,
        transient=True,
    ) as shown:
        task = shown.add_task(what, total=None)

        def tell(done: int, total: int) -> None:
            shown.update(task, completed=done, total=total)

        yield tell
