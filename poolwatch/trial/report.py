"""`report.html` of a trial: the drawing room is handed the results, clip by clip."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .. import __version__
from ..model.errors import ClipError

if TYPE_CHECKING:
    from ..measure import Measurement
    from ..show.report import ClipEvidence
    from .results import TrialResult

# Frames of the picture of brightness over place and time.
_SPACE_TIME_FRAMES = 300


def write_report(result: TrialResult) -> Path:
    """Write the report of a trial beside its tables.

    Raises
    ------
    OutputError
        The page cannot be written.
    """
    from ..show.report import TrialEvidence, trial_report

    path = result.out / "report.html"
    ranking = result.ranking
    studies = [study.reading for study in (result.factors, result.outcomes) if study is not None]
    notes = [*ranking.notes, *result.notes]
    if result.factors is not None:
        notes += result.factors.remarks
    trial_report(
        path,
        TrialEvidence(
            name=result.out.name,
            ranking=ranking.table,
            scores=result.scores,
            reading=[sentence for text in (ranking.reading, *studies) for sentence in _sentences(text)],
            clips=_clips(result),
            effects=result.factors.effects if result.factors is not None else None,
            excluded=list(zip(ranking.excluded["clip"], ranking.excluded["reason"], strict=True)),
            notes=notes,
            run=_run(result),
        ),
    )
    return path


def _sentences(text: str) -> list[str]:
    return [part for part in re.split(r"(?<=[.!?])\s+(?=[A-Za-z])", text) if part]


def _run(result: TrialResult) -> dict[str, Any]:
    """What the ranking was made with."""
    common = result.common
    parts = result.ranking.parts.drop_duplicates("part")
    return {
        "poolwatch": __version__,
        "manifest": result.manifest.name,
        "clips": len(result.scores),
        "band, Hz": " to ".join(f"{edge:.4g}" for edge in common.band_hz)
        if common.band_hz
        else "each clip's own",
        "smallest particle, mm": f"{common.min_diameter_mm:.3g}"
        if common.min_diameter_mm
        else "each clip's own",
        "parts left out": ", ".join(common.leave_out) or "none",
        "weights": {
            part: round(float(weight), 4) for part, weight in zip(parts["part"], parts["weight"], strict=True)
        },
    }


def _clips(result: TrialResult) -> Iterator[ClipEvidence]:
    """Clips in the order of the ranking, read one after the other."""
    excluded = dict(zip(result.ranking.excluded["clip"], result.ranking.excluded["reason"], strict=True))
    order = {shape: n for n, shape in enumerate(result.ranking.table["beam_shape"])}
    rows = result.scores.assign(place=result.scores["beam_shape"].map(order).fillna(len(order)))
    rows = rows.sort_values(["place", "replicate", "clip"], kind="stable")
    for clip, folder in zip(rows["clip"], rows["folder"], strict=True):
        yield clip_evidence(result.out, folder, clip, excluded.get(clip, ""))


def clip_evidence(out: Path, folder: str, name: str, excluded: str = "") -> ClipEvidence:
    """What a report shows of one measured clip.

    Parameters
    ----------
    out
        Folder of the report.
    folder
        The clip's folder in it.
    name
        Name to show.
    excluded
        Why it does not count; empty where it counts.

    Raises
    ------
    OutputError
        The folder holds no finished measurement.
    """
    import numpy as np

    from ..measure import read_measurement
    from ..measure.shown import shown
    from ..show.report import ClipEvidence
    from ..show.segments import plan_overlay

    measured = read_measurement(out / folder)
    video = f"{folder}/overlay.mp4" if (out / folder / "overlay.mp4").exists() else ""
    try:
        return _with_pictures(measured, video, name, excluded)
    except ClipError:
        # The recording was moved away since: figures and tables still stand.
        clip = shown(measured, np.zeros((1, 2, 2)), name)
        return ClipEvidence(clip, video, plan_overlay(clip) if video else (), excluded=excluded)


def _with_pictures(measured: Measurement, video: str, name: str, excluded: str) -> ClipEvidence:
    from ..clips import open_clip
    from ..measure import MeasureSettings
    from ..measure.shown import clip_path, frames_of, shown
    from ..show.overlay import OverlayPainter
    from ..show.report import ClipEvidence
    from ..show.segments import plan_overlay
    from ..show.stills.outline import gather_space_time

    settings = MeasureSettings.checked(measured.run["settings"], where="run.json")
    with open_clip(clip_path(measured), settings=settings.clip) as reader:
        clip = shown(measured, reader.frames(reader.cheap_frames(8)), name)
        start, stop = clip.steady
        first = start + max(0, (stop - start - _SPACE_TIME_FRAMES) // 2)
        frames = list(frames_of(reader, range(first, min(stop, first + _SPACE_TIME_FRAMES))))
    if not frames:
        raise ClipError(f"{name}: none of the frames to show could be read")
    status = dict(zip(measured.frames["frame"], measured.frames["status"], strict=True))
    number, picture = next(
        ((n, f) for n, f in frames[len(frames) // 2 :] if status.get(n) == "ok"), frames[0]
    )
    still = OverlayPainter(clip, (picture.shape[0], picture.shape[1])).paint(picture, number)
    return ClipEvidence(
        clip,
        video,
        plan_overlay(clip) if video else (),
        gather_space_time(frames, clip),
        excluded,
        still,
    )


def report_is_current(out: Path, tables: dict[str, str]) -> bool:
    """Whether the report stands and the tables beside it are what they would be written as now."""
    try:
        return (out / "report.html").exists() and all(
            (out / name).read_text(encoding="utf-8") == text for name, text in tables.items()
        )
    except (OSError, UnicodeDecodeError):
        return False
