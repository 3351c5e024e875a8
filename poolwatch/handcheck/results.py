"""What a check by hand leaves in a clip's folder: ``run.json``, the clip's page, pictures."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from ..clips import open_clip
from ..measure.pages import write_clip_report
from ..measure.pictures import clip_path, frames_of
from ..measure.result import CHECKED_PICTURES, STALE_CHECK, remove_check, write_run
from ..measure.settings import MeasureSettings
from ..model.errors import ClipError
from ..model.files import written_whole
from ..model.rounding import to_places
from .check import HandCheck
from .marks import ENDS

if TYPE_CHECKING:
    from ..measure import Measurement
    from ..show.marking.pictures import DifferingFrame

_TONE_SAMPLE = 8


def write_check(
    measurement: Measurement,
    folder: str | Path,
    check: HandCheck,
    found: Mapping[str, Any],
    *,
    clip: str | Path | None = None,
) -> list[Path]:
    """Put a check into a clip's folder: into ``run.json`` and the report, with pictures in ``handcheck``.

    Parameters
    ----------
    measurement
        The measurement, as read from the folder.
    folder
        Its folder.
    check, found
        The check, and `poolwatch.handcheck.check.record` of it.
    clip
        Where the recording lies now, if it was moved. Where it cannot be read there are no pictures of frames.

    Returns
    -------
    list of Path
        The pictures written.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    from ..show.segments import unpack_segments
    from ..show.stills.handcheck import agreement_figure
    from ..show.stills.style import figure_bytes

    folder = Path(folder)
    remove_check(folder)
    pictures = [folder / CHECKED_PICTURES / "agreement.png"]
    with written_whole(pictures[0]) as beside:
        beside.write_bytes(figure_bytes(agreement_figure(found), "png", dpi=150.0))
    try:
        pictures += _write_frames(measurement, folder, check, clip)
    except ClipError:
        if clip is not None:
            raise
    run = measurement.run
    run["handcheck"] = dict(found)
    run["warnings"] = [words for words in run.get("warnings", []) if words != STALE_CHECK]
    packed = run.get("overlay_segments")
    write_run(folder, run, unpack_segments(packed) if packed else ())
    if (folder / "report.html").exists():
        write_clip_report(measurement, folder, clip=clip)
    return pictures


def _write_frames(
    measurement: Measurement, folder: Path, check: HandCheck, clip: str | Path | None
) -> list[Path]:
    """Pictures of the frames that differ most, worst first."""
    from ..show.marking.pictures import differing_picture
    from ..show.tone import ToneCurve

    settings = MeasureSettings.checked(measurement.run["settings"], where="run.json")
    with open_clip(clip_path(measurement, clip), settings=settings.clip) as reader:
        sample = reader.frames(reader.cheap_frames(_TONE_SAMPLE))
        frames = {number: picture.copy() for number, picture in frames_of(reader, check.differ)}
    tone = ToneCurve.for_sample(sample, float(measurement.run["input"]["full_scale"]))
    written = []
    for place, frame in enumerate(check.differ, 1):
        if frame in frames:
            image = differing_picture(
                _differing(measurement, check, frame, frames[frame]), measurement.axes, tone
            )
            path = folder / CHECKED_PICTURES / f"differ_{place}_frame_{frame}.png"
            with written_whole(path) as beside:
                beside.write_bytes(cv2.imencode(".png", image)[1].tobytes())
            written.append(path)
    return written


def _differing(measurement: Measurement, check: HandCheck, frame: int, picture: Any) -> DifferingFrame:
    from ..show.marking.pictures import DifferingFrame

    row = check.marks.draw.frames.index(frame)
    off = [
        f"{name} {to_places(float(np.nanmean(check.tool[name][row] - check.hand[name][row])), 1, plus=True)} px"
        for name in ("length", "width")
    ]
    markings = [marking for marking in check.marks.markings if frame in marking.ends]
    kind = "worst moment" if frame in check.marks.draw.worst else "drawn at random"
    return DifferingFrame(
        picture=picture,
        words=f"frame {frame} ({kind}), tool minus hand: {', '.join(off)}",
        outline=measurement.outlines(frame),
        ends=[np.array([marking.ends[frame][end] for end in ENDS]) for marking in markings],
        traced=[
            np.array(marking.outlines[frame]) for marking in check.marks.markings if frame in marking.outlines
        ],
    )
