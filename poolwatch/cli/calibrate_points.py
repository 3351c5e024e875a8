"""`poolwatch calibrate points`: a scale file from two points of known distance."""

from __future__ import annotations

from pathlib import Path

import click

from ..model.errors import UsageError
from .amounts import Amount
from .calibrate_output import finish, outputs
from .places import point, size


@click.command("points")
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
    type=Amount("mm", bare=True),
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
    type=Amount("mm", bare=True),
    default=0.0,
    show_default=True,
    help="Standard uncertainty of the true distance, mm.",
)
@click.option(
    "--photo",
    default=None,
    help="The picture; its name and, if it can be read, its size are noted in the file.",
)
@click.option(
    "--picture",
    type=size,
    default=None,
    metavar="WIDTH,HEIGHT",
    help="Size of the picture in px, to be noted in the file: clips of another size are then flagged.",
)
@outputs
def points(
    ends: tuple[tuple[tuple[float, float], tuple[float, float]], ...],
    distances: tuple[float, ...],
    u_px: float,
    u_mm: float,
    photo: str | None,
    picture: tuple[int, int] | None,
    out: Path,
    date: str | None,
) -> None:
    """Scale from two points of known distance."""
    from ..scale.photo import read_photo
    from ..scale.points import Pair, scale_from_points

    if len(ends) != len(distances):
        raise UsageError(
            f"{len(ends)} pairs of points but {len(distances)} distances; give one --mm for each --px"
        )
    pairs = [Pair(first, second, mm) for (first, second), mm in zip(ends, distances, strict=True)]
    inputs = {} if photo is None else {"photo": Path(photo).name}
    if photo is not None and Path(photo).is_file():
        height, width = read_photo(Path(photo)).shape
        if picture not in (None, (width, height)):
            raise UsageError(
                f"{photo}: is {width} x {height} px, but --picture says {picture[0]},{picture[1]}"
            )
        picture = (width, height)
    made = scale_from_points(pairs, u_px=u_px, u_mm=u_mm, inputs=inputs, picture_px=picture)
    finish(made, out, date)
