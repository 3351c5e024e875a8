"""`poolwatch calibrate`: makes a scale file from a photo, two points or the travel speed, and compares two."""

from __future__ import annotations

import dataclasses
import datetime
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from ..scale.calibration import Calibration


def numbers(text: str, count: int, form: str) -> tuple[float, ...]:
    """Turn text such as ``12.5,40`` into `count` finite numbers."""
    try:
        found = tuple(float(part) for part in text.split(","))
    except ValueError:
        found = ()
    if len(found) != count or not all(math.isfinite(number) for number in found):
        raise click.BadParameter(f"{text!r} is not {count} numbers as {form}")
    return found


def point(text: str) -> tuple[float, ...]:
    """Convert an image point X,Y."""
    return numbers(text, 2, "X,Y")


def rectangle(text: str) -> tuple[float, ...]:
    """Convert a rectangle X,Y,WIDTH,HEIGHT."""
    return numbers(text, 4, "X,Y,WIDTH,HEIGHT")


def _outputs(function: Callable[..., Any]) -> Callable[..., Any]:
    """Options that every way of calibrating has."""
    for option in (
        click.option("--date", default=None, help="Date to note in the file; today if not given."),
        click.option(
            "--out",
            required=True,
            type=click.Path(dir_okay=False, path_type=Path),
            help="Scale file to write (TOML).",
        ),
    ):
        function = option(function)
    return function


@click.group("calibrate", context_settings={"help_option_names": ["-h", "--help"]})
def command() -> None:
    """Make a scale file: millimetres per pixel with its uncertainty.

    The target, the ruler or the points must lie in the plane of the weld, with the camera, lens, zoom and
    picture size used for welding. Take the photo with the laser off and locked.
    """


@command.command()
@click.option(
    "--px",
    "ends",
    type=point,
    nargs=2,
    multiple=True,
    required=True,
    metavar="X1,Y1 X2,Y2",
    help="Two image points in px. Repeat with --mm for more pairs.",
)
@click.option(
    "--mm",
    "distances",
    type=float,
    multiple=True,
    required=True,
    help="Their true distance in mm, one for each --px.",
)
@click.option(
    "--u-px",
    type=float,
    default=0.5,
    show_default=True,
    help="Standard uncertainty of one coordinate of a point, px.",
)
@click.option(
    "--u-mm",
    type=float,
    default=0.0,
    show_default=True,
    help="Standard uncertainty of the true distance, mm.",
)
@click.option("--photo", default=None, help="Name of the picture, to be noted in the file.")
@_outputs
def points(
    ends: tuple[tuple[tuple[float, float], tuple[float, float]], ...],
    distances: tuple[float, ...],
    u_px: float,
    u_mm: float,
    photo: str | None,
    out: Path,
    date: str | None,
) -> None:
    """Scale from two points of known distance."""
    from ..model.errors import UsageError
    from ..scale.points import Pair, scale_from_points

    if len(ends) != len(distances):
        raise UsageError(
            f"{len(ends)} pairs of points but {len(distances)} distances; give one --mm for each --px"
        )
    pairs = [Pair(first, second, mm) for (first, second), mm in zip(ends, distances, strict=True)]
    inputs = {} if photo is None else {"photo": photo}
    _finish(scale_from_points(pairs, u_px=u_px, u_mm=u_mm, inputs=inputs), out, date)


def _finish(calibration: Calibration, out: Path, date: str | None) -> None:
    """Date, write and show a calibration."""
    from ..scale.file import write_scale

    today = datetime.date.today().isoformat()
    calibration = dataclasses.replace(calibration, date=today if date is None else date)
    write_scale(out, calibration)
    show(calibration)
    click.echo(f"written to {out}")


def show(calibration: Calibration) -> None:
    """Print a short table of a calibration."""
    scale = calibration.scale
    relative = 100 * scale.u_mm_per_px / scale.mm_per_px
    click.echo(f"scale  {scale.mm_per_px:.6g} mm/px  ± {scale.u_mm_per_px:.2g} ({relative:.2g} %), standard")
    click.echo(f"from   {scale.source}")
    for name, value in calibration.found.items():
        text = f"{value:.4g}" if isinstance(value, float) else value
        click.echo(f"       {name.replace('_', ' ')}: {text}")
    if calibration.budget.contributions:
        click.echo("uncertainty, % of the scale")
        for part in calibration.budget.contributions:
            click.echo(f"       {100 * part.u / scale.mm_per_px:8.3g}  {part.name}")
    for note in calibration.notes:
        click.echo(f"note   {note}")
