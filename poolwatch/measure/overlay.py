"""The annotated video of a measured clip, and single frames of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from numpy.typing import NDArray

from ..clips import open_clip
from .pages import write_clip_report
from .pictures import clip_path, clip_result, frames_of
from .result import Measurement, write_run
from .settings import MeasureSettings

if TYPE_CHECKING:
    from ..show.segments import OverlayChoices, Segment


def write_measurement(
    measurement: Measurement,
    folder: str | Path,
    *,
    overlay: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Write a measurement and its annotated video; parameters and errors as for `Measurement.write`.

    Parameters
    ----------
    measurement
        The measurement.
    folder
        The clip's folder.
    overlay
        Whether to write the video.
    progress
        Called with pictures of the video written and planned.
    """
    draw = partial(write_clip_overlay, measurement, progress=progress) if overlay else None
    return measurement.write(folder, draw=draw)


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

        return write_overlay(path, read, clip_result(measurement, sample), choices, progress)


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
    write_still(path, picture, frame, clip_result(measurement, sample), choices)
