"""`poolwatch calibrate target`: a scale file from photos of a checkerboard or circle grid."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from ..model.errors import UsageError
from .amounts import Amount
from .calibrate_output import drawn_option, finish, named, outputs, write_drawn
from .places import point, rectangle

if TYPE_CHECKING:
    from ..model.axes import Size
    from ..scale.calibration import Lens
    from ..scale.target import Sighting, Target


@click.command("target")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--pattern",
    type=click.Choice(["checkerboard", "circles"]),
    default="checkerboard",
    show_default=True,
    help="What the target shows.",
)
@click.option("--columns", type=int, required=True, help="Inner corners, or circles, in one direction.")
@click.option("--rows", type=int, required=True, help="The same in the other direction.")
@click.option(
    "--pitch-mm",
    type=Amount("mm", bare=True),
    required=True,
    help="Distance of neighbouring corners or centres, mm.",
)
@click.option(
    "--u-pitch-mm", type=Amount("mm", bare=True), default=0.0, help="Standard uncertainty of the pitch, mm."
)
@click.option(
    "--place", type=point, metavar="X,Y", default=None, help="The weld's place in px; default: middle."
)
@click.option(
    "--region",
    type=rectangle,
    metavar="LEFT,TOP,RIGHT,BOTTOM",
    default=None,
    help="Part of the picture, in px, over which the scale must hold; default: where the target is.",
)
@click.option(
    "--u-height-mm",
    type=Amount("mm", bare=True),
    default=0.0,
    help="Standard uncertainty of the target's height at the weld, mm.",
)
@click.option(
    "--distance-mm",
    type=Amount("mm", bare=True),
    default=None,
    help="From lens to weld, mm; needed with --u-height-mm.",
)
@drawn_option
@outputs
def target(
    photos: tuple[Path, ...],
    pattern: Literal["checkerboard", "circles"],
    columns: int,
    rows: int,
    pitch_mm: float,
    u_pitch_mm: float,
    out: Path,
    date: str | None,
    drawn: Path | None,
    **placed: Any,
) -> None:
    """Scale from photos of a checkerboard or circle grid; tilt is taken out.

    In the first photo the target is in the plane of the weld. Three or more further ones, tilted in different
    directions, let the lens distortion be taken out as well.
    """
    from ..scale.photo import read_photo
    from ..scale.plane import Placement, scale_from_target
    from ..scale.target import Target

    wanted = Target(pattern, columns, rows, pitch_mm, u_pitch_mm)
    sightings, view = _sightings(photos, wanted)
    lens, notes = _lens(sightings, wanted, view)
    first = photos[0]
    with named(first):
        made = scale_from_target(
            sightings[0],
            wanted,
            view,
            Placement(**placed),
            lens=lens,
            inputs={"photo": first.name, "photos": len(photos)},
        )
    made = dataclasses.replace(made, notes=(*notes, *made.notes))
    finish(made, out, date)
    points = sightings[0].points
    kind = "inner corners" if pattern == "checkerboard" else "circles"
    write_drawn(drawn, read_photo(photos[0]), points, f"{photos[0].name}: {len(points)} {kind} found", made)


def _sightings(photos: tuple[Path, ...], wanted: Target) -> tuple[list[Sighting], Size]:
    """The target in each photo, and the size that all of these share, px."""
    from ..scale.photo import read_photo
    from ..scale.target import find_target

    sightings: list[Sighting] = []
    view = (0, 0)
    for path in photos:
        photo = read_photo(path)
        height, width = photo.shape
        if sightings and (width, height) != view:
            raise UsageError(
                "{}: is {} x {} px, {} is {} x {};"
                " take all photos with the same camera and picture size".format(
                    path, width, height, photos[0], *view
                )
            )
        view = (width, height)
        with named(path):
            sightings.append(find_target(photo, wanted))
    return sightings, view


def _lens(sightings: list[Sighting], wanted: Target, view: Size) -> tuple[Lens | None, list[str]]:
    """Lens distortion, where the photos tell it, and what is to be said of it."""
    from ..scale.lens import LEAST_VIEWS, calibrate_lens

    count = len(sightings)
    if count < LEAST_VIEWS:
        few = f"Fewer than {LEAST_VIEWS} photos: only the first was used, the lens distortion left in."
        return None, [few] if count > 1 else []
    fit = calibrate_lens(sightings, wanted, view)
    if not fit.believable:
        return None, [
            "The photos are too alike in tilt to show the lens distortion; it was not taken out."
            " Tilt the target in different directions."
        ]
    return fit.lens, [
        f"Lens distortion taken out with {count} photos: rms {fit.rms_px:.3f} px, worst photo"
        f" {fit.view_rms_px.max():.3f} px."
    ]
