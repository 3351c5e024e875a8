"""The annotated video of a measured clip, and single frames of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from numpy.typing import NDArray

from ..clips import open_clip
from ..model.errors import UsageError
from .pages import write_clip_report
from .pictures import clip_path, clip_result, frames_of
from .result import Measurement, read_measurement, write_run
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
    """Write a measurement and, with `overlay`, its annotated video; see `Measurement.write` and `write_overlay`."""
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
    """Write the annotated video of a measurement; what it shows is given back. See `write_overlay`."""
    from ..show.overlay import draw_overlay

    source = clip_path(measurement, clip)
    settings = MeasureSettings.checked(measurement.run["settings"], where="run.json")
    with open_clip(source, settings=settings.clip) as reader:
        sample = reader.frames(reader.cheap_frames(8))

        def read(numbers: Sequence[int]) -> Iterator[tuple[int, NDArray[Any]]]:
            return frames_of(reader, numbers)

        return draw_overlay(path, read, clip_result(measurement, sample), choices, progress)


def write_overlay(
    folder: str | Path,
    *,
    out: str | Path | None = None,
    choices: OverlayChoices | None = None,
    clip: str | Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Write the annotated video of a measured clip again.

    In the folder, ``run.json`` then says what it shows, and a page there is made again: its curves jump to places
    in the video.

    Parameters
    ----------
    folder
        The clip's folder, as `Measurement.write` left it.
    out
        The ``.mp4``, ``.gif`` or ``.webp`` to write; None: ``overlay.mp4`` in the folder.
    choices
        What is shown.
    clip
        Where the recording lies now, if it was moved since.
    progress
        Called with pictures written and pictures planned.

    Returns
    -------
    Path
        The video.

    Raises
    ------
    ClipError
        The recording is not there or is another.
    OutputError
        The folder holds no finished measurement, or a file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> import poolwatch
    >>> from poolwatch.simulate import Scene, write_simulation
    >>> camera = {"width": 192, "height": 112, "mm_per_px": 0.025}
    >>> scene = Scene.checked({"frames": 120, "seed": 3, "camera": camera}, where="example")
    >>> with tempfile.TemporaryDirectory() as place:
    ...     clip = write_simulation(scene, place, format="npy")
    ...     folder = poolwatch.measure_clip(clip, record_rate_hz=10_000, mm_per_px=0.025).write(f"{place}/weld")
    ...     video = poolwatch.write_overlay(folder, choices=poolwatch.OverlayChoices(max_seconds=5))
    ...     video.name, video.stat().st_size > 10_000
    ('overlay.mp4', True)
    """
    folder, measurement = Path(folder), read_measurement(folder)
    path = folder / "overlay.mp4" if out is None else Path(out)
    segments = write_clip_overlay(measurement, path, choices=choices, clip=clip, progress=progress)
    if out is None:
        write_run(folder, measurement.run, segments)
        if (folder / "report.html").exists():
            write_clip_report(measurement, folder, clip=clip)
    return path


def write_overlay_still(
    folder: str | Path,
    frame: int,
    *,
    out: str | Path | None = None,
    choices: OverlayChoices | None = None,
    clip: str | Path | None = None,
) -> Path:
    """Write one annotated frame of a measured clip as PNG, ``frame_<number>.png`` in its folder by default.

    Other parameters and errors as for `write_overlay`.

    Raises
    ------
    UsageError
        The clip has no such frame, or `out` is no ``.png``.
    """
    from ..show.overlay import draw_still

    folder, measurement = Path(folder), read_measurement(folder)
    if not 0 <= frame < len(measurement.frames):
        raise UsageError(
            f"frame {frame}: the clip has frames 0 to {len(measurement.frames) - 1}; give one of them"
        )
    path = folder / f"frame_{frame}.png" if out is None else Path(out)
    settings = MeasureSettings.checked(measurement.run["settings"], where="run.json")
    with open_clip(clip_path(measurement, clip), settings=settings.clip) as reader:
        sample = reader.frames(reader.cheap_frames(8))
        picture = reader.frames([frame])[0]
    draw_still(path, picture, frame, clip_result(measurement, sample), choices)
    return path
