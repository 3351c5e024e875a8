"""The `poolwatch` command: finds the subcommand, loads only its file, turns errors into one line."""

from __future__ import annotations

import errno
import importlib
import importlib.util
import os
import sys
import traceback
import warnings
from collections.abc import Sequence
from pathlib import Path

import click

from ..model.collecting import collecting_seldom
from ..model.errors import PoolwatchError, TableError
from ..model.version import __version__

COMMANDS = {
    "demo": "the whole job on the demo clips: measure, rank, overlays, report",
    "inspect": "what a recording is and whether it is fit for measuring",
    "calibrate": "make a scale file: target photo, two points, or travel speed",
    "measure": "measure one clip, or several with the same facts",
    "trial": "measure every clip of a trial and rank the beam shapes",
    "rank": "rank beam shapes from score rows alone",
    "overlay": "the annotated video again, with other choices",
    "sidebyside": "several clips in one video: same scale, same time base",
    "plan": "what to record and what to weld, before welding",
    "beam": "figures of a beam profile picture: power shares, widths, ring, tail",
    "bead": "the finished weld from a photo: width, waviness, ripples, deposits",
    "handcheck": "mark frames by hand, then how far hand and tool differ",
    "simulate": "footage with exact truth beside it",
    "explain": "what a column, flag, status, setting or term means",
}


class _Commands(click.Group):
    """Lists all commands from the table above; imports one only when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for name in COMMANDS if importlib.util.find_spec(f"poolwatch.cli.{name}")]

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in self.list_commands(ctx):
            return None
        command: click.Command = importlib.import_module(f"poolwatch.cli.{name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name]) for name in self.list_commands(ctx)])


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(__version__, prog_name="poolwatch")
def poolwatch() -> None:
    """Measure high-speed video of laser weld melt pools.

    A steady pool is no proof of a sound weld: judge welds by your local codes and licensed practice.
    """


# Set to anything, it gives the whole traceback of an error that was not foreseen.
TRACEBACK = "POOLWATCH_TRACEBACK"


def main(arguments: list[str] | None = None) -> int:
    """Run the command line and give its exit code: 0 done, 1 could not be done, 2 wrong usage.

    Whatever goes wrong is one line on standard error; a traceback comes only where the environment variable
    POOLWATCH_TRACEBACK asks for one.
    """
    try:
        with collecting_seldom():
            result = poolwatch.main(args=arguments, prog_name="poolwatch", standalone_mode=False)
        sys.stdout.flush()
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except SystemExit as stop:
        # click and rich end so when nobody reads standard output any more (`poolwatch … | head`).
        _drop_output()
        return stop.code if isinstance(stop.code, int) else 1
    except BrokenPipeError:
        _drop_output()
        return 1
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return 2
    except click.ClickException as error:
        error.show()
        return 2
    except TableError as error:
        _tell(error.headline, error.problems)
        return error.exit_code
    except PoolwatchError as error:
        _tell(str(error))
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        _tell(
            "stopped by the user; nothing is half-written, and results that were finished before are kept; "
            "the same command goes on from there"
        )
        return 1
    except MemoryError:
        _tell("not enough memory; close other programs or give a smaller region of interest")
        return 1
    except Exception as error:  # noqa: BLE001 - the last resort: a user gets one line, never a traceback
        if os.environ.get(TRACEBACK):
            traceback.print_exc()
        _tell(_unforeseen(error))
        if isinstance(error, OSError) and error.errno == errno.ENOSPC:
            _drop_output()
        return 1
    return result if isinstance(result, int) else 0


def _tell(message: str, lines: Sequence[str] = ()) -> None:
    for line in (f"poolwatch: {message}", *lines):
        click.echo(" ".join(line.split()), err=True)


def _unforeseen(error: Exception) -> str:
    """What happened, where, and how to learn more, for an error that nothing else has turned into words."""
    if isinstance(error, OSError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        what = f"{where}{error.strerror}"
    else:
        words = " ".join(str(error).split())[:300]
        what = f"unexpected {type(error).__name__}" + (f": {words}" if words else "")
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if "poolwatch" in Path(frame.filename).parts] or frames
    place = f" (in {Path(ours[-1].filename).name}, line {ours[-1].lineno})" if ours else ""
    return f"{what}{place}; set {TRACEBACK}=1 and run again for the whole traceback, to report it"


def _drop_output() -> None:
    """Let what is still to be written to standard output go nowhere, so that leaving raises no second error."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    except (OSError, ValueError, AttributeError):
        pass


def console() -> None:
    """Entry point of the console script."""
    from .letters import tolerant_streams

    tolerant_streams()
    if not sys.warnoptions:
        # Warnings of libraries are for programmers; PYTHONWARNINGS=default shows them.
        warnings.simplefilter("ignore")
    sys.exit(main())
