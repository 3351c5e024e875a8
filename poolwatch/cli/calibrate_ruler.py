"""`poolwatch calibrate ruler`: a scale file from the photo of a ruler or stage micrometer."""

from __future__ import annotations

from pathlib import Path

import click

from .amounts import Amount
from .calibrate_output import drawn_option, finish, named, outputs, write_drawn
from .places import point


@click.command("ruler")
@click.argument("photo", type=click.Path(path_type=Path))
@click.option(
    "--pitch-mm", type=Amount("mm", bare=True), required=True, help="Distance of neighbouring marks, mm."
)
@click.option(
    "--u-pitch-mm", type=Amount("mm", bare=True), default=0.0, help="Standard uncertainty of the pitch, mm."
)
@click.option(
    "--line",
    type=point,
    nargs=2,
    metavar="X1,Y1 X2,Y2",
    default=None,
    help="Line across the marks, in px; looked for if not given.",
)
@click.option("--width-px", type=int, default=0, help="Width of the strip averaged, px; default: one period.")
@click.option(
    "--period-px",
    type=float,
    default=None,
    help="About how far neighbouring marks are apart, px, if it is not found.",
)
@drawn_option
@outputs
def ruler(
    photo: Path,
    pitch_mm: float,
    u_pitch_mm: float,
    line: tuple[tuple[float, float], tuple[float, float]] | None,
    width_px: int,
    period_px: float | None,
    out: Path,
    date: str | None,
    drawn: Path | None,
) -> None:
    """Scale from the photo of a ruler or stage micrometer.

    Check the number of marks that is printed against the photo: longer marks at each fifth or tenth may be
    taken for the graduation, and --period-px then helps.
    """
    import numpy as np

    from ..scale.photo import read_photo
    from ..scale.ruler import find_graduation, mark_places, scale_from_ruler

    picture = read_photo(photo)
    height, width = picture.shape
    with named(photo):
        graduation = find_graduation(picture, line, width_px=width_px, period_px=period_px)
    made = scale_from_ruler(
        graduation,
        pitch_mm,
        u_pitch_mm=u_pitch_mm,
        inputs={"photo": photo.name},
        picture_px=(width, height),
    )
    finish(made, out, date)
    line_px = np.array([graduation.start, graduation.end])
    words = f"{photo.name}: {graduation.marks} marks counted along the line"
    write_drawn(drawn, picture, mark_places(graduation), words, made, along=line_px)
