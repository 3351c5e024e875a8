"""The report page and the stills of one measured clip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..clips import open_clip
from ..model.errors import ClipError, OutputError
from ..model.score_words import index_words
from .pictures import clip_path, clip_result, frames_of
from .result import CHECKED_PICTURES, Measurement, read_run
from .settings import MeasureSettings

if TYPE_CHECKING:
    import pandas as pd

    from ..show.report import ClipEvidence
    from ..show.result import ClipResult
    from ..show.segments import Segment

# Frames of the picture of brightness over place and time.
_SPACE_TIME_FRAMES = 300
_VIDEO = "overlay.mp4"


def write_clip_report(
    measurement: Measurement, folder: str | Path, *, clip: str | Path | None = None
) -> Path:
    """Write ``report.html`` of a clip into its folder, linked to the video that lies there.

    Parameters
    ----------
    measurement
        The measurement.
    folder
        The clip's folder, as `Measurement.write` left it.
    clip
        Where the recording lies now, if it was moved since. Without the recording the page has no pictures
        of it, but all figures and tables.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    OutputError
        The page cannot be written.
    """
    from ..show.report import clip_report

    path = Path(folder) / "report.html"
    clip_report(path, clip_evidence(measurement, folder, video=_VIDEO, clip=clip))
    return path


def write_clip_stills(
    measurement: Measurement, folder: str | Path, *, clip: str | Path | None = None
) -> list[Path]:
    """Write the figures of a clip as PNG and SVG into ``stills`` in its folder; parameters as for the report.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    from ..show.stills.write import write_clip_stills as write_figures

    evidence = clip_evidence(measurement, folder, clip=clip)
    return write_figures(Path(folder) / "stills", evidence.result, evidence.space_time)


def clip_evidence(
    measurement: Measurement,
    folder: str | Path,
    *,
    video: str = "",
    name: str | None = None,
    excluded: str = "",
    clip: str | Path | None = None,
    compared: pd.DataFrame | None = None,
) -> ClipEvidence:
    """What a report shows of one measured clip.

    Parameters
    ----------
    measurement
        The measurement.
    folder
        The clip's folder.
    video
        Path of its ``overlay.mp4`` relative to the page; left out where there is no such file in `folder`.
    name
        Name to show; the file's where not given.
    excluded
        Why it does not count in a ranking; empty where it counts.
    clip
        Where the recording lies now, if it was moved since.
    compared
        The clip's score row as a trial compares it; its own where not given. The video shows its own.

    Returns
    -------
    ClipEvidence
        With an annotated frame of the worst moment of the steady part and the brightness along the middle line
        around it, where the recording can still be read.
    """
    from ..show.report import ClipEvidence

    folder = Path(folder)
    video = video if (folder / _VIDEO).exists() else ""
    try:
        result, pictures = _with_pictures(measurement, name, clip)
    except ClipError:
        if clip is not None:
            raise
        # The recording was moved away since: figures and tables still stand.
        result, pictures = clip_result(measurement, np.zeros((1, 2, 2)), name), {}
    alone = ""
    if compared is not None:
        alone = index_words(measurement.row)
        result = replace(result, score=compared)
    segments = _segments(result, folder) if video else ()
    checked = _checked_pictures(folder) if "handcheck" in measurement.run else ()
    return ClipEvidence(
        result, video, segments, excluded=excluded, checked=checked, index_alone=alone, **pictures
    )


def _checked_pictures(folder: Path) -> Sequence[NDArray[np.uint8]]:
    """Pictures of the frames in which tool and hand differ most, worst first, where they are still there."""
    import cv2

    read = (cv2.imread(str(path)) for path in sorted((folder / CHECKED_PICTURES).glob("differ_*.png")))
    return tuple(np.asarray(picture, np.uint8) for picture in read if picture is not None)


def _segments(result: ClipResult, folder: Path) -> Sequence[Segment]:
    """What the video in a folder shows: as written beside it, else as it would be planned."""
    from ..show.segments import plan_overlay, unpack_segments

    try:
        packed = read_run(folder).get("overlay_segments")
        if packed:
            return unpack_segments(packed)
    except OutputError:
        # Written by hand or by another version: the plan is the best guess left.
        pass
    return plan_overlay(result)


def _with_pictures(
    measurement: Measurement, name: str | None, clip: str | Path | None
) -> tuple[ClipResult, dict[str, Any]]:
    """The clip as the drawing room takes it, and what was drawn from its frames."""
    from ..show.overlay import OverlayPainter
    from ..show.segments import worst_moment
    from ..show.stills.outline import gather_space_time

    settings = MeasureSettings.checked(measurement.run["settings"], where="run.json")
    kept: dict[int, NDArray[Any]] = {}
    with open_clip(clip_path(measurement, clip), settings=settings.clip) as reader:
        result = clip_result(measurement, reader.frames(reader.cheap_frames(8)), name)
        moment, words = worst_moment(result)
        start, stop = result.steady
        first = max(start, min(moment - _SPACE_TIME_FRAMES // 2, stop - _SPACE_TIME_FRAMES))

        def passing() -> Iterator[tuple[int, NDArray[Any]]]:
            for number, frame in frames_of(reader, range(first, min(stop, first + _SPACE_TIME_FRAMES))):
                if number == moment:
                    kept[number] = frame.copy()
                yield number, frame

        line = gather_space_time(passing(), result)
    if moment not in kept:
        raise ClipError(f"{result.name}: frame {moment} could not be read; is the recording damaged?")
    picture = kept[moment]
    height, width = picture.shape
    whole, bare = (
        OverlayPainter(result, (height, width), bare=bare).paint(picture, moment) for bare in (False, True)
    )
    return result, {"space_time": line, "still": bare, "poster": whole, "moment": words}
