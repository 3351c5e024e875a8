"""`poolwatch plan`: what to record, what to weld, how many, and what physics expects."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .amounts import Amount
from .plan_physics import physics
from .plan_trial import trial
from .plan_welds import welds

if TYPE_CHECKING:
    from ..plan.camera import Ability, Camera
    from ..plan.recording import Quantity, RecordingPlan, Wish


@click.group("plan", context_settings={"help_option_names": ["-h", "--help"]})
def command() -> None:
    """Plan a trial before welding: what to record, what to weld, how many welds.

    A trial recorded too slowly, or with two welds a shape, cannot be saved by any analysis.
    """


@command.command("recording", short_help="what to record, or what a camera can show")
@click.option("--pool-length", type=Amount("mm"), required=True, help="Length of the largest pool expected.")
@click.option("--pool-width", type=Amount("mm"), required=True, help="Its width.")
@click.option("--smallest-particle", type=Amount("mm"), help="Diameter of the smallest particle to be sized.")
@click.option("--fastest-particle", type=Amount("mm/s"), help="Speed of the fastest particle to be followed.")
@click.option("--highest-frequency", type=Amount("Hz"), help="Highest frequency of the pool of interest.")
@click.option("--lowest-frequency", type=Amount("Hz"), help="Lowest frequency of interest.")
@click.option("--travel-speed", type=Amount("mm/s"), help="Welding speed.")
@click.option("--margin", type=Amount("mm"), help="View around the pool; default: one pool width.")
@click.option("--clip-length", type=Amount("s"), help="Length of a clip.")
@click.option(
    "--interval", type=float, metavar="POINTS", help="Index interval wanted, ± points; needs --pilot."
)
@click.option(
    "--pilot",
    type=click.Path(path_type=Path),
    help="Score rows of pilot clips (score.csv, scores.csv), for --interval.",
)
@click.option("--weld-length", type=Amount("mm"), help="Length of steady weld that there is to film.")
@click.option("--fixed-camera", is_flag=True, help="The camera stands still and the pool crosses the view.")
@click.option(
    "--bits", type=click.IntRange(8, 16), default=8, show_default=True, help="Bits of a grey value."
)
@click.option("--record-rate", type=Amount("Hz"), help="Camera: record rate, if it is fixed.")
@click.option(
    "--view", metavar="WxH", help="Camera: view in px along and across travel, for example 512x256."
)
@click.option("--mm-per-px", type=Amount("mm/px"), help="Camera: size of a pixel in the plane of the weld.")
@click.option("--exposure", type=Amount("s"), help="Camera: exposure, if it is fixed.")
@click.option("--memory", type=Amount("GB"), help="Camera: memory for one clip.")
@click.option("--pixel-rate", type=float, metavar="GPX_S", help="Camera: most pixels a second, 10^9.")
@click.option(
    "--sightings", type=click.IntRange(3), default=5, show_default=True, help="Frames that see a particle."
)
@click.option(
    "--streak",
    type=float,
    default=0.5,
    show_default=True,
    help="Longest streak: how far a particle may fly during the exposure, in diameters.",
)
@click.option("--particle-px", type=float, default=3.0, show_default=True, help="Pixels across a particle.")
@click.option("--pool-px", type=float, default=60.0, show_default=True, help="Pixels across the pool.")
def recording(**given: Any) -> None:
    """Rate, exposure, mm per pixel, view, frames and memory from what must be seen, with each limit's reason.

    With --record-rate and --mm-per-px it also says what that camera can show. Amounts take units (50um, 20m/s,
    100us); without one they are in mm, mm/s, s and Hz. What cannot be had together is said, with what would
    do, and the command ends with exit code 1.

    \b
    Example: spatter down to 50 µm at 20 m/s, pool motion up to 5 kHz
      poolwatch plan recording --pool-length 4mm --pool-width 2mm --smallest-particle 50um \\
        --fastest-particle 20m/s --highest-frequency 5kHz --travel-speed 100

    \b
    Example: what a camera can show
      poolwatch plan recording --pool-length 4mm --pool-width 2mm --record-rate 10kHz \\
        --view 512x256 --mm-per-px 20um --exposure 5us
    """
    from ..model.errors import MeasurementError
    from ..plan.camera import abilities, conflicts, with_margin_of
    from ..plan.recording import Rules, plan_recording

    rules = Rules.checked(
        {name: given[name] for name in ("sightings", "streak", "particle_px", "pool_px")}
        | {"bytes_per_px": 1.0 if given["bits"] == 8 else 2.0},
        where="command line",
    )
    camera = _camera(given)
    wish = with_margin_of(camera, _wish(given))
    plan = plan_recording(wish, rules, mm_per_px=camera.mm_per_px, record_rate_hz=camera.record_rate_hz)
    faults = conflicts(camera, wish, plan, rules)
    if camera.record_rate_hz is not None and camera.mm_per_px is not None:
        _show_abilities(abilities(camera, wish, rules))
        if not faults:
            click.echo("every wish given is met")
    else:
        _show_recording(plan, wish)
    if faults:
        click.echo("\ndoes not go together")
        for sentence in faults:
            click.echo(f"  {sentence}")
        raise MeasurementError(f"{len(faults)} wish{'es' * (len(faults) > 1)} cannot be met: {faults[0]}")


def _camera(given: Mapping[str, Any]) -> Camera:
    from ..plan.camera import Camera

    width, height = _view(given["view"])
    return Camera.checked(
        {
            "record_rate_hz": given["record_rate"],
            "width_px": width,
            "height_px": height,
            "mm_per_px": given["mm_per_px"],
            "exposure_s": given["exposure"],
            "memory_gb": given["memory"],
            "pixels_per_s": None if given["pixel_rate"] is None else given["pixel_rate"] * 1e9,
        },
        where="command line",
    )


def _wish(given: Mapping[str, Any]) -> Wish:
    from ..plan.recording import Wish

    return Wish.checked(
        {
            "smallest_particle_mm": given["smallest_particle"],
            "fastest_particle_mm_s": given["fastest_particle"],
            "highest_frequency_hz": given["highest_frequency"],
            "lowest_frequency_hz": given["lowest_frequency"],
            "pool_length_mm": given["pool_length"],
            "pool_width_mm": given["pool_width"],
            "travel_speed_mm_s": given["travel_speed"],
            "clip_s": _clip_length(given),
            "weld_length_mm": given["weld_length"],
            "margin_mm": given["margin"],
            "fixed_camera": given["fixed_camera"],
        },
        where="command line",
    )


def _clip_length(given: Mapping[str, Any]) -> float | None:
    """Length of a clip, s: as given, or longer where an interval of the index asks for more."""
    from ..model.errors import UsageError

    clip_s: float | None = given["clip_length"]
    if given["interval"] is None:
        return clip_s
    if given["pilot"] is None:
        raise UsageError(
            "--interval needs --pilot: score rows of clips like those planned show how long a clip must be"
        )
    from ..plan.clip_length import clip_length_for_index
    from ..plan.pilot import read_pilot
    from ..trial.rows import read_rows

    wanted = clip_length_for_index(read_pilot(read_rows(given["pilot"])), given["interval"])
    return max(wanted.clip_s, clip_s or 0.0)


def _view(text: str | None) -> tuple[int | None, int | None]:
    from ..model.errors import UsageError

    if text is None:
        return None, None
    sides = text.lower().replace("×", "x").split("x")
    if len(sides) != 2 or not all(side.strip().isdigit() for side in sides):
        raise UsageError(f"--view {text!r}: write width x height in px, for example 512x256")
    width, height = map(int, sides)
    return width, height


def _show_recording(plan: RecordingPlan, wish: Wish) -> None:
    from ..plan.amounts import amount, table

    rows: list[tuple[str, str, Quantity]] = [
        ("record rate", amount(plan.record_rate_hz, "Hz"), "record rate"),
        ("exposure", amount(plan.exposure_s, "s"), "exposure"),
        ("mm per pixel", amount(plan.mm_per_px, "mm/px"), "scale"),
        ("clip length", amount(plan.clip_s, "s"), "clip length"),
    ]
    click.echo("record")
    shown: list[tuple[str, ...]] = []
    for name, value, quantity in rows:
        binding = plan.binding(quantity)
        shown.append((name, value, f"set by {binding.reason}" if binding else "no wish sets it"))
    view = f"{plan.width_px} x {plan.height_px} px"
    size = f"{amount(plan.width_px * plan.mm_per_px, 'mm')} x {amount(plan.height_px * plan.mm_per_px, 'mm')}"
    shown += [
        ("view", view, f"{size}: pool and {amount(wish.margin, 'mm')} around it, along x across travel"),
        ("frames", f"{plan.frames:,}", "rate x clip length"),
        ("memory", amount(plan.memory_gb, "GB"), "without compression"),
        (
            "read-out",
            f"{plan.width_px * plan.height_px * plan.record_rate_hz / 1e9:.3g} Gpx/s",
            "view x rate",
        ),
    ]
    for line in table(shown):
        click.echo(line)
    click.echo("limits, strictest first")
    for line in table([(limit.quantity, str(limit), limit.formula, limit.reason) for limit in plan.limits]):
        click.echo(line)
    for note in plan.notes:
        click.echo(f"note  {note}")


def _show_abilities(rows: tuple[Ability, ...]) -> None:
    from ..plan.amounts import table

    click.echo("this camera can show")
    for line in table([(row.what, row.shown, row.formula, row.reason) for row in rows]):
        click.echo(line)


command.add_command(physics)
command.add_command(trial)
command.add_command(welds)
