"""All clips of a trial scored alike: the band all support, the smallest particle all show, the same parts."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..model.errors import OutputError, PoolwatchError
from ..model.files import write_text
from ..model.table import csv_text
from ..model.tables import INDEX_PARTS, SCORE
from .batch import BatchResult, Runner
from .comparability import check_comparability, plain_number
from .facts import CONFIRMED
from .manifest import Entry, Manifest
from .measurer import Job, Measurer, SharedBasis
from .process_pool import Report
from .resume import MARK

if TYPE_CHECKING:
    import pandas as pd

_CACHE = ".compared.json"
# Two numbers that went through nine digits of text are the same within this.
_TOLERANCE = 1e-8


@dataclass(frozen=True)
class ScoredAlike:
    """Score rows of a trial.

    Attributes
    ----------
    scores
        One row a measured clip, in the order of the manifest, columns of `SCORE`, then ``folder``, factors,
        outcomes and what the manifest says of the weld. Scored alike, but for clips that are not like the others (see
        `check_comparability`).
    basis
        What they were scored in.
    notes
        Which clips set it, in words.
    failures
        Reason by clip, for those that could not be scored again.
    """

    scores: pd.DataFrame
    basis: SharedBasis
    notes: tuple[str, ...]
    failures: dict[str, str]


def score_alike(manifest: Manifest, batch: BatchResult, measurer: Measurer, run: Runner) -> ScoredAlike:
    """Read the score rows of all measured clips, and score again those that need it.

    Raises
    ------
    PoolwatchError
        No clip was measured.
    """

    measured = [
        entry for entry in manifest.entries if entry.clip in batch.jobs and entry.clip not in batch.failures
    ]
    if not measured:
        raise _none(manifest, batch.failures)
    jobs = [batch.jobs[entry.clip] for entry in measured]
    cells = [_cells(job.folder / "score.csv") for job in jobs]
    rows = _labelled(cells, measured)
    comparable = check_comparability(rows).rows
    basis, notes = find_shared_basis(comparable)
    unlike = [
        entry.folder in set(comparable["folder"]) and needs_rescoring(rows.iloc[place], basis)
        for place, entry in enumerate(measured)
    ]
    todo = [job for job, other in zip(jobs, unlike, strict=True) if other and _cached(job, basis) is None]
    failures = {
        todo[event.task].name: f"cannot be scored like the others: {todo[event.task].words(event.message)}"
        for event in run(partial(_rescore_one, measurer, basis), todo)
        if event.kind == "failed"
    }
    for place, job in enumerate(jobs):
        if unlike[place] and job.name not in failures:
            again = _cached(job, basis)
            if again is None:
                raise PoolwatchError(f"{job.folder}: changed while the trial was scored; run the trial again")
            cells[place] = again
    if len(failures) == len(jobs):
        raise _none(manifest, batch.failures | failures)
    rows = _labelled(cells, measured)
    keep = [job.name not in failures for job in jobs]
    return ScoredAlike(rows[keep].reset_index(drop=True), basis, notes, failures)


def _none(manifest: Manifest, failures: dict[str, str]) -> PoolwatchError:
    clip, reason = next(iter(failures.items()))
    return PoolwatchError(
        f"{manifest.path}: none of the {len(manifest.entries)} clips could be measured; first {clip}: {reason}"
    )


def find_shared_basis(rows: pd.DataFrame) -> tuple[SharedBasis, tuple[str, ...]]:
    """The narrowest band, the largest of the smallest particles, and the parts that some clip lacks.

    Parameters
    ----------
    rows
        Score rows of clips that can stand in one ranking.

    Returns
    -------
    basis
        What all of them can be scored in.
    notes
        Which clips set it, in words.
    """
    notes = []
    low, high = rows["band_low_hz"].max(), rows["band_high_hz"].min()
    band = None
    if low < high:
        band = (float(low), float(high))
        if rows["band_low_hz"].min() < low * (1 - _TOLERANCE) or rows["band_high_hz"].max() > high * (
            1 + _TOLERANCE
        ):
            notes.append(_band_note(rows, band))
    elif low >= high:
        notes.append(
            f"the clips share no band ({rows['clip'][rows['band_low_hz'].idxmax()]} begins at {plain_number(low)} Hz, "
            f"{rows['clip'][rows['band_high_hz'].idxmin()]} ends at {plain_number(high)} Hz): their "
            "fluctuation is not like for like"
        )
    smallest = rows["spatter_min_diameter_mm"]
    least = float(smallest.max()) if smallest.notna().any() else None
    if least is not None and smallest.min() < least * (1 - _TOLERANCE):
        notes.append(
            f"particles below {least:.3g} mm count for no clip: {rows['clip'][smallest.idxmax()]} could not show them"
        )
    lacking = tuple(
        part for part in INDEX_PARTS if rows[f"d_{part}"].isna().any() and rows[f"d_{part}"].notna().any()
    )
    return SharedBasis(band, least, lacking), tuple(notes)


def _band_note(rows: pd.DataFrame, band: tuple[float, float]) -> str:
    """Which clips narrow the band of all, and what would widen it; an end that all clips have is not named."""
    low, high = band
    said = f"fluctuation of all clips is taken from {plain_number(low)} to {plain_number(high)} Hz"
    if rows["band_low_hz"].min() < low * (1 - _TOLERANCE):
        clip = rows["clip"][rows["band_low_hz"].idxmax()]
        said += f". {clip} sets the lower end; a longer steady part lowers it"
    if rows["band_high_hz"].max() > high * (1 + _TOLERANCE):
        clip = rows["clip"][rows["band_high_hz"].idxmin()]
        said += f". {clip} sets the upper end; a higher record rate raises it"
    return said


def needs_rescoring(row: pd.Series, basis: SharedBasis) -> bool:
    """Whether a row was not scored in `basis` already."""
    if basis.band_hz and not np.allclose(
        [row["band_low_hz"], row["band_high_hz"]], basis.band_hz, rtol=_TOLERANCE
    ):
        return True
    smallest = row["spatter_min_diameter_mm"]
    if basis.min_diameter_mm and smallest < basis.min_diameter_mm * (1 - _TOLERANCE):
        return True
    return any(row[f"d_{part}"] == row[f"d_{part}"] for part in basis.leave_out)


def _rescore_one(measurer: Measurer, basis: SharedBasis, job: Job, report: Report) -> None:
    row = measurer.rescore(job.folder, basis)
    text = json.dumps({"key": _cache_key(job, basis), "row": csv_text(row)}, indent=1)
    write_text(job.folder / _CACHE, text + "\n")


def _cached(job: Job, basis: SharedBasis) -> dict[str, str] | None:
    try:
        content = json.loads((job.folder / _CACHE).read_text(encoding="utf-8"))
        if content["key"] != _cache_key(job, basis):
            return None
        return next(iter(csv.DictReader(io.StringIO(content["row"]))))
    except (OSError, ValueError, KeyError, TypeError, StopIteration):
        return None


def _cells(path: Path) -> dict[str, str]:
    """The cells of a clip's score row; one table of all clips is made of them at once, which is far quicker."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return next(iter(csv.DictReader(file)))
    except (OSError, UnicodeDecodeError, csv.Error, StopIteration) as error:
        raise OutputError(
            f"{path}: cannot be read as a score row ({error}); measure the clip again"
        ) from None


def _labelled(cells: list[dict[str, str]], entries: list[Entry]) -> pd.DataFrame:
    """Score rows with the names, factors, outcomes and facts that the manifest gives now, and the folders."""
    try:
        rows = SCORE.frame([{name: row.get(name) or None for name in SCORE.names} for row in cells])
    except (ValueError, TypeError) as error:
        raise OutputError(f"a score row holds something that is no number ({error}); measure again") from None
    rows["clip"] = [entry.clip for entry in entries]
    rows["beam_shape"] = [entry.recording.beam_shape for entry in entries]
    rows["replicate"] = [entry.recording.replicate for entry in entries]
    rows["folder"] = [entry.folder for entry in entries]
    if any(entry.confirmed for entry in entries):
        rows[CONFIRMED] = ["yes" if entry.confirmed else "" for entry in entries]
    for kind in ("factors", "outcomes", "weld"):
        for name in dict.fromkeys(name for entry in entries for name in getattr(entry, kind)):
            rows[name] = [getattr(entry, kind).get(name) for entry in entries]
    return rows


def _cache_key(job: Job, basis: SharedBasis) -> str:
    try:
        mark = (job.folder / MARK).read_text(encoding="utf-8")
    except OSError:
        mark = ""
    text = json.dumps([mark, asdict(basis)], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:32]
