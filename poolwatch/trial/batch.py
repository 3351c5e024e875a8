"""Every clip of a manifest measured, those that are finished already left alone."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from ..model.errors import PoolwatchError, UsageError
from ..model.locking import locked_folder
from ..model.processes import usable_cores
from .cluster import run_tasks_on_cluster
from .manifest import Entry, Manifest
from .measurer import Job, Measurer
from .process_pool import Event, Function, ProcessPool, Report
from .resume import clip_id_of, is_finished, job_key, mark_finished, unmark

# A process whose trial was killed is gone within this time, s.
_GONE_S = 10.0
# Runs tasks and tells what happens: on this machine or on a cluster.
Runner = Callable[[Function, Sequence[Any]], Iterator[Event]]


@dataclass(frozen=True)
class ClipEvent:
    """What happened to a clip, for showing progress.

    Attributes
    ----------
    clip
        As the manifest names it.
    kind
        ``checked`` (what the manifest leaves out, in `message`; no clip), ``preparing`` (this machine is made ready,
        once; no clip), ``resumed`` (finished before), ``started``,
        ``frames``, ``done`` or ``failed``.
    share
        Part of the clip that is done, 0 to 1.
    work
        Size of the clip as a share of all clips of the trial.
    message
        Why, with ``failed``; what, with ``checked``.
    """

    clip: str
    kind: str
    share: float
    work: float
    message: str = ""


Progress = Callable[[ClipEvent], None]


@dataclass(frozen=True)
class BatchResult:
    """How the clips of a trial fared.

    Attributes
    ----------
    jobs
        One for each entry of the manifest whose recording can be read at all, by its clip.
    failures
        Reason by clip, for those that could not be measured.
    measured, resumed
        Clips measured now, and clips that were finished before.
    """

    jobs: dict[str, Job]
    failures: dict[str, str]
    measured: int
    resumed: int


@contextmanager
def runner(*, workers: int | None = None, scheduler: str | None = None) -> Iterator[Runner]:
    """Where to run: this machine's cores, or a Dask scheduler.

    Raises
    ------
    UsageError
        `workers` is below 1, or given together with a scheduler.
    """
    if scheduler:
        if workers is not None:
            raise UsageError("--workers is for this machine and --scheduler for a cluster; give one of them")
        yield partial(run_tasks_on_cluster, scheduler=scheduler)
        return
    if workers is not None and workers < 1:
        raise UsageError(f"--workers must be at least 1, got {workers}")
    with ProcessPool(workers or usable_cores()) as pool:
        yield pool


def measure_all(
    manifest: Manifest,
    out: Path,
    measurer: Measurer,
    run: Runner,
    *,
    settings: Path | None = None,
    overlay: bool = True,
    here: bool = True,
    progress: Progress | None = None,
) -> BatchResult:
    """Measure every clip of a manifest; one that fails never stops the others.

    Parameters
    ----------
    manifest
        What to measure.
    out
        The trial's folder.
    measurer
        How to measure one clip.
    run
        Where, see `runner`.
    settings
        For rows that name none.
    overlay
        Whether annotated videos are wanted.
    here
        Whether this machine measures, not others.
    progress
        Called with each event.

    Raises
    ------
    UsageError
        Two rows name the same recording, or a settings file is wrong; nothing was measured.
    """
    tell = progress or _silent
    jobs, failures = _jobs(manifest, out, measurer, settings, overlay=overlay)
    total = sum(job.size for job in jobs.values()) or 1
    for clip, message in failures.items():
        tell(ClipEvent(clip, "failed", 1.0, 0.0, message))
    # The largest first, so that no core is left with a long clip at the end.
    todo = sorted(jobs.values(), key=lambda job: (-job.size, job.name))
    for job in (finished := [job for job in jobs.values() if is_finished(job)]):
        tell(ClipEvent(job.name, "resumed", 1.0, job.size / total))
        todo.remove(job)
    if todo and here and measurer.unready():
        tell(ClipEvent("", "preparing", 0.0, 0.0))
        measurer.make_ready()
    measured = 0
    for event in run(partial(measure_one, measurer), todo):
        job = todo[event.task]
        counted = event.kind == "frames" and event.total
        share = event.done / event.total if counted else float(event.kind != "started")
        message = job.words(event.message)
        tell(ClipEvent(job.name, event.kind, share, job.size / total, message))
        if event.kind == "failed":
            failures[job.name] = message
        measured += event.kind == "done"
    return BatchResult(jobs, failures, measured, len(finished))


def _jobs(
    manifest: Manifest, out: Path, measurer: Measurer, settings: Path | None, *, overlay: bool
) -> tuple[dict[str, Job], dict[str, str]]:
    """What there is to measure, by clip, and why other clips cannot be."""
    jobs: dict[str, Job] = {}
    failures: dict[str, str] = {}
    for entry in manifest.entries:
        try:
            jobs[entry.clip] = _job(entry, out, measurer, settings, overlay)
        except UsageError:
            raise
        except (PoolwatchError, OSError) as error:
            said = " ".join(str(error).split())
            failures[entry.clip] = said.replace(str(entry.path), entry.clip).removeprefix(f"{entry.clip}: ")
    _refuse_same_recording(manifest, jobs)
    return jobs, failures


def finished_away(
    manifest: Manifest, out: Path, measurer: Measurer, *, settings: Path | None, overlay: bool
) -> dict[str, Job]:
    """Clips that were measured before and whose recording is away now (archived, a network folder that is down).

    Their results stand as long as the row says the same of them; which recording it was is taken from its score row.

    Returns
    -------
    dict
        Job by clip, for those of `Manifest.away` that are finished.
    """
    found = {}
    for entry in manifest.away:
        chosen = entry.settings or settings
        folder = (out / entry.folder).resolve()
        clip_id = clip_id_of(folder)
        job = Job(
            name=entry.clip,
            path=entry.path.resolve(),
            folder=folder,
            recording=entry.recording,
            settings=chosen.resolve() if chosen else None,
            overlay=overlay,
            clip_id=clip_id,
            key=job_key(clip_id, measurer.settings_id(chosen), entry.recording),
        )
        if clip_id and is_finished(job):
            found[entry.clip] = job
    return found


def measure_one(measurer: Measurer, job: Job, report: Report) -> None:
    """Measure one clip and mark its folder as finished.

    Raises
    ------
    PoolwatchError
        It cannot be measured, or another process writes into its folder.
    """
    with locked_folder(job.folder, wait_s=_GONE_S):
        unmark(job)
        measurer.measure(job, report)
        mark_finished(job)


def _job(entry: Entry, out: Path, measurer: Measurer, settings: Path | None, overlay: bool) -> Job:
    chosen = entry.settings or settings
    clip_id = measurer.fingerprint(entry.path)
    key = job_key(clip_id, measurer.settings_id(chosen), entry.recording)
    return Job(
        name=entry.clip,
        path=entry.path.resolve(),
        folder=(out / entry.folder).resolve(),
        recording=entry.recording,
        settings=chosen.resolve() if chosen else None,
        overlay=overlay,
        clip_id=clip_id,
        key=key,
        size=_size(entry.path),
    )


def _size(path: Path) -> int:
    if path.is_dir():
        return sum(file.stat().st_size for file in path.rglob("*") if file.is_file())
    return path.stat().st_size


def _refuse_same_recording(manifest: Manifest, jobs: dict[str, Job]) -> None:
    """The same recording under two names is one weld, not two."""
    same: dict[str, list[str]] = defaultdict(list)
    for job in jobs.values():
        same[job.clip_id].append(job.name)
    doubles = [" and ".join(names) for names in same.values() if len(names) > 1]
    if doubles:
        raise UsageError(
            f"{manifest.path}: the same recording under two names, nothing was measured: {'; '.join(doubles)}; "
            "a weld counts once: remove the copy"
        )


def _silent(event: ClipEvent) -> None:
    pass
