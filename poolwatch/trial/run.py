"""A whole trial: check, measure, score alike, rank, study, write, store."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ..experiment.limits import PLAN_FILE, read_limits
from ..model.errors import OutputError
from .batch import Progress, measure_all, runner
from .common import score_alike
from .factors import study_factors
from .manifest import Manifest, read_manifest
from .measurer import ClipMeasurer, Measurer
from .outcomes import study_outcomes
from .pool import usable_cores
from .ranking import rank
from .results import TrialResult
from .settings import RankSettings

if TYPE_CHECKING:
    from .store import Store


def run_trial(
    manifest: str | Path,
    out: str | Path,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    settings: str | Path | None = None,
    rank_settings: RankSettings | None = None,
    overlay: bool = True,
    report: bool = True,
    store: str | None = None,
    progress: Progress | None = None,
    measurer: Measurer | None = None,
    title: str = "",
    about: str = "",
) -> TrialResult:
    """Measure every clip of a manifest and compare the beam shapes; goes on where it was stopped.

    Parameters
    ----------
    manifest
        CSV, one row a clip; see `read_manifest`.
    out
        Folder for everything the trial gives.
    workers
        Processes on this machine, None for one a core. They never change a number.
    scheduler
        Address of a Dask scheduler to run on instead.
    settings
        Settings file for clips whose row names none.
    rank_settings
        How to compare; None for the defaults.
    overlay
        Whether to draw annotated videos.
    report
        Whether to write ``report.html``.
    store
        Address of a trial database to add the score rows to, such as ``sqlite:///trials.db``.
    progress
        Called with each `ClipEvent`.
    measurer
        How to measure one clip; None for `poolwatch.measure`.
    title, about
        Name of the trial and a sentence about it, for the report; the folder's name and nothing by default.

    Raises
    ------
    UsageError
        The manifest or a setting is wrong; nothing was measured.
    PoolwatchError
        No clip could be measured, or a result cannot be written.
    """
    import pandas as pd

    measurer = measurer or ClipMeasurer()
    settings = Path(settings) if settings is not None else None
    # A cluster measures; what is drawn here is drawn on one core then.
    cores = 1 if scheduler else workers or usable_cores()
    with runner(workers=workers, scheduler=scheduler) as run:
        weights = measurer.weights(settings)
        database = _open_store(store)
        read = read_manifest(manifest, check_settings=measurer.settings_id)
        limits = read_limits(read.path.parent / PLAN_FILE)
        out = _folder(out)
        batch = measure_all(
            read,
            out,
            measurer,
            run,
            workers=cores,
            settings=settings,
            overlay=overlay,
            here=scheduler is None,
            progress=progress,
        )
        alike = score_alike(read, batch, measurer, run)
        failures = batch.failures | alike.failures
        failed = pd.DataFrame(
            [
                {"clip": entry.clip, "beam_shape": entry.recording.beam_shape, "reason": failures[entry.clip]}
                for entry in read.entries
                if entry.clip in failures
            ],
            columns=["clip", "beam_shape", "reason"],
        )
        ranking = rank(alike.scores, weights=weights, settings=rank_settings, failed=failed)
        counted = alike.scores[alike.scores["folder"].isin(ranking.welds["folder"])].reset_index(drop=True)
        counted["stability_index"] = ranking.welds["stability_index"]
        result = TrialResult(
            out=out,
            manifest=read.path,
            scores=alike.scores,
            ranking=ranking,
            common=alike.common,
            factors=study_factors(counted, limits=limits) if _has(read, "factors") else None,
            outcomes=study_outcomes(counted) if _has(read, "outcomes") else None,
            measured=batch.measured,
            resumed=batch.resumed,
            notes=(*read.remarks, *alike.notes),
            title=title,
            about=about,
        )
        if database is not None:
            result.write(report=False)
            database.add(alike.scores, trial=out.name)
        result.write(report=report, run=run if cores > 1 else None)
    return result


def _has(manifest: Manifest, kind: str) -> bool:
    return any(getattr(entry, kind) for entry in manifest.entries)


def _folder(out: str | Path) -> Path:
    out = Path(out)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{out}: cannot be made a folder ({error.strerror}); choose another --out"
        ) from None
    return out.resolve()


def _open_store(address: str | None) -> Store | None:
    if address is None:
        return None
    from .store import open_store

    return open_store(address)
