"""`report.html` of a trial: the drawing room is handed the results, clip by clip."""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..model.files import remove, write_text
from ..model.version import __version__
from .beam_pictures import beam_pictures
from .comparability import plain_number
from .names import short_names

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from ..show.report import ClipEvidence, ClipPiece
    from .batch import Runner
    from .comparison import Comparison
    from .process_pool import Report
    from .ranking import Ranking
    from .results import TrialResult

# Fewer clips than this are drawn before other processes have loaded what they draw with.
_WORTH_PROCESSES = 4
# Beside the report: what it was made with.
_MARK = ".report.json"
SIDE_BY_SIDE = "sidebyside.mp4"
"""A video of this name in the trial's folder is shown in its report."""


def write_trial(result: TrialResult, *, report: bool = True, run: Runner | None = None) -> None:
    """Write the tables of a trial, and its report unless it stands already and nothing changed.

    Each file is replaced whole, so whoever reads one meanwhile sees the old or the new.

    Parameters
    ----------
    result
        The trial.
    report
        Whether a report is wanted; one of other tables is removed where it is not.
    run
        As for `write_report`.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    folders = result.scores["folder"].astype(str)
    current = report_is_current(result.out, result.tables(), folders) and result.measured == 0
    result.write_tables()
    if report and not current:
        write_report(result, run)
    elif not current:
        remove(result.out / "report.html")


def write_report(result: TrialResult, run: Runner | None = None) -> Path:
    """Write the report of a trial beside its tables.

    Parameters
    ----------
    result
        The trial.
    run
        Processes of this machine that draw clips side by side; None to draw them here, one after the other.

    Raises
    ------
    OutputError
        The page cannot be written.
    """
    from ..show.report import TrialEvidence, title_of, trial_report

    path = result.out / "report.html"
    beams = beam_pictures(result.scores, result.manifest.parent)
    notes = [*result.notes, *beams.notes]
    video = result.out / SIDE_BY_SIDE if (result.out / SIDE_BY_SIDE).exists() else None
    if video is not None and _older_than_clips(video, result):
        notes.append(
            f"{SIDE_BY_SIDE} is older than a measurement of its clips and is left out; write it again."
        )
        video = None
    short = _short_names(result.scores, result.compared)
    trial_report(
        path,
        TrialEvidence(
            name=result.title or title_of(result.scores) or result.out.name,
            scores=result.scores.assign(clip=result.scores["clip"].map(short)),
            clips=_clips(result, run, beams.by_clip, short),
            run=_run(result),
            about=result.about,
            sidebyside="" if video is None else SIDE_BY_SIDE,
            beams=beams.by_shape,
            **_compared(result.compared, notes, short=short),
        ),
    )
    write_text(path.with_name(_MARK), json.dumps(_state(path, result.tables())) + "\n")
    return path


def write_ranking_report(path: str | Path, compared: Comparison, rows: pd.DataFrame, name: str) -> Path:
    """Write a report from score rows alone: everything but the clips.

    Parameters
    ----------
    path
        The page.
    compared
        What the rows say together.
    rows
        Score rows, with factors and outcomes where known.
    name
        Title of the page.

    Raises
    ------
    OutputError
        The page cannot be written.
    """
    from ..show.report import TrialEvidence, title_of, trial_report

    path = Path(path)
    ranking = compared.ranking
    short = _short_names(rows, compared)
    trial_report(
        path,
        TrialEvidence(
            name=title_of(rows) or name,
            scores=rows.assign(clip=rows["clip"].astype(str).map(short)),
            clips=(),
            run={"poolwatch": __version__, "clips": len(rows), "weights": _weights(ranking)},
            **_compared(compared, short=short),
        ),
    )
    return path


def _short_names(scores: pd.DataFrame, compared: Comparison) -> dict[str, str]:
    """What a page calls each clip, by its path."""
    return short_names(map(str, [*scores["clip"], *compared.ranking.excluded["clip"]]))


def _compared(compared: Comparison, more: Sequence[str] = (), *, short: Mapping[str, str]) -> dict[str, Any]:
    """What a page shows of a comparison, with `more` notes; clips by their `short` names."""
    longer = sorted((path for path, name in short.items() if path != name), key=len, reverse=True)
    pattern = re.compile("|".join(map(re.escape, longer)) or "(?!)")

    def said(words: Iterable[str]) -> list[str]:
        return [pattern.sub(lambda found: short[found[0]], one) for one in words]

    ranking, factors, outcomes = compared.ranking, compared.factors, compared.outcomes
    return {
        "ranking": ranking.table.assign(remarks=said(ranking.table["remarks"].fillna("").astype(str))),
        "reading": said(_sentences(ranking.reading)),
        "factor_reading": said(_sentences(factors.reading)) if factors is not None else (),
        # One item a laboratory result: what qualifies it must not be apart from it.
        "outcome_reading": said(outcomes.readings) if outcomes is not None else (),
        "effects": factors.effects if factors is not None else None,
        "next_welds": factors.next_welds if factors is not None else None,
        "excluded": list(
            zip(*map(said, (ranking.excluded["clip"], ranking.excluded["reason"])), strict=True)
        ),
        "notes": said([*ranking.notes, *more, *compared.remarks]),
    }


def _older_than_clips(video: Path, result: TrialResult) -> bool:
    """Whether a clip was measured after a video was made; the tables tell, for other choices leave them alone."""
    tables = [result.out / str(folder) / "frames.csv" for folder in result.scores["folder"]]
    return any(table.exists() and table.stat().st_mtime > video.stat().st_mtime for table in tables)


def _sentences(text: str) -> list[str]:
    return [part for part in re.split(r"(?<=[.!?])\s+(?=[A-Za-z])", text) if part]


def _run(result: TrialResult) -> dict[str, Any]:
    """What the ranking was made with."""
    basis = result.basis
    return {
        "poolwatch": __version__,
        "manifest": result.manifest.name,
        "clips": len(result.scores),
        "band, Hz": " to ".join(plain_number(edge) for edge in basis.band_hz)
        if basis.band_hz
        else "each clip's own",
        "smallest particle, mm": f"{basis.min_diameter_mm:.3g}"
        if basis.min_diameter_mm
        else "each clip's own",
        "parts left out": ", ".join(basis.leave_out) or "none",
        "weights": _weights(result.ranking),
    }


def _weights(ranking: Ranking) -> dict[str, float]:
    parts = ranking.parts.drop_duplicates("part")
    return {
        part: round(float(weight), 4) for part, weight in zip(parts["part"], parts["weight"], strict=True)
    }


@dataclass(frozen=True)
class _Drawing:
    """A clip whose part of the page is to be made, and the file to put it into."""

    out: Path
    row: pd.DataFrame
    excluded: str
    number: int
    target: Path
    name: str
    beam: NDArray[np.uint8] | None = None


def _clips(
    result: TrialResult, run: Runner | None, beams: Mapping[str, NDArray[np.uint8]], short: Mapping[str, str]
) -> Iterator[ClipEvidence | ClipPiece]:
    """Clips in the order of the ranking, read one after the other, with their figures as compared."""
    excluded = dict(zip(result.ranking.excluded["clip"], result.ranking.excluded["reason"], strict=True))
    order = {shape: n for n, shape in enumerate(result.ranking.table["beam_shape"])}
    rows = result.scores.assign(place=result.scores["beam_shape"].map(order).fillna(len(order)))
    rows = rows.sort_values(["place", "replicate", "clip"], kind="stable").drop(columns="place")
    with tempfile.TemporaryDirectory(prefix="poolwatch-") as folder:
        drawings = []
        for count, number in enumerate(rows.index, 1):
            row = rows.loc[[number]].reset_index(drop=True)
            clip = str(row["clip"].iloc[0])
            target = Path(folder) / f"{count}.json"
            why = excluded.get(clip, "")
            drawings.append(
                _Drawing(result.out, row, why, count, target, short.get(clip, clip), beams.get(clip))
            )
        if run is not None and len(drawings) >= _WORTH_PROCESSES:
            for _ in run(_draw, drawings):
                pass
        for drawing in drawings:
            if drawing.target.exists():
                yield _piece(drawing.target)
            else:
                # Also where a process failed: here the reason is raised, if there still is one.
                yield _evidence(drawing)


def _draw(drawing: _Drawing, report: Report) -> None:
    from ..show.report import clip_piece

    write_text(drawing.target, json.dumps(asdict(clip_piece(_evidence(drawing), drawing.number))))


def _evidence(drawing: _Drawing) -> ClipEvidence:
    evidence = clip_evidence(drawing.out, drawing.row, drawing.excluded, name=drawing.name)
    return replace(evidence, beam=drawing.beam)


def _piece(path: Path) -> ClipPiece:
    from ..show.report import ClipPiece

    return ClipPiece(**json.loads(path.read_text(encoding="utf-8")))


def clip_evidence(
    out: Path, row: pd.DataFrame, excluded: str = "", *, name: str | None = None
) -> ClipEvidence:
    """What a trial's report shows of one measured clip.

    Parameters
    ----------
    out
        Folder of the report.
    row
        The clip's score row as compared, with ``folder``.
    excluded
        Why it does not count; empty where it counts.
    name
        What the page calls it; None: as the row does.

    Raises
    ------
    OutputError
        The folder holds no finished measurement.
    """
    from ..measure import read_measurement
    from ..measure.pages import clip_evidence as evidence_of

    clip, folder = map(str, row.iloc[0][["clip", "folder"]])
    # One clip must not show two values of one figure: its own row may be in another band than the trial's.
    return evidence_of(
        read_measurement(out / folder),
        out / folder,
        video=f"{folder}/overlay.mp4",
        name=name or clip,
        excluded=excluded,
        compared=row,
    )


def report_is_current(out: Path, tables: Mapping[str, str], folders: Iterable[str]) -> bool:
    """Whether the report stands, knows the videos there are, and was made with these tables.

    Parameters
    ----------
    out
        The trial's folder.
    tables
        Text of its tables by name.
    folders
        The clips' folders in it: a video that was drawn again since plays other parts at other times.
    """
    page = out / "report.html"
    videos = [out / SIDE_BY_SIDE, *(out / folder / "run.json" for folder in folders)]
    try:
        written = page.stat().st_mtime
        if any(video.exists() and video.stat().st_mtime > written for video in videos):
            return False
        return bool(json.loads((out / _MARK).read_text(encoding="utf-8")) == _state(page, tables))
    except (OSError, ValueError):
        return False


def _state(page: Path, tables: Mapping[str, str]) -> dict[str, str]:
    """Fingerprints of a page and of the tables it was made with."""
    text = json.dumps(sorted(tables.items())).encode()
    return {
        "page": hashlib.sha256(page.read_bytes()).hexdigest(),
        "tables": hashlib.sha256(text).hexdigest(),
    }
