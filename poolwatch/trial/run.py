"""A whole trial: check, measure, score alike, compare, write, store."""

from __future__ import annotations

import contextlib
import json
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from ..experiment.limits import PLAN_FILE, limits_of, read_limits, read_plan
from ..model.errors import OutputError
from ..model.files import write_text
from ..model.locking import locked_folder, sweep_left
from ..model.processes import usable_cores
from .batch import BatchResult, ClipEvent, Progress, Runner, finished_away, measure_all, runner
from .comparison import compare
from .crosschecks import in_words
from .manifest import Manifest, nothing_there, read_manifest
from .measurer import ClipMeasurer, Job, Measurer
from .report import write_trial
from .results import TrialResult
from .settings import RankSettings, read_rank_settings
from .shared_basis import score_alike

if TYPE_CHECKING:
    from .store import Store

_IDENTITY = ".trial.json"


@dataclass(frozen=True)
class TrialOptions:
    """How a trial is measured, compared and written.

    Attributes
    ----------
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
    replace_stored
        Whether another trial of the same name in the database gives way.
    title, about
        Name of the trial, in report and database, and a sentence about it, for the report; the folder's name and
        nothing by default.
    """

    workers: int | None = None
    scheduler: str | None = None
    settings: Path | None = None
    rank_settings: RankSettings | None = None
    overlay: bool = True
    report: bool = True
    store: str | None = None
    replace_stored: bool = False
    title: str = ""
    about: str = ""

    @classmethod
    def of(cls, **given: Any) -> Self:
        """Options by name; `settings` may be text, `rank_settings` a TOML file with a table ``[rank]``."""
        chosen = cls(**given)
        return replace(
            chosen,
            settings=None if chosen.settings is None else Path(chosen.settings),
            rank_settings=read_rank_settings(chosen.rank_settings),
        )


def run_trial(
    manifest: str | Path,
    out: str | Path,
    *,
    progress: Progress | None = None,
    measurer: Measurer | None = None,
    **options: Any,
) -> TrialResult:
    """Measure every clip of a manifest and compare the beam shapes; goes on where it was stopped.

    Rows that are not filled in, or whose recording is not there, are left out and named.

    Parameters
    ----------
    manifest
        CSV, one row a clip; see `read_manifest`.
    out
        Folder for everything the trial gives.
    progress
        Called with each `ClipEvent`.
    measurer
        How to measure one clip; None for `poolwatch.measure`.
    **options
        By name, see `TrialOptions`; ``rank_settings`` may be a TOML file with a table ``[rank]``.

    Raises
    ------
    UsageError
        The manifest or a setting is wrong, or the database holds another trial of this name; nothing was measured.
    PoolwatchError
        No clip could be measured, or a result cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from poolwatch.simulate import shape_scene, write_simulation
    >>> camera = {"width": 192, "height": 112, "mm_per_px": 0.03, "rate_hz": 10_000, "exposure_s": 2e-5}
    >>> rows = ["clip,beam_shape,replicate,record_rate_hz,mm_per_px,travel_speed_mm_s,exposure_s"]
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     for shape in ("crescent", "single-spot"):
    ...         clip = write_simulation(shape_scene(shape, frames=300, camera=camera), folder, name=shape)
    ...         rows.append(f"{clip.name},{shape},1,10000,0.03,100,2e-5")
    ...     manifest = Path(folder, "manifest.csv")
    ...     _ = manifest.write_text("\\n".join(rows), encoding="utf-8")
    ...     trial = run_trial(manifest, Path(folder, "out"), workers=1, overlay=False, report=False)
    >>> trial.ranking.table["beam_shape"].to_list()
    ['crescent', 'single-spot']
    >>> trial.scores["stability_index"].between(0, 100).all()
    np.True_
    """
    with open_trial(out, TrialOptions.of(**options), measurer or ClipMeasurer()) as trial:
        return _run(trial, manifest, progress)


def _run(trial: TrialRun, manifest: str | Path, progress: Progress | None) -> TrialResult:
    there = read_manifest(manifest, check_settings=trial.measurer.settings_id)
    # A plan that cannot be read is said now, not when all clips are measured.
    read_limits(there.path.parent / PLAN_FILE)
    trial.make_folder()
    away = trial.finished_away(there)
    read = there.with_away(away)
    _say_what_is_left_out(read, progress)
    batch = trial.measure(there, progress)
    batch = replace(batch, jobs=batch.jobs | away, resumed=batch.resumed + len(away))
    result = trial.compare(read, batch)
    if trial.stores:
        # The tables first: they are there whatever becomes of the database.
        result.write_tables()
        result = result.noted(trial.store(result))
    trial.write(result)
    return result


def _say_what_is_left_out(manifest: Manifest, progress: Progress | None) -> None:
    if not manifest.entries:
        raise nothing_there(manifest)
    if progress is not None and manifest.pending:
        for line in (f"{manifest.state}; the others are left out:", *in_words(manifest.pending)):
            progress(ClipEvent("", "checked", 0.0, 0.0, line))


@contextlib.contextmanager
def open_trial(out: str | Path, options: TrialOptions, measurer: Measurer) -> Iterator[TrialRun]:
    """A trial ready to run: processes, weights and database; its folder is held, nothing is written yet.

    Raises
    ------
    UsageError
        A setting is wrong, or the database holds another trial of this name.
    OutputError
        The folder cannot be written, or another process writes into it.
    """
    with contextlib.ExitStack() as stack:
        stack.enter_context(_tidy(Path(out)))
        run = stack.enter_context(runner(workers=options.workers, scheduler=options.scheduler))
        trial = TrialRun(Path(out), options, measurer, run)
        trial.check()
        with locked_folder(out):
            yield trial


@contextlib.contextmanager
def _tidy(out: Path) -> Iterator[None]:
    """Leave nothing of clips that were not finished, once all processes are ended."""
    there = out.exists()
    try:
        yield
    finally:
        sweep_left(out)
        if not there:
            with contextlib.suppress(OSError):
                out.rmdir()


class TrialRun:
    """The steps of a trial; made by `open_trial`.

    Parameters
    ----------
    out
        The trial's folder.
    options
        How it is measured, compared and written.
    measurer
        How to measure one clip.
    run
        Where.
    """

    def __init__(self, out: Path, options: TrialOptions, measurer: Measurer, run: Runner) -> None:
        self.out, self.options, self.measurer = out, options, measurer
        self._run = run
        # A cluster measures; what is drawn here is drawn on one core then.
        self.cores = 1 if options.scheduler else options.workers or usable_cores()
        self._weights = measurer.weights(options.settings)
        self._database = _open_store(options.store)

    @property
    def name(self) -> str:
        """Name of the trial."""
        return self.options.title or self.out.resolve().name

    def check(self) -> None:
        """Refuse a name that is another trial's in the database, before anything is measured.

        A database that does not answer now may do so when there is something to store.
        """
        with contextlib.suppress(OutputError):
            self._check_name()

    def _check_name(self) -> None:
        if self._database is not None and not self.options.replace_stored:
            self._database.check_name(self.name, origin=self._identity())

    def make_folder(self) -> None:
        """Make the trial's folder."""
        try:
            self.out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputError(
                f"{self.out}: cannot be made a folder ({error.strerror}); choose another --out"
            ) from None
        self.out = self.out.resolve()

    def measure(self, manifest: Manifest, progress: Progress | None) -> BatchResult:
        """Measure clips; those that are finished are left alone."""
        options = self.options
        return measure_all(
            manifest,
            self.out,
            self.measurer,
            self._run,
            settings=options.settings,
            overlay=options.overlay,
            here=options.scheduler is None,
            progress=progress,
        )

    def finished_away(self, manifest: Manifest) -> dict[str, Job]:
        """Clips that are measured and whose recording is away now."""
        options = self.options
        return finished_away(
            manifest, self.out, self.measurer, settings=options.settings, overlay=options.overlay
        )

    def compare(self, manifest: Manifest, batch: BatchResult) -> TrialResult:
        """Score measured clips alike and compare them."""
        import pandas as pd

        alike = score_alike(manifest, batch, self.measurer, self._run)
        failures = batch.failures | alike.failures
        failed = pd.DataFrame(
            [
                {"clip": entry.clip, "beam_shape": entry.recording.beam_shape, "reason": failures[entry.clip]}
                for entry in manifest.entries
                if entry.clip in failures
            ],
            columns=["clip", "beam_shape", "reason"],
        )
        plan_file = manifest.path.parent / PLAN_FILE
        plan = read_plan(plan_file)
        compared = compare(
            alike.scores,
            weights=self._weights,
            settings=self.options.rank_settings,
            failed=failed,
            limits=limits_of(plan, plan_file),
        )
        count = len(manifest.entries)
        left_out = (
            f"{count} of the {manifest.rows} welds of the manifest are compared; the others are left out or to come"
            if count < manifest.rows
            else ""
        )
        return TrialResult(
            out=self.out,
            manifest=manifest.path,
            scores=alike.scores,
            ranking=compared.ranking,
            basis=alike.basis,
            factors=compared.factors,
            outcomes=compared.outcomes,
            measured=batch.measured,
            resumed=batch.resumed,
            failures=failures,
            notes=(*filter(None, [left_out]), *manifest.remarks, *alike.notes),
            pending=manifest.rows - count,
            plan=plan,
            title=self.options.title,
            about=self.options.about,
        )

    @property
    def stores(self) -> bool:
        """Whether score rows go into a database."""
        return self._database is not None

    def store(self, result: TrialResult) -> str:
        """Put the score rows into the database, and say what that came to."""
        assert self._database is not None
        self._check_name()
        origin = self._identity(make=True)
        stored = self._database.add(
            result.scores, trial=self.name, origin=origin, plan=result.plan, whole=True
        )
        return f"{stored.words} in {self._database.name}"

    def write(self, result: TrialResult, *, report: bool = True) -> None:
        """Write the tables and the report."""
        wanted = report and self.options.report
        write_trial(result, report=wanted, run=self._run if self.cores > 1 else None)

    def _identity(self, *, make: bool = False) -> str:
        """What tells this trial from another of the same name: a number kept in its folder."""
        path = self.out / _IDENTITY
        try:
            return str(json.loads(path.read_text(encoding="utf-8"))["id"])
        except (OSError, ValueError, KeyError, TypeError):
            if not make:
                return ""
        identity = uuid.uuid4().hex
        write_text(path, json.dumps({"id": identity}) + "\n")
        return identity


def _open_store(address: str | None) -> Store | None:
    if address is None:
        return None
    from .store import open_store

    return open_store(address)
