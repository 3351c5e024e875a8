"""`poolwatch calibrate`: makes a scale file from a photo, two points or the travel speed, and compares two."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from ..model.errors import MeasurementError, UsageError
from .calibrate_compare import compare
from .places import point, rectangle, size

if TYPE_CHECKING:
    from ..scale.calibration import Calibration


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
    help="Size of the picture in px, to be noted in the file: clips of another size are then told.",
)
@_outputs
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
    _finish(made, out, date)


@command.command()
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
    "--pitch-mm", type=float, required=True, help="Distance of neighbouring corners or centres, mm."
)
@click.option("--u-pitch-mm", type=float, default=0.0, help="Standard uncertainty of the pitch, mm.")
@click.option(
    "--place", type=point, metavar="X,Y", default=None, help="The weld's place in px; default: middle."
)
@click.option(
    "--region",
    type=rectangle,
    metavar="X,Y,WIDTH,HEIGHT",
    default=None,
    help="Part of the picture, in px, over which the scale must hold; default: where the target is.",
)
@click.option(
    "--u-height-mm",
    type=float,
    default=0.0,
    help="Standard uncertainty of the target's height at the weld, mm.",
)
@click.option(
    "--distance-mm", type=float, default=None, help="From lens to weld, mm; needed with --u-height-mm."
)
@_outputs
def target(
    photos: tuple[Path, ...],
    pattern: Literal["checkerboard", "circles"],
    columns: int,
    rows: int,
    pitch_mm: float,
    u_pitch_mm: float,
    place: tuple[float, float] | None,
    region: tuple[float, float, float, float] | None,
    u_height_mm: float,
    distance_mm: float | None,
    out: Path,
    date: str | None,
) -> None:
    """Scale from photos of a checkerboard or circle grid; tilt is taken out.

    In the first photo the target lies in the plane of the weld. Three or more further ones, tilted in different
    directions, let the lens distortion be taken out as well.
    """
    from ..scale.lens import LEAST_VIEWS, calibrate_lens
    from ..scale.photo import read_photo
    from ..scale.plane import scale_from_target
    from ..scale.target import Target, find_target

    wanted = Target(pattern, columns, rows, pitch_mm, u_pitch_mm)
    sightings, views = [], []
    for path in photos:
        photo = read_photo(path)
        views.append((photo.shape[1], photo.shape[0]))
        if views[-1] != views[0]:
            raise UsageError(
                f"{path}: is {views[-1][0]} x {views[-1][1]} px, {photos[0]} is {views[0][0]} x {views[0][1]};"
                " take all photos with the same camera and picture size"
            )
        with _named(path):
            sightings.append(find_target(photo, wanted))
    lens, notes = None, []
    if len(photos) >= LEAST_VIEWS:
        fit = calibrate_lens(sightings, wanted, views[0])
        if fit.believable:
            lens = fit.lens
            notes.append(
                f"Lens distortion taken out with {len(photos)} photos: rms {fit.rms_px:.3f} px, worst photo"
                f" {fit.view_rms_px.max():.3f} px."
            )
        else:
            notes.append(
                "The photos are too alike in tilt to tell the lens distortion; it was not taken out."
                " Tilt the target in different directions."
            )
    elif len(photos) > 1:
        notes.append(
            f"Fewer than {LEAST_VIEWS} photos: only the first was used, the lens distortion left in."
        )
    with _named(photos[0]):
        made = scale_from_target(
            sightings[0],
            wanted,
            views[0],
            place=place,
            region=region,
            lens=lens,
            u_height_mm=u_height_mm,
            distance_mm=distance_mm,
            inputs={"photo": photos[0].name, "photos": len(photos)},
        )
    _finish(dataclasses.replace(made, notes=(*notes, *made.notes)), out, date)


@command.command()
@click.argument("photo", type=click.Path(path_type=Path))
@click.option("--pitch-mm", type=float, required=True, help="Distance of neighbouring marks, mm.")
@click.option("--u-pitch-mm", type=float, default=0.0, help="Standard uncertainty of the pitch, mm.")
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
@_outputs
def ruler(
    photo: Path,
    pitch_mm: float,
    u_pitch_mm: float,
    line: tuple[tuple[float, float], tuple[float, float]] | None,
    width_px: int,
    period_px: float | None,
    out: Path,
    date: str | None,
) -> None:
    """Scale from the photo of a ruler or stage micrometer.

    Check the number of marks that is printed against the photo: longer marks at each fifth or tenth may be
    taken for the graduation, and --period-px then helps.
    """
    from ..scale.photo import read_photo
    from ..scale.ruler import find_graduation, scale_from_ruler

    picture = read_photo(photo)
    with _named(photo):
        graduation = find_graduation(picture, line, width_px=width_px, period_px=period_px)
    made = scale_from_ruler(
        graduation,
        pitch_mm,
        u_pitch_mm=u_pitch_mm,
        inputs={"photo": photo.name},
        picture_px=(picture.shape[1], picture.shape[0]),
    )
    _finish(made, out, date)


@command.command()
@click.argument("clip", type=click.Path(path_type=Path))
@click.option(
    "--record-rate", type=float, required=True, help="Rate at which the camera took the frames, Hz."
)
@click.option("--u-record-rate", type=float, default=0.0, help="Its standard uncertainty, Hz.")
@click.option("--travel-speed", type=float, required=True, help="Welding speed, mm/s.")
@click.option(
    "--u-travel-speed", type=float, default=None, help="Its standard uncertainty, mm/s; default: 1 % of it."
)
@click.option("--from-frame", type=click.IntRange(0), default=0, help="First frame of steady travel.")
@click.option(
    "--to-frame", type=click.IntRange(1), default=None, help="Frame after the last one of steady travel."
)
@click.option(
    "--mask", type=click.Path(path_type=Path), default=None, help="Still: left out where not black."
)
@click.option(
    "--tilt",
    type=click.Path(path_type=Path),
    default=None,
    help="Scale file of a target photo of the same view: its tilt is taken over, its size found anew.",
)
@click.option(
    "--tile-px", type=int, default=None, help="Side of the tiles compared, px; default: by the frame's size."
)
@_outputs
def travel(
    clip: Path,
    record_rate: float,
    u_record_rate: float,
    travel_speed: float,
    u_travel_speed: float | None,
    from_frame: int,
    to_frame: int | None,
    mask: Path | None,
    tilt: Path | None,
    tile_px: int | None,
    out: Path,
    date: str | None,
) -> None:
    """Scale from the known travel speed and the motion of the metal in the clip.

    The camera must ride with the head, and lamp or laser light must show the texture of the metal.
    """
    from ..clips import open_clip
    from ..measure.camera_drift import camera_drift
    from ..scale.file import read_calibration
    from ..scale.photo import read_photo
    from ..scale.travel import motion_in_clip, scale_from_travel

    target_seen = None if tilt is None else read_calibration(tilt)
    if target_seen is not None and target_seen.plane is None:
        raise UsageError(f"{tilt}: holds no plane; give the scale file of a target photo")
    left_out = None if mask is None else read_photo(mask) > 0
    with open_clip(clip) as reader:
        count = reader.facts.frame_count
        stop = count if to_frame is None else min(to_frame, count)
        with _named(clip):
            motion = motion_in_clip(reader.frames, from_frame, stop, left_out, tile_px=tile_px)
            drift = camera_drift(reader, motion, record_rate)
            made = scale_from_travel(
                motion,
                record_rate_hz=record_rate,
                u_record_rate_hz=u_record_rate,
                travel_speed_mm_s=travel_speed,
                u_travel_speed_mm_s=u_travel_speed,
                view=(reader.facts.width, reader.facts.height),
                tilt=target_seen,
                drift=drift,
                inputs={
                    "clip": clip.name,
                    "from_frame": from_frame,
                    "to_frame": stop,
                    **({} if tilt is None else {"tilt": tilt.name}),
                },
            )
    if drift is None:
        way = motion.speed * (motion.last - motion.first)
        rides = (
            "The pool was not seen well enough to tell whether the camera drifts against the head: it was taken to ride"
            f" rigidly. Each px that it drifts along travel over frames {motion.first} to {motion.last} changes the "
            f"scale by {100 / way:.2g} %."
        )
        made = dataclasses.replace(made, notes=(*made.notes, rides))
    _finish(made, out, date)


@contextlib.contextmanager
def _named(path: Path) -> Iterator[None]:
    """Put a file's name before what was found wrong with it."""
    try:
        yield
    except (UsageError, MeasurementError) as error:
        raise type(error)(f"{path}: {error}") from None


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


command.add_command(compare)
