"""`poolwatch measure`: clips, from file to figures."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from .amounts import Amount
from .places import corner

if TYPE_CHECKING:
    from ..measure import Measurement, MeasureSettings
    from ..model.recording import Recording


def recording_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options for the facts about a recording that its file cannot tell."""
    for option in reversed(
        (
            click.option(
                "--record-rate",
                type=Amount("Hz"),
                metavar="HZ",
                help="Rate at which the camera took the frames (required, here or in the settings).",
            ),
            click.option(
                "--mm-per-px",
                type=Amount("mm/px"),
                metavar="X",
                help="Size of a pixel in the plane of the weld, mm.",
            ),
            click.option(
                "--scale",
                type=click.Path(path_type=Path),
                metavar="FILE",
                help="Scale file made by `poolwatch calibrate`, instead of --mm-per-px.",
            ),
            click.option(
                "--scale-crop",
                type=corner,
                metavar="X,Y",
                help="Where the clip's top left pixel lies in the picture of the scale file, px, if the camera cut out "
                "a part of it.",
            ),
            click.option(
                "--travel-direction",
                type=float,
                metavar="DEG",
                help="Travel direction in the picture: 0 = right, 90 = up. Default: 0, or what the metal or a pool "
                "that crosses the view shows.",
            ),
            click.option(
                "--travel-speed",
                type=Amount("mm/s"),
                metavar="MM_S",
                help="Welding speed, mm/s: needed for anything per metre of weld.",
            ),
            click.option(
                "--exposure",
                type=Amount("s"),
                metavar="S",
                help="Exposure of a frame, s: tells fast particles' streaks from their size.",
            ),
            click.option(
                "--material",
                metavar="NAME",
                help="Metal, for the mass of spatter (see configs/materials.toml).",
            ),
            click.option(
                "--settings",
                "settings_file",
                type=click.Path(path_type=Path),
                metavar="FILE",
                help="TOML file of settings (see configs/).",
            ),
        )
    ):
        command = option(command)
    return command


def facts_of(
    scale: Path | None,
    scale_crop: tuple[int, int] | None,
    record_rate: float | None,
    mm_per_px: float | None,
    travel_direction: float | None,
    travel_speed: float | None,
    exposure: float | None,
    material: str | None,
    **more: str,
) -> dict[str, Any]:
    """Facts about a recording by their names in the library.

    Raises
    ------
    UsageError
        Both a scale file and mm per pixel are given, or the file or the part cut out of its picture is wrong.
    """
    from ..model.errors import UsageError

    facts: dict[str, Any] = {
        "record_rate_hz": record_rate,
        "mm_per_px": mm_per_px,
        "travel_direction_deg": travel_direction,
        "travel_speed_mm_s": travel_speed,
        "exposure_s": exposure,
        "material": material,
        "scale_crop_px": scale_crop,
        **more,
    }
    if scale is not None:
        if mm_per_px is not None:
            raise UsageError("give either --mm-per-px or --scale, not both")
        from ..scale.file import read_scale

        read = read_scale(scale)
        facts |= {
            "mm_per_px": read.mm_per_px,
            "mm_per_px_u": read.u_mm_per_px,
            "scale_source": read.source,
            "stretch": read.stretch,
            "scale_picture_px": read.picture_px,
            "scale_place_px": read.place_px,
        }
    return facts


@click.command("measure", short_help="measure one clip, or several with the same facts")
@click.argument("clips", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="CLIP …")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    metavar="DIR",
    help="Folder for the results; each clip gets a folder of its own in it.",
)
@click.option("--replace", is_flag=True, help="Put these results in the place of another recording's.")
@recording_options
@click.option("--beam-shape", default="", metavar="NAME", help="Passed through to the score row.")
@click.option("--replicate", default="", metavar="NAME", help="Passed through to the score row.")
@click.option("--no-overlay", is_flag=True, help="Write no annotated video.")
@click.option("--no-report", is_flag=True, help="Write no report.html.")
@click.option(
    "--stills", is_flag=True, help="Write the figures as PNG and SVG into a folder stills, for slides."
)
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    metavar="N",
    help="Processes at most; default: one a core. Changes no figure.",
)
def command(
    clips: tuple[Path, ...],
    out: Path,
    replace: bool,
    settings_file: Path | None,
    beam_shape: str,
    replicate: str,
    no_overlay: bool,
    no_report: bool,
    stills: bool,
    workers: int | None,
    **given: Any,
) -> None:
    """Measure clips: outline, keyhole, particles, spectra and stability index.

    Writes frames.csv, spatter.csv, spectra.csv, score.csv, overlay.mp4, report.html and run.json into
    OUT/<clip name>/. Several clips share the facts given here; `poolwatch trial` takes them from a table and compares
    the clips. Amounts take units (10kHz, 20um, 6m/min, 40us); without one they are in Hz, mm, mm/s and s.

    \b
    poolwatch measure weld.mkv --out results --record-rate 10000 --mm-per-px 0.02 \\
        --travel-speed 100 --exposure 4e-5 --material austenitic-stainless
    """
    from ..measure import read_settings, recording_of
    from ..measure.keeping import refuse_other_recording
    from ..model.errors import MeasurementError, PoolwatchError
    from ..model.files import check_folder
    from .progress import compile_once

    settings = read_settings(settings_file)
    facts = facts_of(**given, beam_shape=beam_shape, replicate=replicate)
    recording = recording_of(settings, facts, where="command line")
    folders = _folders(clips, out)
    for clip, folder in folders.items():
        check_folder(folder)
        if clip.exists() and not replace:
            refuse_other_recording(folder, clip)
    if any(clip.exists() for clip in clips):
        compile_once()
    choices = _Choices(settings, recording, not no_overlay, not no_report, stills, workers)
    failed = []
    for clip, folder in folders.items():
        try:
            result = _measure(clip, folder, choices)
        except PoolwatchError as error:
            if len(clips) == 1:
                raise
            failed.append(clip.name)
            click.echo(f"{clip.name}: failed: {' '.join(str(error).split())}", err=True)
            continue
        show_score(result, recording)
        click.echo(f"written: {folder}", err=True)
    if failed:
        raise MeasurementError(
            f"{len(failed)} of {len(clips)} clips could not be measured: {', '.join(failed)}; the reasons are above"
        )


class _Choices(NamedTuple):
    """How each clip is measured, and what is written."""

    settings: MeasureSettings
    recording: Recording
    overlay: bool
    report: bool
    stills: bool
    workers: int | None


def _measure(clip: Path, folder: Path, choices: _Choices) -> Measurement:
    """Measure a clip into its folder."""
    from ..measure import measure_clip, write_clip_report, write_clip_stills
    from ..model.errors import MeasurementError
    from ..model.locking import locked_folder
    from .progress import bar

    with locked_folder(folder):
        with bar(f"measuring {clip.name}") as tell:
            try:
                result = measure_clip(
                    clip,
                    recording=choices.recording,
                    settings=choices.settings,
                    progress=tell,
                    workers=choices.workers,
                )
            except MeasurementError as error:
                raise MeasurementError(f"{clip}: {error}") from None
        with bar("writing the overlay", "pictures") as tell:
            result.write(folder, overlay=choices.overlay, progress=tell)
        if choices.report:
            write_clip_report(result, folder)
        if choices.stills:
            write_clip_stills(result, folder)
    return result


def _folders(clips: tuple[Path, ...], out: Path) -> dict[Path, Path]:
    """The folder of each clip.

    Raises
    ------
    UsageError
        Two clips would go into one.
    """
    from ..model.errors import UsageError

    folders: dict[Path, Path] = {}
    taken: dict[str, Path] = {}
    for clip in clips:
        name = clip_name(clip)
        if name.casefold() in taken:
            raise UsageError(
                f"{taken[name.casefold()]} and {clip} would both go into {out / name}; measure them with an --out of "
                "their own each"
            )
        taken[name.casefold()] = clip
        folders[clip] = out / name
    return folders


def clip_name(clip: Path) -> str:
    """Name of a clip's folder: the file's name without its ending, as every system takes it."""
    from ..trial.names import safe_name

    return safe_name(clip.name, folder=clip.is_dir())


def show_score(result: Measurement, recording: Recording) -> None:
    """Print the figures of one clip and what to know before using them."""
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    from ..model.flags import FLAGS, STATUSES

    row = result.score.iloc[0]
    unit = "mm" if recording.mm_per_px is not None else "px"
    console = Console()
    table = Table(box=None, pad_edge=False, title=escape(str(row["clip"])), title_justify="left")
    for name, justify in (
        ("", "left"),
        ("mean", "right"),
        ("fluctuation", "right"),
        ("95 % of it", "right"),
        ("peak", "right"),
    ):
        table.add_column(name, justify=justify)  # type: ignore[arg-type]
    for name, words, suffix, shown in (
        ("pool_length", "pool length", "_mm", f" {unit}"),
        ("pool_width", "pool width", "_mm", f" {unit}"),
        ("pool_area", "pool area", "_mm2", f" {unit}²"),
        ("keyhole_brightness", "keyhole brightness", "", ""),
    ):
        peak = row.get(f"{name}_peak_hz")
        table.add_row(
            words,
            _number(row[f"{name}_mean{suffix}"], "{:.3f}") + shown,
            _number(row[f"{name}_cv"], "{:.2%}"),
            f"{_number(row[f'{name}_cv_low'], '{:.2%}')} to {_number(row[f'{name}_cv_high'], '{:.2%}')}",
            _number(peak, "{:.0f} Hz"),
        )
    console.print(table)
    low, high = _number(row["stability_index_low"], "{:.1f}"), _number(row["stability_index_high"], "{:.1f}")
    console.print(
        f"stability index {_number(row['stability_index'], '{:.1f}')} (95 %: {low} to {high}), 100 is steadiest"
    )
    if str(row["spatter_count"]) != "<NA>":
        per_m = _number(row["spatter_per_m"], "{:.0f} a metre of weld, ")
        mass = _number(row["spatter_mass_mg_per_m"], "{:.2f} mg a metre, ")
        console.print(
            f"spatter: {row['spatter_count']} particles, {_number(row['spatter_per_s'], '{:.0f}')} a second, "
            f"{'' if per_m == '–' else per_m}{'' if mass == '–' else mass}"
            f"smallest that this clip could show {_number(row['spatter_min_diameter_mm'], '{:.3f}')} {unit}"
        )
    else:
        console.print("spatter: particles were not looked for, which is not 0 (see spatter_not_sought)")
    counts = result.run["statuses"]
    total = sum(counts.values())
    console.print(
        f"frames: {counts.get('ok', 0)} of {total} measured; steady part {row['steady_start_s'] * 1e3:.1f} to "
        f"{row['steady_end_s'] * 1e3:.1f} ms"
    )
    for word, count in counts.items():
        if word != "ok":
            console.print(f"- {count} frames {word}: {STATUSES[word]}")
    for words in result.run.get("warnings", []):
        console.print(f"- {words}")
    for flag in result.flags:
        console.print(f"- {flag}: {FLAGS[flag]}")
    console.print(
        "A steady pool is no proof of a sound weld: judge welds by your local codes and licensed practice."
    )


def _number(value: Any, form: str) -> str:
    try:
        number = float(value)
    except (TypeError, ValueError):
        return "–"
    return "–" if number != number else form.format(number)
