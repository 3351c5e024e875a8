"""What all ways of calibrating share: where the scale file goes, how it is written and shown."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..model.errors import MeasurementError, UsageError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from ..scale.calibration import Calibration


def outputs(function: Callable[..., Any]) -> Callable[..., Any]:
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


def _png(context: click.Context, option: click.Parameter, path: Path | None) -> Path | None:
    """Refuse another ending before anything is written."""
    if path is not None and path.suffix.lower() != ".png":
        raise UsageError(f"--drawn {path}: the picture is a PNG; give a name that ends in .png")
    return path


drawn_option = click.option(
    "--drawn",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=_png,
    metavar="FILE.png",
    help="Write the photo with what was found drawn in.",
)


def write_drawn(
    path: Path | None,
    photo: NDArray[np.floating],
    points: NDArray[np.float64],
    words: str,
    calibration: Calibration,
    *,
    along: NDArray[np.float64] | None = None,
) -> None:
    """Write the photo with found points drawn in, where a `path` was given."""
    from ..model.rounding import with_uncertainty
    from ..scale.photo import eight_bit
    from ..show.calibration import draw_calibration, write_calibration_picture

    if path is None:
        return
    scale = calibration.scale
    said = f"{with_uncertainty(scale.mm_per_px, scale.u_mm_per_px)} mm/px"
    write_calibration_picture(
        path, draw_calibration(eight_bit(photo), points, (words, said, *calibration.notes), along=along)
    )
    click.echo(f"drawn: {path}", err=True)


@contextlib.contextmanager
def named(path: Path) -> Iterator[None]:
    """Put a file's name before what was found wrong with it."""
    try:
        yield
    except (UsageError, MeasurementError) as error:
        raise type(error)(f"{path}: {error}") from None


def finish(calibration: Calibration, out: Path, date: str | None) -> None:
    """Date, write and show a calibration."""
    from ..scale.file import write_scale

    today = datetime.date.today().isoformat()
    calibration = dataclasses.replace(calibration, date=today if date is None else date)
    write_scale(out, calibration)
    show(calibration)
    click.echo(f"written to {out}")


def show(calibration: Calibration) -> None:
    """Print a short table of a calibration."""
    from ..model.rounding import with_uncertainty

    scale = calibration.scale
    relative = 100 * scale.u_mm_per_px / scale.mm_per_px
    shown = with_uncertainty(scale.mm_per_px, scale.u_mm_per_px)
    click.echo(f"scale  {shown} mm/px, standard uncertainty ({relative:.2g} %)")
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
