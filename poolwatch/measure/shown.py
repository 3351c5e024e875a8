"""A measured clip handed to the drawing room, with the frames that it asks for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..clips import fingerprint, open_clip
from ..model.errors import ClipError
from .result import Measurement, write_run
from .settings import MeasureSettings

if TYPE_CHECKING:
    from ..show.result import ClipResult
    from ..show.segments import OverlayChoices, Segment

_SIDES = 48


def clip_path(measurement: Measurement, given: str | Path | None = None) -> Path:
    """Where the recording of a measurement lies.

    Parameters
    ----------
    measurement
        The measurement.
    given
        Where it lies now, if it was moved since.

    Raises
    ------
    ClipError
        It is not there, or is another recording.
    """
    recorded = measurement.run["input"]
    path = Path(given) if given is not None else Path(recorded["path"])
    if not path.exists():
        raise ClipError(f"{path}: the recording is no longer there; give its new place with --clip")
    if fingerprint(path) != recorded["fingerprint"]:
        raise ClipError(
            f"{path}: is not the recording that was measured; give the right one with --clip or measure again"
        )
    return path


def shown(measurement: Measurement, sample: NDArray[Any], name: str | None = None) -> ClipResult:
    """What the drawing room needs of a measurement.

    Parameters
    ----------
    measurement
        The measurement.
    sample
        Grey values of some frames across the clip; they set the tone curve.
    name
        Name to show; the file's where not given.
    """
    from ..show.result import ClipResult

    run = measurement.run
    look, steady = run["look"], run["steady"]
    turn = np.linspace(0.0, 2.0 * np.pi, _SIDES, endpoint=False)
    ring = np.column_stack((np.cos(turn), np.sin(turn))) * look["keyhole_radius_px"]
    return ClipResult(
        name=name or str(measurement.score["clip"].iloc[0]),
        frames=measurement.frames,
        spatter=measurement.spatter,
        spatter_rejected=measurement.spatter_rejected,
        tracks=measurement.tracks,
        spectra=measurement.spectra,
        score=measurement.score,
        axes=measurement.axes,
        record_rate_hz=float(run["recording"]["record_rate_hz"]),
        full_scale=float(run["input"]["full_scale"]),
        steady=(int(steady["start"]), int(steady["stop"])),
        brightness_sample=sample,
        outlines=measurement.outlines,
        keyhole=np.array([ring + spot for spot in look["keyhole_spots_px"]])
        if look["keyhole_seen"]
        else None,
        run={name: value for name, value in run.items() if name != "overlay_segments"},
    )


def write_clip_overlay(
    measurement: Measurement,
    path: str | Path,
    *,
    choices: OverlayChoices | None = None,
    clip: str | Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Segment]:
    """Write the annotated video of a measurement.

    Parameters
    ----------
    measurement
        The measurement.
    path
        The ``.mp4`` to write.
    choices
        What is shown.
    clip
        Where the recording lies now, if it was moved since.
    progress
        Called with pictures written and pictures planned.

    Returns
    -------
    list of Segment
        What the video shows.

    Raises
    ------
    ClipError
        The recording is not there or is another.
    OutputError
        The file cannot be written.
    """
    from ..show.overlay import write_overlay

    source = clip_path(measurement, clip)
    settings = MeasureSettings.checked(measurement.run["settings"], where="run.json")
    with open_clip(source, settings=settings.clip) as reader:
        sample = reader.frames(reader.cheap_frames(8))

        def read(numbers: Sequence[int]) -> Iterator[tuple[int, NDArray[Any]]]:
            return frames_of(reader, numbers)

        return write_overlay(path, read, shown(measurement, sample), choices, progress)


def frames_of(reader: Any, numbers: Sequence[int]) -> Iterator[tuple[int, NDArray[Any]]]:
    """The frames asked for, in order; read in one go where they lie close together."""
    wanted = sorted({int(n) for n in numbers if 0 <= int(n) < reader.facts.frame_count})
    if not wanted:
        return
    # Skipping costs decoding anyway in most formats; far apart, single frames are cheaper.
    if wanted[-1] - wanted[0] < 40 * len(wanted):
        left = iter(wanted)
        want = next(left)
        for block in reader.blocks(wanted[0], wanted[-1] + 1, size=32):
            for k, frame in enumerate(block.frames):
                if block.start + k == want:
                    yield want, frame
                    following = next(left, None)
                    if following is None:
                        return
                    want = following
        return
    for number in wanted:
        yield number, reader.frames([number])[0]


def rewrite_clip_overlay(
    measurement: Measurement,
    folder: str | Path,
    *,
    choices: OverlayChoices | None = None,
    clip: str | Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Write ``overlay.mp4`` in a clip's folder again, and what it now shows into its ``run.json``.

    A page of the clip that lies there is made again, since its curves jump to places in the video. Parameters and
    errors as for `write_clip_overlay`.
    """
    from .pages import write_clip_report

    folder = Path(folder)
    path = folder / "overlay.mp4"
    segments = write_clip_overlay(measurement, path, choices=choices, clip=clip, progress=progress)
    write_run(folder, measurement.run, segments)
    if (folder / "report.html").exists():
        write_clip_report(measurement, folder, clip=clip)
    return path


def write_clip_still(
    measurement: Measurement,
    path: str | Path,
    frame: int,
    *,
    choices: OverlayChoices | None = None,
    clip: str | Path | None = None,
) -> None:
    """Write one annotated frame of a measurement as PNG; parameters as for `write_clip_overlay`.

    Raises
    ------
    ClipError
        The recording is not there, is another, or has no such frame.
    OutputError
        The file cannot be written.
    """
    from ..show.overlay import write_still

    source = clip_path(measurement, clip)
    settings = MeasureSettings.checked(measurement.run["settings"], where="run.json")
    with open_clip(source, settings=settings.clip) as reader:
        sample = reader.frames(reader.cheap_frames(8))
        picture = reader.frames([frame])[0]
    write_still(path, picture, frame, shown(measurement, sample), choices)
