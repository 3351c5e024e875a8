"""The `poolwatch` command: finds the subcommand, loads only its file, turns errors into one line."""

from __future__ import annotations

import importlib
import importlib.util
import sys

import click

from .. import __version__
from ..model.errors import PoolwatchError

COMMANDS = {
    "demo": "the whole job on the demo clips: measure, rank, overlays, report",
    "inspect": "what a recording is and whether it is fit for measuring",
    "calibrate": "make a scale file: target photo, two points, or travel speed",
    "measure": "measure one clip",
    "trial": "measure every clip of a trial and rank the beam shapes",
    "rank": "rank beam shapes from score rows alone",
    "overlay": "the annotated video again, with other choices",
    "sidebyside": "several clips in one video: same scale, same time base",
    "plan": "what to record and what to weld, before welding",
    "beam": "figures of a beam profile picture: power shares, widths, ring, tail",
    "simulate": "footage with exact truth beside it",
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


def main(arguments: list[str] | None = None) -> int:
    """Run the command line and give its exit code: 0 done, 1 could not be done, 2 wrong usage."""
    try:
        result = poolwatch.main(args=arguments, prog_name="poolwatch", standalone_mode=False)
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return 2
    except click.ClickException as error:
        error.show()
        return 2
    except PoolwatchError as error:
        click.echo(f"poolwatch: {' '.join(str(error).split())}", err=True)
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        click.echo(
            "poolwatch: stopped by the user; what was finished is kept, nothing half-written", err=True
        )
        return 1
    except MemoryError:
        click.echo(
            "poolwatch: not enough memory; close other programs or give a smaller region of interest",
            err=True,
        )
        return 1
    return result if isinstance(result, int) else 0


def console() -> None:
    """Entry point of the console script."""
    sys.exit(main())
