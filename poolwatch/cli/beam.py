"""`poolwatch beam`: figures of beam profile pictures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .amounts import Amount

if TYPE_CHECKING:
    from ..plan.beam_figures import BeamFigures
    from ..plan.beam_regions import GivenRegions
    from ..trial.beam_columns import Filled


@click.command("beam", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("images", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--mm-per-px", type=Amount("mm/px"), required=True, help="Size of a pixel in the plane of the work."
)
@click.option("--power", type=Amount("W"), help="Power on the work, for irradiances.")
@click.option(
    "--travel-direction",
    type=float,
    default=0.0,
    show_default=True,
    metavar="DEG",
    help="0 = right, 90 = up.",
)
@click.option("--background", type=float, help="Level without a beam; default: found. Designed profiles: 0.")
@click.option("--core", "core", type=Amount("mm"), help="Diameter of the core, if it is not to be found.")
@click.option("--ring", metavar="IN..OUT", help="Inner and outer diameter of the ring, mm.")
@click.option("--tail-from", type=Amount("mm"), help="The tail is further behind the centre than this.")
@click.option("--centre", metavar="X,Y", help="Centre of the given regions, px; default: the centroid.")
@click.option(
    "--beam-shape", "names", multiple=True, help="Beam shape of each picture; default: its file name."
)
@click.option(
    "--out", type=click.Path(path_type=Path), help="CSV to write: a row a picture, factor_… columns."
)
@click.option(
    "--manifest", type=click.Path(path_type=Path), help="Manifest whose rows get the factor_… columns."
)
@click.option(
    "--replace", is_flag=True, help="Put measured figures in place of planned ones in the manifest."
)
@click.option("--all-figures", is_flag=True, help="Also those that a planned manifest has no column for.")
def command(images: tuple[Path, ...], **given: Any) -> None:
    """Power shares, widths and irradiance of beam profiles, measured or designed.

    Widths are second moments after ISO 11146-1 (D4σ). The share of the power in core and ring, or in core and tail,
    is found or follows the regions given. A picture misleads the eye: half of the power may sit in a ring that
    looks faint. Pictures must be linear in intensity: PNG, TIFF, NPY or CSV, not false colours.

    The figures become factor_… columns for a trial's manifest: --out writes them, --manifest adds them to the rows
    of the beam shape with the picture's name. The report then shows the picture, too. A part that a beam lacks is
    written as absent: no ring, no ring diameter. Cells that are filled in stay as planned; where the picture says
    otherwise that is printed, and --replace puts the measured figure there.

    Class 4 laser: profile the beam at the power and with the attenuators that your laser safety officer allows.

    \b
    Example: a core with a ring, 3 kW
      poolwatch beam ring-50.png --mm-per-px 10um --power 3kW --out beam.csv
    """
    from ..model.errors import MeasurementError, UsageError
    from ..model.table import write_csv
    from ..plan.beam_figures import BEAM, beam_figures, lacking
    from ..plan.beam_image import read_beam_image
    from ..trial.beam_columns import BeamPicture, fill_manifest, with_absent

    names = _names(images, given["names"])
    regions = _regions(given)
    rows: list[dict[str, object]] = []
    gone: list[frozenset[str]] = []
    for path, name in zip(images, names, strict=True):
        try:
            figures = beam_figures(
                read_beam_image(path),
                mm_per_px=given["mm_per_px"],
                power_w=given["power"],
                travel_direction_deg=given["travel_direction"],
                background=given["background"],
                regions=regions,
            )
        except (MeasurementError, UsageError) as error:
            raise error if str(path) in str(error) else type(error)(f"{path}: {error}") from None
        _show(name, figures)
        rows.append(figures.row(path.name, name))
        gone.append(lacking(figures))
    table = with_absent(BEAM.frame(rows), gone)
    if given["out"] is not None:
        write_csv(given["out"], table)
        click.echo(f"written: {given['out']}", err=True)
    if given["manifest"] is not None:
        scale = given["mm_per_px"]
        pictures = {name: BeamPicture(path, scale) for path, name in zip(images, names, strict=True)}
        replace, every = given["replace"], given["all_figures"]
        filled = fill_manifest(given["manifest"], table, replace=replace, every=every, pictures=pictures)
        _show_filled(filled, given["manifest"], replace)


def _show_filled(filled: Filled, manifest: Path, replace: bool) -> None:
    for line in filled.differences:
        click.echo(f"  planned, not as measured  {line}")
    if filled.differences and not replace:
        click.echo("  the planned values stay; --replace puts the measured ones in their place")
    click.echo(f"{filled.rows} rows of {manifest} have the figures of their beam shape", err=True)


def _names(images: tuple[Path, ...], given: tuple[str, ...]) -> tuple[str, ...]:
    """A beam shape for each picture."""
    from ..model.errors import UsageError

    names = given or tuple(path.stem for path in images)
    if len(names) != len(images):
        raise UsageError(
            f"{len(images)} pictures but {len(names)} names; give one --beam-shape for each, in order"
        )
    if len(set(names)) < len(names):
        raise UsageError("two pictures have the same name; give each a --beam-shape")
    return names


def _regions(given: dict[str, Any]) -> GivenRegions | None:
    from ..model.errors import UsageError
    from ..plan.amounts import parse_amount
    from ..plan.beam_regions import GivenRegions

    mm = given["mm_per_px"]
    if given["core"] is None and given["ring"] is None and given["tail_from"] is None:
        if given["centre"] is not None:
            raise UsageError("--centre goes with --core, --ring or --tail-from")
        return None
    centre = None
    if given["centre"] is not None:
        try:
            x, y = (float(part) for part in given["centre"].split(","))
        except ValueError:
            raise UsageError(f"--centre {given['centre']!r}: write X,Y in px") from None
        centre = (x, y)
    ring = None
    if given["ring"] is not None:
        inner, dots, outer = given["ring"].partition("..")
        if not dots or ".." in outer:
            raise UsageError(f"--ring {given['ring']!r}: write IN..OUT, two diameters, for example 0.3..0.8")
        ring = (parse_amount(inner, "mm") / mm, parse_amount(outer, "mm") / mm)
    return GivenRegions(
        centre,
        None if given["core"] is None else given["core"] / mm,
        ring,
        None if given["tail_from"] is None else given["tail_from"] / mm,
        given["travel_direction"] + 180.0,
    )


def _show(name: str, figures: BeamFigures) -> None:
    from ..model.rounding import with_uncertainty
    from ..plan.amounts import amount, table
    from ..plan.beam_figures import axis_angle, full_angle

    mm, moments, shares = figures.mm_per_px, figures.moments, figures.shares
    turn = figures.travel_direction_deg
    click.echo(f"{name}: {shares.how}")
    rows: list[tuple[str, ...]] = []
    parts = (("core", shares.core), ("ring", shares.ring), ("tail", shares.tail), ("rest", shares.rest))
    rows += [(f"power in the {part}", f"{100 * share:.1f} %") for part, share in parts if abs(share) > 5e-4]
    round_ = (
        "round" if moments.round else f"longer axis {axis_angle(moments.angle_deg - turn):.1f}° to travel"
    )
    rows += [
        (
            "width D4σ",
            f"{with_uncertainty(moments.major * mm, moments.u_major * mm)} mm x "
            f"{with_uncertainty(moments.minor * mm, moments.u_minor * mm)} mm, {round_}",
        ),
        ("centroid", f"{moments.x:.2f}, {moments.y:.2f} px"),
    ]
    sizes = (
        ("core diameter", shares.core_diameter),
        ("ring diameter, middle", shares.ring_diameter),
        ("ring width", shares.ring_width),
        ("tail length", shares.tail_length),
    )
    rows += [(what, amount(size * mm, "mm")) for what, size in sizes if size == size]
    if shares.tail_angle_deg == shares.tail_angle_deg:
        rows.append(("tail direction", f"{full_angle(shares.tail_angle_deg - turn):.1f}° to travel"))
    if figures.power_w == figures.power_w:
        rows += [
            ("peak irradiance", f"{figures.peak_w_mm2:,.0f} W/mm²"),
            ("mean irradiance", f"{figures.mean_w_mm2:,.0f} W/mm² over the second-moment ellipse"),
        ]
    rows.append(
        ("background", f"{with_uncertainty(moments.background, moments.noise)} in the picture's values")
    )
    for line in table(rows):
        click.echo(line)
    for note in figures.notes:
        click.echo(f"  note  {note}")
