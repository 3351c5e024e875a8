"""`poolwatch measure`: clips, from file to figures."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from ..model.quantities import DIRECTION, EXPOSURE, MATERIAL, RATE, SCALE, SPEED, Fact
from .amounts import Amount
from .places import corner

if TYPE_CHECKING:
    from ..measure import Measurement, MeasureSettings
    from ..model.recording import Recording


def _fact(fact: Fact, kind: Any, metavar: str, more: str) -> Callable[[Any], Any]:
    """Option for a fact that is given, in the words of the registry, and what else to know of it."""
    unit = f", {fact.unit}" if fact.unit not in {"", "°"} else ""
    words = f"{fact.meaning[0].upper()}{fact.meaning[1:]}{unit}{more}"
    return click.option(fact.option, fact.name, type=kind, metavar=metavar, help=words)


_RECORDING_OPTIONS = (
    _fact(RATE, Amount("Hz"), "HZ", ". Required, here or in the settings."),
    _fact(SCALE, Amount("mm/px"), "X", "."),
    click.option(
        "--scale",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Scale file made by `poolwatch calibrate`, instead of --mm-per-px.",
    ),
    click.option(
        "--scale-crop",
        "scale_crop_px",
        type=corner,
        metavar="X,Y",
        help="Where the clip's top left pixel lies in the picture of the scale file, px, if the camera cut out "
        "a part of it.",
    ),
    _fact(DIRECTION, float, "DEG", ". Default: 0, or what the metal or a pool that crosses the view shows."),
    _fact(SPEED, Amount("mm/s"), "MM_S", ": needed for anything per metre of weld."),
    _fact(EXPOSURE, Amount("s"), "S", ": needed to separate a fast particle's streak from its size."),
    _fact(MATERIAL, str, "NAME", " (see configs/materials.toml)."),
    click.option(
        "--settings",
        "settings_file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="TOML file of settings (see configs/).",
    ),
)


def recording_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options for the facts about a recording that its file cannot tell, by their names in `Recording`."""
    for option in reversed(_RECORDING_OPTIONS):
        command = option(command)
    return command


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
    from ..measure.result_folder import refuse_other_recording
    from ..model.errors import MeasurementError, PoolwatchError
    from ..model.files import check_folder
    from .progress import compile_once
    from .score_output import show_score

    settings = read_settings(settings_file)
    recording = recording_of(settings, given, where="command line")
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
    from .. import measure_clip
    from ..measure import write_clip_report, write_clip_stills, write_measurement
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
            write_measurement(result, folder, overlay=choices.overlay, progress=tell)
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
