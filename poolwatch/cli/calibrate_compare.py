"""`poolwatch calibrate compare`: whether two scale files agree."""

from __future__ import annotations

from pathlib import Path

import click

from ..model.errors import MeasurementError


@click.command("compare")
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@click.option(
    "--strict",
    is_flag=True,
    help="For scripts: end with 1 unless they agree. Where nothing can be judged they do not.",
)
def compare(first: Path, second: Path, strict: bool) -> None:
    """Say whether two scale files of one view agree within their uncertainties.

    In a tilted view the scale differs with direction: what a ruler, two points or the travel speed gave is held
    against a target along its own line. Ends with 0 whatever comes out, unless --strict is given.
    """
    from ..model.rounding import with_uncertainty
    from ..scale.compare import compare_calibrations
    from ..scale.file import read_calibration

    view = compare_calibrations(read_calibration(first), read_calibration(second))
    click.echo(f"compared {view.where}")
    for path, scale in ((first, view.first), (second, view.second)):
        click.echo(f"{with_uncertainty(scale.mm_per_px, scale.u_mm_per_px)} mm/px  {path}  ({scale.source})")
    result = view.result
    click.echo(
        f"the second is {100 * result.difference:+.3g} % from the first; 95 % limit ± {100 * result.limit:.2g} %"
    )
    if view.sizes:
        click.echo(view.sizes)
    if not result.judged:
        click.echo("neither file states an uncertainty: nothing can be judged")
    elif result.agree:
        click.echo("they agree within their uncertainties")
    else:
        click.echo(
            "THEY DISAGREE beyond their uncertainties: check pitch, distances, travel speed, record rate, tilt and"
            " whether zoom and picture size were the same; do not average them"
        )
        if view.hint:
            click.echo(view.hint)
    if strict and not (result.judged and result.agree):
        raise MeasurementError(
            f"{first} and {second} "
            + (
                f"disagree: {100 * result.difference:+.3g} % where ± {100 * result.limit:.2g} % is allowed"
                if result.judged
                else "cannot be judged: neither states an uncertainty; calibrate again, or write u_mm_per_px into one"
            )
        )
