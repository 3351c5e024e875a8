"""The page for a measured clip: draws the frames, reads them from the recording, hands them to the drawing room."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ..clips import open_clip
from ..measure.pictures import clip_path, frames_of
from ..measure.settings import MeasureSettings
from ..model.errors import ClipError
from .sampling import FrameDraw

if TYPE_CHECKING:
    from ..measure import Measurement
    from ..show.marking import MarkingSheet

PAGE = "handcheck.html"
# Pictures before and after each frame: what moves shows the pool in illuminated footage.
_AROUND = {"glowing": 1, "illuminated": 4}
_TONE_SAMPLE = 8


def write_page(
    measurement: Measurement, folder: str | Path, draw: FrameDraw, *, clip: str | Path | None = None
) -> Path:
    """Write the page on which a person marks the drawn frames.

    Parameters
    ----------
    measurement
        The measured clip.
    folder
        Its folder; the page goes there as ``handcheck.html``.
    draw
        The frames.
    clip
        Where the recording lies now, if it was moved.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    ClipError
        The recording is not there, is another, or lacks a frame.
    OutputError
        The page cannot be written.
    """
    from ..show.marking import write_marking_page

    path = Path(folder) / PAGE
    write_marking_page(path, _sheet(measurement, draw, clip))
    return path


def _sheet(measurement: Measurement, draw: FrameDraw, clip: str | Path | None) -> MarkingSheet:
    """What the page shows: the drawn frames with those around them, and the frames in a row."""
    from ..show.marking import MarkedFrame, MarkingSheet
    from ..show.tone import ToneCurve

    source = clip_path(measurement, clip)
    settings = MeasureSettings.checked(measurement.run["settings"], where="run.json")
    score = measurement.row
    footage = str(score["footage"])
    around = _AROUND[footage]
    with open_clip(source, settings=settings.clip) as reader:
        sample = reader.frames(reader.cheap_frames(_TONE_SAMPLE))
        last = reader.facts.frame_count - 1
        wanted = {
            frame: range(max(0, frame - around), min(last, frame + around) + 1) for frame in draw.frames
        }
        row = draw.in_row
        numbers = sorted({number for near in wanted.values() for number in near} | set(row))
        pictures = {number: picture.copy() for number, picture in frames_of(reader, numbers)}
    lacking = [number for number in numbers if number not in pictures]
    if lacking:
        raise ClipError(f"{source}: frame {lacking[0]} could not be read; is the recording damaged?")
    return MarkingSheet(
        clip=str(score["clip"]),
        clip_id=str(score["clip_id"]),
        settings_id=str(score["settings_id"]),
        seed=draw.seed,
        drawn=draw.wanted.words,
        axes=measurement.axes,
        tone=ToneCurve.for_sample(sample, float(measurement.run["input"]["full_scale"])),
        footage=footage,
        frames=[
            MarkedFrame(frame, {number - frame: pictures[number] for number in near})
            for frame, near in wanted.items()
        ],
        run=[(number, pictures[number]) for number in row],
    )
