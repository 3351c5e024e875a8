"""`poolwatch simulate`: footage with exact truth beside it."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import click

from .amounts import Amount

SHAPES = ("single-spot", "twin-spot", "flat-top", "crescent")


@click.command(name="simulate")
@click.option(
    "--out",
    "out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="Folder to write to.",
)
@click.option(
    "--scene",
    "scene_file",
    type=click.Path(path_type=Path),
    help="Scene as TOML (such as an earlier scene.toml).",
)
@click.option("--beam-shape", "shape", type=click.Choice(SHAPES), help="An invented beam shape of the demo.")
@click.option("--illuminated", is_flag=True, help="Metal lit from outside instead of a glowing pool.")
@click.option("--seed", type=int, help="Seed of everything random.")
@click.option("--frames", type=int, help="Frames to render.")
@click.option("--record-rate", "rate_hz", type=Amount("Hz", bare=True), metavar="HZ", help="Record rate, Hz.")
@click.option("--mm-per-px", type=Amount("mm/px", bare=True), metavar="X", help="Size of a pixel, mm.")
@click.option("--width", type=int, metavar="PX", help="Frame width, px.")
@click.option("--height", type=int, metavar="PX", help="Frame height, px.")
@click.option("--bits", "depth_bits", type=int, metavar="BITS", help="Bits of a grey value, 8 to 16.")
@click.option(
    "--travel-direction",
    "direction_deg",
    type=float,
    metavar="DEG",
    help="Travel direction in the image, degrees counter-clockwise, 0 = right.",
)
@click.option("--exposure", "exposure_s", type=Amount("s", bare=True), metavar="S", help="Exposure, s.")
@click.option(
    "--blur", "psf_sigma_px", type=float, metavar="PX", help="Standard deviation of the point spread, px."
)
@click.option("--read-noise", type=float, metavar="X", help="Noise in the dark, fraction of full scale.")
@click.option(
    "--fixed-camera", "standing", is_flag=True, help="The camera stands still and the pool crosses the view."
)
@click.option(
    "--travel-speed",
    "travel_speed_mm_s",
    type=Amount("mm/s", bare=True),
    metavar="MM_S",
    help="Welding speed, mm/s.",
)
@click.option("--spatter-rate", "rate_per_s", type=float, metavar="N", help="Particles per second.")
@click.option(
    "--format",
    "format_name",
    default="mkv-ffv1",
    show_default=True,
    metavar="NAME",
    help="Footage format; a wrong name lists them all.",
)
@click.option(
    "--name",
    default="clip",
    show_default=True,
    help="Name of the clip without ending; the truth's files then begin with it.",
)
def command(
    out: Path, scene_file: Path | None, shape: str | None, format_name: str, name: str, **changes: Any
) -> None:
    """Render footage of an invented weld, and write the exact truth beside it.

    Measure the clip and compare with truth.json and truth_*.csv: that is your own error, at your scale, noise
    and frame rate. The true keyhole brightness is the keyhole's own; the measured one holds black level and light
    from around it as well. So its fluctuation comes out some percent lower, and a planted collapse counts only
    where the measured brightness falls below half. scene.toml renders the same clip again; edit it for all that
    has no option here (planted tones, collapses, plume, shake, lost frames, several welds …).

    Clips with a --name of their own may share a folder.

    \b
    poolwatch simulate --beam-shape single-spot --out sim
    poolwatch measure sim/clip.mkv --record-rate 10000 --mm-per-px 0.02 --out results
    """
    from rich.console import Console
    from rich.progress import Progress

    from ..footage import footage_format
    from ..model.errors import UsageError
    from ..model.settings import read_toml
    from ..simulate.presets import shape_values
    from ..simulate.scene import Scene
    from ..simulate.write import recording, truth_start, write_simulation

    if scene_file is not None and shape is not None:
        raise UsageError("--scene and --beam-shape exclude each other; give one of them")
    if not name or Path(name).name != name or name.startswith("."):
        raise UsageError(f"--name {name!r}: give a plain file name without folder")
    footage_format(format_name)
    if scene_file is not None:
        values, where = read_toml(scene_file), str(scene_file)
    else:
        values, where = shape_values(shape) if shape else {}, "command line"
    values = _with_changes(values, changes)
    scene = Scene.checked(values, where=where)
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("rendering", total=scene.frames)
        clip = write_simulation(
            scene,
            out,
            format=format_name,
            name=name,
            progress=lambda done: progress.update(task, completed=done),
        )
    facts = recording(scene)
    click.echo(
        f"{clip}: {scene.frames} simulated frames, {scene.camera.width} x {scene.camera.height}, "
        f"{scene.camera.depth_bits} bits"
    )
    truth = ("truth_frames.csv", "truth_spatter.csv", "truth_sightings.csv", "truth.json", "scene.toml")
    click.echo(f"{out}: {', '.join(truth_start(name) + file for file in truth)}")
    click.echo(
        f"measure it: poolwatch measure {shlex.quote(str(clip))} --record-rate {facts['record_rate_hz']:g} --mm-per-px "
        f"{facts['mm_per_px']:g}"
        f" --travel-direction {facts['travel_direction_deg']:g} --travel-speed {facts['travel_speed_mm_s']:g}"
        f" --exposure {facts['exposure_s']:g} --out results"
    )


def _with_changes(values: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """Put what the command line gives over the scene's values."""
    from ..model.errors import UsageError

    result = dict(values)
    if changes.pop("illuminated"):
        result["kind"] = "illuminated"
    if not changes["standing"]:
        changes["standing"] = None
    for key, value in changes.items():
        if value is None:
            continue
        part = {"seed": None, "frames": None, "travel_speed_mm_s": None, "rate_per_s": "spatter"}.get(
            key, "camera"
        )
        if part is None:
            result[key] = value
            continue
        inner = result.get(part, {})
        if not isinstance(inner, dict):
            raise UsageError(f"scene: {part!r} must be a table of settings, got {inner!r}")
        result[part] = {**inner, key: value}
    return result
