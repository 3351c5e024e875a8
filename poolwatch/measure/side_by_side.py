"""Several measured clips in one video."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from ..clips import fingerprint, open_clip
from ..model.errors import OutputError, UsageError
from ..model.table import read_csv
from ..model.tables import SCORE
from .pictures import clip_path, clip_result, frames_of
from .result import Measurement, read_measurement
from .settings import MeasureSettings

if TYPE_CHECKING:
    import pandas as pd

    from ..show.overlay import ReadFrames
    from ..show.result import ClipResult
    from ..show.sidebyside import SideBySideChoices


def write_clips_side_by_side(
    folders: Sequence[str | Path],
    path: str | Path,
    *,
    choices: SideBySideChoices | None = None,
    scores: pd.DataFrame | None = None,
    clips: Sequence[str | Path] = (),
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write two to six measured clips into one video: the same mm scale, the same time base.

    Parameters
    ----------
    folders
        The clips' folders.
    path
        The ``.mp4`` to write, or a short loop, ``.gif`` or ``.webp``.
    choices
        Order, part and slow motion.
    scores
        Score rows to show and to order by, one a folder, such as those scored alike; None: each clip's own, or as its
        trial compares it.
    clips
        Recordings that were moved since, in any order; told by their content.
    progress
        Called with pictures written and pictures planned.

    Raises
    ------
    UsageError
        Fewer than two or more than six clips, one given twice, some without a scale, or nothing to show.
    ClipError
        A recording is not there or cannot be read.
    OutputError
        A folder holds no finished measurement, or the file cannot be written.
    """
    from ..show.sidebyside import write_side_by_side

    path = Path(path)
    if path.suffix.lower() not in (".mp4", ".gif", ".webp"):
        raise UsageError(f"{path}: give a name that ends in .mp4, or in .gif or .webp for a short loop")
    places = [Path(folder) for folder in folders]
    if not 2 <= len(places) <= 6:
        raise UsageError(f"side by side takes the folders of two to six measured clips, got {len(places)}")
    for n, place in enumerate(places):
        if place.resolve() in [other.resolve() for other in places[:n]]:
            raise UsageError(f"{place}: given twice; give each clip once")
    measured = [_read(place) for place in places]
    if scores is not None:
        measured = [
            replace(measurement, score=scores.iloc[[n]].reset_index(drop=True))
            for n, measurement in enumerate(measured)
        ]
    moved = {fingerprint(Path(clip)): Path(clip) for clip in clips}
    with contextlib.ExitStack() as stack:
        ready = [_opened(measurement, moved, stack) for measurement in measured]
        write_side_by_side(path, ready, choices, progress)


def rows_as_compared(folders: Sequence[str | Path]) -> pd.DataFrame:
    """Score rows of measured clips, as the trial that a folder belongs to compares them.

    Raises
    ------
    OutputError
        A folder holds no finished measurement.
    UsageError
        A folder is one of several clips.
    """
    import pandas as pd

    return pd.concat([_read(Path(folder)).score for folder in folders], ignore_index=True)


def _read(folder: Path) -> Measurement:
    if not folder.is_dir():
        raise OutputError(f"{folder}: no such folder; give the folders that `poolwatch measure` has made")
    inside = sorted(path.parent.name for path in folder.glob("*/run.json"))
    if inside and not (folder / "run.json").exists():
        raise UsageError(
            f"{folder}: holds the folders of several clips; give those instead: {', '.join(inside[:6])}"
        )
    return _as_compared(folder, read_measurement(folder))


def _as_compared(folder: Path, measurement: Measurement) -> Measurement:
    """With the figures that the trial of the folder gives the clip, if it is of one: a customer sees both.

    A trial scores all its clips alike (one band, one smallest particle), so its row may differ from the clip's own.
    """
    table = folder.resolve().parent / "scores.csv"
    if not table.exists():
        return measurement
    try:
        rows = read_csv(table, SCORE)
    except OutputError:
        return measurement
    own = measurement.row
    same = (rows["clip_id"] == own["clip_id"]) & (rows["settings_id"] == own["settings_id"])
    if "folder" not in rows or not same.any():
        return measurement
    row = rows[same & (rows["folder"] == folder.resolve().name)].reset_index(drop=True)
    return replace(measurement, score=row[SCORE.names]) if len(row) == 1 else measurement


def _opened(
    measurement: Measurement, moved: dict[str, Path], stack: contextlib.ExitStack
) -> tuple[ClipResult, ReadFrames]:
    """A clip and how to read its frames, open until the stack is unwound."""
    settings = MeasureSettings.checked(measurement.run["settings"], where="run.json")
    source = clip_path(measurement, moved.get(measurement.run["input"]["fingerprint"]))
    reader = stack.enter_context(open_clip(source, settings=settings.clip))
    return clip_result(measurement, reader.frames(reader.cheap_frames(8))), partial(frames_of, reader)
