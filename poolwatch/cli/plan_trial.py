"""`poolwatch plan trial`: a designed, randomised, blocked run sheet."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from .amounts import Amount

if TYPE_CHECKING:
    from ..experiment.factors import Factor
    from ..experiment.limits import Forbidden
    from ..plan.designs import Plan
    from ..plan.runsheet import RunSheet

# Scatter from weld to weld for which a difference is named, index points: an example, as in the README.
_EXAMPLE_POINTS = 4.0


@click.command("trial", short_help="a designed, randomised, blocked run sheet")
@click.option(
    "--factor",
    "factors",
    multiple=True,
    required=True,
    metavar="NAME=LEVELS",
    help="NAME=low..high, NAME=1,2,3 or NAME=words; repeatable.",
)
@click.option(
    "--design",
    type=click.Choice(["full", "fraction", "composite", "box-behnken", "latin", "d-optimal"]),
    default="full",
    show_default=True,
    help="Kind of design.",
)
@click.option("--runs", type=click.IntRange(2, 2000), help="Budget: fraction, latin and d-optimal.")
@click.option(
    "--resolution",
    type=click.IntRange(3, 5),
    default=4,
    show_default=True,
    help="Least resolution of a fraction.",
)
@click.option(
    "--axial",
    type=click.Choice(["inscribed", "circumscribed", "face-centred"]),
    default="inscribed",
    show_default=True,
    help="Where a composite design's axial points are: at the levels given, beyond them, or on the faces.",
)
@click.option(
    "--centres", type=click.IntRange(0, 50), help="Centre points; default 3 or 4 where the design has any."
)
@click.option(
    "--model",
    type=click.Choice(["main", "interactions", "quadratic"]),
    help="Terms of the model to be fitted; default: quadratic for composite and Box-Behnken, else interactions.",
)
@click.option(
    "--forbid",
    multiple=True,
    metavar="'NAME=V NAME=V'",
    help="A combination that cannot be welded; repeatable.",
)
@click.option(
    "--nested",
    multiple=True,
    metavar="'PART in PARENT'",
    help="A figure of a part that is there only where PARENT is not 0 (none, for words); repeatable.",
)
@click.option(
    "--candidates", type=click.Path(path_type=Path), help="CSV of runs that can be welded, for d-optimal."
)
@click.option(
    "--replicates", type=click.IntRange(1, 100), default=1, show_default=True, help="Welds of each run."
)
@click.option(
    "--blocks", type=click.IntRange(1, 100), default=1, show_default=True, help="Days, sheets, batches …"
)
@click.option(
    "--seed", type=click.IntRange(0), help="Of the random order; default: a new one, which is printed."
)
@click.option(
    "--outcome", "outcomes", multiple=True, metavar="NAME", help="Laboratory result to leave room for."
)
@click.option("--record-rate", type=Amount("Hz"), help="For the manifest: record rate.")
@click.option("--mm-per-px", type=Amount("mm/px"), help="For the manifest: size of a pixel.")
@click.option("--scale", help="For the manifest: scale file, relative to it, instead of --mm-per-px.")
@click.option("--travel-direction", type=float, metavar="DEG", help="For the manifest: travel direction.")
@click.option(
    "--travel-speed", type=Amount("mm/s"), help="For the manifest: welding speed, if it is no factor."
)
@click.option("--exposure", type=Amount("s"), help="For the manifest: exposure.")
@click.option("--material", help="For the manifest: material.")
@click.option("--power", type=Amount("W"), help="For the manifest: laser power, if it is no factor.")
@click.option("--sheet", help="For the manifest: the metal, such as '2 mm, grade, batch'.")
@click.option("--welder", help="For the manifest: who welds.")
@click.option("--machine", help="For the manifest: laser, optics and machine.")
@click.option("--customer", help="For the manifest: who the report is for.")
@click.option("--date", help="For the manifest: day of the welds; left empty it is filled in at the machine.")
@click.option(
    "--title", default="Welding trial", show_default=True, help="Title of run sheet, manifest and report."
)
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Folder for the files.")
def trial(**given: Any) -> None:
    """A run sheet from factors and levels: manifest.csv to be filled in, run_sheet.html to be printed.

    A factor named beam_shape fills the manifest's column of that name; without one each setting is a shape of its
    own. A part that a run lacks is written as absent. Write the name of each weld's recording into the column clip, and
    the manifest is ready for `poolwatch trial`. What the design can estimate, and what it mixes up, is printed
    here and on the sheet. plan.toml beside the manifest keeps what cannot be set, so that it is never advised later.

    Columns that head the report are in the manifest, too: title, customer, date, welder, machine, sheet and
    laser_power_w. Give them here, or fill them in at the machine.

    Factors named …_direction_deg go round: -180 and 180 are one, 0 and 180 are two levels.

    \b
    Example: shares of core and ring in 12 welds, no ring size without a ring
      poolwatch plan trial --design d-optimal --runs 12 --factor ring_share=0,0.3,0.6 \\
        --factor ring_diameter_mm=1,2 --nested 'ring_diameter_mm in ring_share' \\
        --factor travel_speed_mm_s=80..120 --model main --out plan

    \b
    Example: four beam shapes, five welds of each, a block a day
      poolwatch plan trial --factor beam_shape=single-spot,twin-spot,flat-top,crescent \\
        --replicates 5 --blocks 5 --out plan
    """
    import secrets

    from ..experiment.limits import PLAN_FILE, nest, parse_forbidden, parse_nested, plan_text
    from ..model.files import write_text
    from ..model.materials import material
    from ..model.table import write_csv
    from ..plan.factors import parse_factors
    from ..plan.printed import run_sheet_html
    from ..plan.runsheet import make_run_sheet, manifest_table

    out: Path = given["out"]
    _spare_filled_in(out / "manifest.csv")
    if given["material"] is not None:
        material(given["material"])
    nested = parse_nested(given["nested"])
    factors = nest(parse_factors(given["factors"]), nested)
    forbidden = tuple(parse_forbidden(text, factors) for text in given["forbid"])
    seed = given["seed"] if given["seed"] is not None else secrets.randbelow(10**6)
    model: Literal["main", "interactions", "quadratic"] = given["model"] or (
        "quadratic" if given["design"] in ("composite", "box-behnken") else "interactions"
    )
    plan = _design(given, factors, forbidden, model, seed)
    sheet = make_run_sheet(
        plan, model=model, replicates=given["replicates"], blocks=given["blocks"], seed=seed
    )
    outcomes = tuple(name.removeprefix("outcome_") for name in given["outcomes"])
    facts = _facts(given)
    manifest = manifest_table(sheet, facts, outcomes)
    write_csv(out / "manifest.csv", manifest)
    about = {"design": plan.name, "model": model, "seed": seed}
    write_text(out / PLAN_FILE, plan_text(factors, nested, given["forbid"], about))
    write_text(out / "run_sheet.html", run_sheet_html(sheet, facts, outcomes))
    _show(sheet)
    click.echo(f"written: {out / 'manifest.csv'}, {out / 'run_sheet.html'}, {out / PLAN_FILE}", err=True)
    click.echo(
        f"next: fill in the column clip, then `poolwatch trial {out / 'manifest.csv'} --out DIR`", err=True
    )


def _spare_filled_in(manifest: Path) -> None:
    """Refuse to write over a manifest in which clips or laboratory results stand: that is days of somebody's work."""
    from ..model.errors import UsageError
    from ..model.sheet import read_sheet

    if not manifest.exists():
        return
    try:
        rows = read_sheet(manifest).rows
    except UsageError:
        rows = ({"clip": "what cannot be read may hold anything"},)
    if any(
        text for row in rows for name, text in row.items() if name == "clip" or name.startswith("outcome_")
    ):
        raise UsageError(f"{manifest}: is there already and filled in; give another --out, or move it away")


def _design(
    given: dict[str, Any],
    factors: tuple[Factor, ...],
    forbidden: tuple[Forbidden, ...],
    model: Any,
    seed: int,
) -> Plan:
    from dataclasses import replace

    from ..experiment.limits import allowed
    from ..model.errors import UsageError
    from ..plan import designs
    from ..plan.candidates import grid, read_candidates
    from ..plan.optimal import d_optimal

    kind, runs = given["design"], given["runs"]
    if kind in ("latin", "d-optimal") and runs is None:
        raise UsageError(f"--design {kind} needs --runs: how many welds there can be")
    if kind not in ("latin", "d-optimal", "fraction") and runs is not None:
        raise UsageError(f"--runs is not for --design {kind}, which sets its own number of runs")
    if given["candidates"] is not None and kind != "d-optimal":
        raise UsageError("--candidates is for --design d-optimal")
    centres = given["centres"]
    if kind in ("latin", "d-optimal") and centres is not None:
        raise UsageError(f"--centres is not for --design {kind}")
    if kind == "d-optimal":
        if given["candidates"] is not None:
            candidates = read_candidates(given["candidates"], factors)
        else:
            candidates = grid(factors, model)
        return d_optimal(factors, allowed(candidates, forbidden), runs, model=model, seed=seed)
    if kind == "full":
        plan = designs.full_factorial(factors, centres=centres or 0)
    elif kind == "fraction":
        plan = designs.fraction(factors, runs=runs, resolution=given["resolution"], centres=centres or 0)
    elif kind == "composite":
        plan = designs.central_composite(
            factors, axial=given["axial"], centres=4 if centres is None else centres
        )
    elif kind == "box-behnken":
        plan = designs.box_behnken(factors, centres=3 if centres is None else centres)
    else:
        plan = designs.latin_hypercube(factors, runs, seed=seed)
    kept = allowed(plan.runs, forbidden)
    lost = len(plan.runs) - len(kept)
    if not kept:
        raise UsageError("every combination is forbidden; nothing can be welded")
    if lost and kind not in ("full", "latin"):
        raise UsageError(
            f"{lost} of {len(plan.runs)} runs of this design are forbidden and it falls apart without them; "
            f"use --design d-optimal --runs {len(kept)}"
        )
    note = (f"{lost} forbidden combinations left out",) if lost else ()
    return replace(plan, runs=kept, notes=plan.notes + note)


def _facts(given: dict[str, Any]) -> dict[str, str]:
    from ..model.errors import UsageError

    if given["mm_per_px"] is not None and given["scale"] is not None:
        raise UsageError("give --mm-per-px or --scale, not both")
    columns = {
        "record_rate_hz": "record_rate",
        "mm_per_px": "mm_per_px",
        "scale": "scale",
        "travel_direction_deg": "travel_direction",
        "travel_speed_mm_s": "travel_speed",
        "exposure_s": "exposure",
        "material": "material",
        "laser_power_w": "power",
        **{name: name for name in ("title", "customer", "date", "welder", "machine", "sheet")},
    }
    return {
        # As a spreadsheet shows it: 0.00002, not 2e-05.
        column: value if isinstance(value, str) else f"{Decimal(f'{value:.9g}'):f}"
        for column, name in columns.items()
        if (value := given[name]) is not None
    }


def _show(sheet: RunSheet) -> None:
    from ..plan.amounts import table
    from ..plan.runsheet import shown

    click.echo(f"{sheet.plan.name}; random order from seed {sheet.seed}")
    for note in sheet.notes:
        click.echo(f"  {note}")
    names = [factor.name for factor in sheet.plan.factors]
    head = ("run", *(["block"] if sheet.blocks > 1 else []), *names)
    rows = [
        (
            str(n),
            *([str(sheet.block[n - 1])] if sheet.blocks > 1 else []),
            *(shown(run[name]) for name in names),
        )
        for n, run in enumerate(sheet.runs, 1)
    ]
    for line in table([head, *rows[:40]]):
        click.echo(line)
    if len(rows) > 40:
        click.echo(f"  … and {len(rows) - 40} more")
    asked = f" (model {sheet.model!r})" if len(names) > 1 else ""
    click.echo(f"what can be estimated{asked}")
    for line in sheet.told.lines():
        click.echo(f"  {line}")
    click.echo("standard error of each effect, in standard deviations of one weld, and variance inflation")
    for line in table([(one.term, f"{one.error:.2f}", f"{one.vif:.2f}") for one in sheet.told.precisions]):
        click.echo(line)
    click.echo(
        "  an effect of some 3 standard errors is shown more often than not; inflation 1 is best, above 5 other terms "
        "hide this one (common practice, no source)"
    )
    _show_difference(sheet)


def _show_difference(sheet: RunSheet) -> None:
    """What difference between beam shapes so many welds show, in scatters of a weld, for that is not known yet."""
    from collections import Counter

    from ..experiment.factors import SHAPE
    from ..plan.pilot import scatter_from_points
    from ..plan.power import ComparisonDesign, detectable

    shapes = Counter(str(run[SHAPE]) for run in sheet.runs if SHAPE in run)
    welds = min(shapes.values(), default=0)
    if len(shapes) < 2 or len(sheet.plan.factors) > 1:
        return
    if welds < 2:
        click.echo("one weld a shape shows no difference, for the scatter from weld to weld stays unknown")
        return
    scatter = scatter_from_points(_EXAMPLE_POINTS, 50.0)
    design = ComparisonDesign(shapes=len(shapes), scatter=scatter, blocked=sheet.blocks == welds, trials=4000)
    points = detectable(design, welds)
    click.echo(
        f"{welds} welds of each shape show a difference of {points / _EXAMPLE_POINTS:.1f} times the scatter from "
        "weld to weld (power 0.8)"
    )
    click.echo(
        f"  that is {points:.0f} points where welds of a shape scatter by {_EXAMPLE_POINTS:g}; for yours ask "
        "`poolwatch plan welds`"
    )
