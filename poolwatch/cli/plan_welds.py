"""`poolwatch plan welds`: how many welds of each shape, and how long each clip."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .amounts import Amount

if TYPE_CHECKING:
    from ..plan.clip_length import ClipPlan
    from ..plan.pilot import Pilot
    from ..plan.power import ComparisonDesign


@click.command("welds", short_help="how many welds of each shape, and how long each clip")
@click.option(
    "--shapes", type=click.IntRange(2, 30), default=2, show_default=True, help="Beam shapes in the trial."
)
@click.option(
    "--difference",
    type=float,
    metavar="POINTS",
    help="Difference between two shapes to be shown, index points.",
)
@click.option(
    "--power", "wanted", type=float, default=0.8, show_default=True, help="Chance wanted of telling them."
)
@click.option(
    "--welds", type=click.IntRange(2, 200), help="Welds of each shape: what difference do they show?"
)
@click.option(
    "--pilot", type=click.Path(path_type=Path), help="Score rows of pilot welds (scores.csv, score.csv)."
)
@click.option(
    "--scatter", type=float, metavar="POINTS", help="Standard deviation from weld to weld, if no pilot."
)
@click.option(
    "--around", type=float, metavar="INDEX", help="Index around which to plan; default: pilot's, or 50."
)
@click.option(
    "--alpha", type=float, default=0.05, show_default=True, help="Chance of telling like shapes apart."
)
@click.option(
    "--blocked",
    is_flag=True,
    help="Each block (day, sheet, batch) holds every shape once; scatter is that within a block.",
)
@click.option(
    "--clip-interval", type=float, metavar="POINTS", help="Index interval wanted of one clip, ± points."
)
@click.option(
    "--measured",
    "clip",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Folder of a measured pilot clip, or its frames.csv, for its correlation time.",
)
@click.option("--signal", default="pool_length_mm", show_default=True, help="Series of the clip.")
@click.option("--mean-interval", type=float, metavar="X", help="Interval wanted of the mean, ± in its unit.")
@click.option("--cv-interval", type=float, metavar="PERCENT", help="Interval wanted of a _cv, ± % of it.")
@click.option("--correlation-time", type=Amount("s"), help="Correlation time, if no --measured.")
@click.option("--sd", type=float, help="Standard deviation of the series, with --correlation-time.")
def welds(**given: Any) -> None:
    """How many welds of each shape show a difference, and how long each clip must be.

    Power is that of the ranking's own test: t tests on the logit of the index, variances drawn towards the
    common one, Holm's correction for all pairs of shapes. All shapes but the two are half-way between them.
    With --blocked it takes out what blocks differ by, as the ranking does, and pays with degrees of freedom.
    More welds show the scatter from weld to weld; more frames do not.

    \b
    Example: four shapes, 10 points apart, welds that scatter by 5 points
      poolwatch plan welds --shapes 4 --difference 10 --scatter 5

    \b
    Example: from pilot welds, with clips for ± 3 points
      poolwatch plan welds --shapes 4 --difference 10 --pilot pilot/scores.csv --clip-interval 3

    \b
    Example: how long a clip must be to know the mean pool length to 0.02 mm
      poolwatch plan welds --measured pilot/single-spot-1 --mean-interval 0.02
    """
    from ..model.errors import UsageError

    pilot = _pilot(given["pilot"], blocked=given["blocked"] and given["scatter"] is None)
    asked = [
        given[name] is not None
        for name in ("difference", "welds", "clip_interval", "mean_interval", "cv_interval")
    ]
    if not any(asked):
        raise UsageError(
            "nothing is asked: give --difference or --welds for the number of welds, --clip-interval, --mean-interval "
            "or --cv-interval for the length of a clip"
        )
    if asked[0] or asked[1]:
        _welds(given, pilot)
    if any(asked[2:]):
        _clips(given, pilot)


def _pilot(path: Path | None, *, blocked: bool) -> Pilot | None:
    from ..plan.pilot import read_pilot
    from ..trial.rows import read_rows

    return None if path is None else read_pilot(read_rows(path), blocked=blocked)


def _welds(given: dict[str, Any], pilot: Pilot | None) -> None:
    from ..plan.amounts import table
    from ..plan.pilot import scatter_in_points
    from ..plan.power import detectable, power, welds_needed

    comparison = _comparison(given, pilot)
    k = comparison.shapes
    points = scatter_in_points(comparison.scatter, comparison.around)
    inside = " within a block" if comparison.blocked else ""
    told = pilot if given["scatter"] is None and pilot is not None and pilot.df else None
    click.echo(
        f"scatter from weld to weld of a shape{inside}: {points:.2g} points around an index of {comparison.around:.3g}"
        + (
            f" (pilot: {told.welds} welds, {told.df} degrees of freedom)"
            if told is not None
            else " (assumed)"
        )
    )
    if given["welds"] is not None:
        least = detectable(comparison, given["welds"], given["wanted"])
        click.echo(
            f"{given['welds']} welds of each of {k} shapes show {least:.2g} points with a power of {given['wanted']:g}"
        )
        if given["difference"] is not None:
            there = power(comparison, given["difference"], given["welds"])
            click.echo(f"a difference of {given['difference']:g} points is shown with a power of {there:.2f}")
        return
    plan = welds_needed(comparison, given["difference"], given["wanted"])
    places = f", in {plan.welds} blocks of every shape once" if comparison.blocked else ""
    click.echo(
        f"weld {plan.welds} of each shape, {plan.welds * k} in all{places}: two of {k} shapes {plan.difference:g} "
        f"points apart are shown to differ with a power of {plan.power:.2f}"
    )
    rows = [
        ("welds of each shape", *map(str, plan.by_welds)),
        ("power", *(f"{p:.2f}" for p in plan.by_welds.values())),
    ]
    for line in table([*rows]):
        click.echo(line)
    if told is not None:
        _pilot_notes(given, told, comparison)


def _pilot_notes(given: dict[str, Any], pilot: Pilot, comparison: ComparisonDesign) -> None:
    """What the pilot's own poor knowledge of the scatter means, and what longer clips would save."""
    import math

    from ..model.errors import UsageError
    from ..plan.power import welds_needed

    for note in pilot.notes:
        click.echo(f"note  {note}")
    _, high = pilot.scatter_interval()
    try:
        worst = str(
            welds_needed(
                comparison.model_copy(update={"scatter": high, "trials": 5000}),
                given["difference"],
                given["wanted"],
            ).welds
        )
    except UsageError:
        worst = "more than 200"
    click.echo(
        f"note  {pilot.df} degrees of freedom know the scatter poorly: at the upper end of its 80 % interval "
        f"it takes {worst} of each"
    )
    if math.isnan(pilot.within):
        return
    share = min((pilot.within / pilot.scatter) ** 2, 1.0)
    click.echo(
        f"note  {100 * share:.0f} % of the variance from weld to weld is the uncertainty within a clip; longer clips "
        + ("would save welds" if share > 0.3 else "save no welds to speak of: it is the welds that differ")
    )


def _comparison(given: dict[str, Any], pilot: Pilot | None) -> ComparisonDesign:
    import math

    from ..model.errors import UsageError
    from ..plan.pilot import scatter_from_points
    from ..plan.power import ComparisonDesign

    around = given["around"] if given["around"] is not None else (pilot.index if pilot else 50.0)
    within = 0.0
    if given["scatter"] is not None:
        scatter = scatter_from_points(given["scatter"], around)
    elif pilot is not None and pilot.df:
        scatter = pilot.scatter
        within = 0.0 if math.isnan(pilot.within) else pilot.within
        if scatter == 0:
            raise UsageError(
                "the pilot welds of each shape agree to the last digit; give --scatter in points"
            )
    elif pilot is not None:
        raise UsageError(
            (
                "the pilot's shapes and blocks leave no degree of freedom"
                if given["blocked"]
                else "the pilot has one weld a shape"
            )
            + ": it shows no scatter from weld to weld; weld each pilot shape again, or give --scatter in points"
        )
    else:
        raise UsageError(
            "the scatter from weld to weld is needed: give --pilot with score rows, or --scatter in points"
        )
    return ComparisonDesign.checked(
        {
            "shapes": given["shapes"],
            "scatter": scatter,
            "within": within,
            "around": around,
            "alpha": given["alpha"],
            "blocked": given["blocked"],
        },
        where="command line",
    )


def _clips(given: dict[str, Any], pilot: Pilot | None) -> None:
    from ..model.errors import UsageError
    from ..plan.clip_length import (
        Memory,
        clip_length_for_index,
        clip_length_for_mean,
        clip_length_for_variation,
        correlation_time,
    )
    from ..plan.series import pilot_series

    if given["clip_interval"] is not None:
        if pilot is None:
            raise UsageError(
                "--clip-interval needs --pilot: score rows show how well a clip of their length is known"
            )
        _show(
            clip_length_for_index(pilot, given["clip_interval"]),
            "clip length: T = T_pilot x (interval / wanted)²",
        )
    if given["mean_interval"] is None and given["cv_interval"] is None:
        return
    if given["clip"] is not None:
        memory = correlation_time(*pilot_series(given["clip"], given["signal"]))
        click.echo(
            f"{given['signal']}: mean {memory.mean:.4g}, sd {memory.sd:.3g}, correlation time "
            f"{1e3 * memory.correlation_s:.3g} ms; {memory.clip_s:.3g} s measured are "
            f"{memory.effective_n:.0f} independent values"
        )
    elif given["correlation_time"] is not None:
        time = given["correlation_time"]
        if given["mean_interval"] is not None and given["sd"] is None:
            raise UsageError("--mean-interval needs --sd: the standard deviation of the series")
        # A red series with this correlation time: the square of exp(-t/tau) falls off twice as fast.
        memory = Memory(0.0, given["sd"] or 1.0, time, time / 2, 1e6 * time)
    else:
        raise UsageError("give --measured with a measured pilot clip, or --correlation-time")
    if given["mean_interval"] is not None:
        _show(
            clip_length_for_mean(memory, given["mean_interval"]), "clip length: T = T_c (1.96 sd / wanted)²"
        )
    if given["cv_interval"] is not None:
        _show(
            clip_length_for_variation(memory, given["cv_interval"] / 100),
            "clip length: T = T_v / 2 (1.96 / wanted)²",
        )


def _show(plan: ClipPlan, formula: str) -> None:
    from ..plan.amounts import amount

    click.echo(f"film {amount(plan.clip_s, 's')} of steady weld for {plan.wanted}, 95 %")
    click.echo(
        f"  {formula}; {amount(plan.low_s, 's')} to {amount(plan.high_s, 's')} as far as the pilot knows"
    )
    for note in plan.notes:
        click.echo(f"note  {note}")
