"""A day beside the machine: a trial that is measured, ranked and reported while its welds are made."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from ..model.errors import PoolwatchError, UsageError
from .batch import BatchResult, Progress
from .crosschecks import in_words
from .manifest import Entry, Manifest, read_manifest
from .measurer import ClipMeasurer, Measurer
from .notices import Announcer, FollowState, Notice, Notify
from .resume import MARK
from .run import TrialOptions, TrialRun, open_trial
from .settled_files import SettledFiles, state_of_recording, state_of_text

if TYPE_CHECKING:
    from collections.abc import Hashable

    from .results import TrialResult

# A file that rests but does not open, or results that cannot be written, are tried again after this, s.
_AGAIN_S = 30.0
# The report is not put off for longer than this while clips wait to be measured, s.
_REPORT_LATEST_S = 600.0


@dataclass(frozen=True)
class FollowPace:
    """How often a followed trial looks, and when it takes a file for complete.

    Attributes
    ----------
    poll_s
        Seconds between two looks.
    settle_s
        Seconds for which a file must not have changed.
    """

    poll_s: float = 2.0
    settle_s: float = 10.0


class _Examined(NamedTuple):
    """A recording that was looked into: its state then, its fingerprint (empty: does not open), when to look again."""

    key: Hashable
    identity: str
    again_at: float


def follow_trial(
    manifest: str | Path,
    out: str | Path,
    *,
    options: TrialOptions | None = None,
    pace: FollowPace | None = None,
    notify: Notify | None = None,
    progress: Progress | None = None,
    measurer: Measurer | None = None,
    keep_on: Callable[[FollowState], bool] | None = None,
) -> FollowState:
    """Measure each clip of a trial once its row and its file are complete; keep ranking and report up to date.

    Whatever is wrong with a row, a file, the manifest or the output folder is said once and waited for. Files are
    looked at again and again, so that network folders work. Results are replaced whole, so who reads them meanwhile
    sees the old or the new. Ended in any way and called again, it goes on where it was.

    Parameters
    ----------
    manifest
        CSV, one row a clip; it may be filled in, mended and lengthened meanwhile.
    out
        Folder for everything the trial gives.
    options
        How it is measured, compared and written.
    pace
        How often to look, and when a file is complete.
    notify
        Called with what happens.
    progress
        Called with each `poolwatch.trial.batch.ClipEvent` while clips are measured.
    measurer
        How to measure one clip; None for `poolwatch.measure`.
    keep_on
        Asked after each look whether to go on; None: until interrupted.

    Returns
    -------
    FollowState
        How far it was when it was ended, by `keep_on` or by an interrupt from the keyboard.

    Raises
    ------
    UsageError
        There is no manifest at the start, a setting is wrong, or the database holds another trial of this name.
    OutputError
        The output folder cannot be written at the start, or another process writes into it.
    """
    if not Path(manifest).exists():
        raise UsageError(f"{manifest}: no such file; check the path, and write the header line at least")
    pace = pace or FollowPace()
    with open_trial(out, options or TrialOptions(), measurer or ClipMeasurer()) as trial:
        day = _Day(Path(manifest), trial, pace, notify or _silent, progress)
        with contextlib.suppress(KeyboardInterrupt):
            day.look()
            while keep_on is None or keep_on(day.state):
                time.sleep(pace.poll_s)
                day.look()
        return day.state


class _Day:
    """What is known of a followed trial, and the steps of one look at it."""

    def __init__(
        self, path: Path, trial: TrialRun, pace: FollowPace, notify: Notify, progress: Progress | None
    ) -> None:
        self._path, self._trial = path, trial
        self._progress = progress
        self._resting = SettledFiles(pace.settle_s)
        self._announce = Announcer(notify)
        self._sheet: Manifest | None = None
        # By clip: its row, what row and file were when it was handed to be measured, and what came of it.
        self._rows: dict[str, Entry] = {}
        self._handed: dict[str, Hashable] = {}
        self._batch = BatchResult({}, {}, 0, 0)
        self._examined: dict[str, _Examined] = {}
        # Clips measured since the last comparison, and what the last one rested on.
        self._fresh: set[str] = set()
        self._compared: object = None
        self._stored = True
        self._result: TrialResult | None = None
        self._report_due: float | None = None
        self._arriving = False
        self._retry_at: dict[str, float] = {}

    @property
    def state(self) -> FollowState:
        rows = self._sheet.rows if self._sheet is not None else 0
        tried = [clip for clip in self._rows if clip in self._handed]
        failed = sum(clip in self._batch.failures for clip in tried)
        return FollowState(rows, len(tried) - failed, failed)

    def look(self) -> None:
        """Take what is complete, measure some of it, renew what follows from it."""
        self._read_sheet()
        if self._sheet is None:
            return
        ready = self._ready()
        if ready and self._may_try("measuring"):
            self._measure(ready)
        if self._may_try("results"):
            try:
                self._renew(more_to_measure=len(ready) > self._trial.cores)
            except PoolwatchError as error:
                self._announce.trouble("results", f"{error}; tried again")
                self._retry_at["results"] = time.monotonic() + _AGAIN_S
            else:
                self._announce.over("results")
        if not ready and not self._arriving and self._report_due is None:
            self._announce.say_once("idle", f"{self.state.words}; waiting for rows and files, Ctrl-C ends")

    def _may_try(self, what: str) -> bool:
        """Whether enough time has passed since something failed."""
        return time.monotonic() >= self._retry_at.get(what, 0.0)

    def _read_sheet(self) -> None:
        """Read the manifest once it rests; what is half-written, locked or wrong is waited for."""
        before = state_of_text(self._path)
        if not self._resting.rests(self._path, before):
            if before is None:
                self._announce.trouble("sheet", f"{self._path}: is not there, empty or locked; waited for")
            return
        try:
            sheet = read_manifest(
                self._path, check_settings=self._trial.measurer.settings_id, keep_going=True
            )
        except UsageError as error:
            self._announce.trouble("sheet", str(error).replace("nothing was measured", "waited for"))
            return
        if state_of_text(self._path) != before:
            return
        self._announce.over("sheet")
        if not self._sheet:
            self._trial.make_folder()
        # A recording that is away for a while (a network folder, an archive) is still measured.
        away = self._trial.finished_away(sheet)
        for clip in away.keys() - self._handed.keys():
            self._batch.jobs[clip] = away[clip]
            self._handed[clip] = "away"
            self._fresh.add(clip)
        self._sheet = sheet.with_away(away)
        self._rows = {entry.clip: entry for entry in self._sheet.entries}
        for entry in self._sheet.away:
            self._forget_failure(entry.clip)
        self._announce.say_once("sheet", self._sheet.state)
        self._announce.say_new("sheet", in_words(self._sheet.pending))

    def _ready(self) -> dict[str, Hashable]:
        """What row and file are, by clip, where both are complete and not measured as they are now."""
        found: dict[str, Hashable] = {}
        self._arriving = False
        for entry in self._rows.values():
            file = state_of_recording(entry.path)
            if file is None:
                self._forget_failure(entry.clip)
                continue
            key = (file, *_what_counts(entry))
            if self._handed.get(entry.clip) == key:
                continue
            if not self._resting.rests(entry.path, file):
                self._arriving = True
                self._announce.say_new(
                    "arriving", [f"{entry.clip}: is there; measured once it no longer changes"]
                )
                continue
            if self._examine(entry, key):
                found[entry.clip] = key
        return found

    def _forget_failure(self, clip: str) -> None:
        """Of a recording that is away: what failed may have failed for that, so it is tried again once it is back."""
        if clip in self._batch.failures:
            self._handed.pop(clip, None)

    def _examine(self, entry: Entry, key: Hashable) -> bool:
        """Whether a recording opens and is no copy of another one."""
        known = self._examined.get(entry.clip)
        if known is None or known.key != key or (not known.identity and time.monotonic() >= known.again_at):
            identity = ""
            try:
                self._trial.measurer.check_opens(entry.path, entry.settings or self._trial.options.settings)
                identity = self._trial.measurer.fingerprint(entry.path)
            except (PoolwatchError, OSError) as error:
                self._announce.say_new(
                    "trouble", [f"{entry.clip}: does not open yet: {_line(error)}; waited for"]
                )
            known = _Examined(key, identity, time.monotonic() + _AGAIN_S)
            self._examined[entry.clip] = known
        if not known.identity:
            return False
        alike = (clip for clip, other in self._examined.items() if other.identity == known.identity)
        twin = next((clip for clip in alike if clip in self._rows), entry.clip)
        if twin != entry.clip:
            said = f"{entry.clip}: is the same recording as {twin}; a weld counts once: remove the copy"
            self._announce.say_new("trouble", [said])
            return False
        return True

    def _measure(self, ready: dict[str, Hashable]) -> None:
        """Measure as many as there are cores, so that ranking and new arrivals need not wait for all."""
        assert self._sheet is not None
        # Those that a run before this one finished cost nothing, and belong into the first ranking.
        rows = [entry for entry in self._sheet.entries if entry.clip in ready]
        finished = [entry for entry in rows if (self._trial.out / entry.folder / MARK).exists()]
        others = [entry for entry in rows if entry not in finished]
        chosen = [*finished, *others[: self._trial.cores]]
        keys = {entry.clip: ready[entry.clip] for entry in chosen}
        if others:
            names = ", ".join(entry.clip for entry in others[: self._trial.cores])
            self._announce.say("measuring", names)
        try:
            batch = self._trial.measure(
                replace(self._sheet, entries=tuple(chosen), pending=(), away=()), self._progress
            )
        except PoolwatchError as error:
            # Nothing of a clip: a cluster that does not answer, say.
            self._announce.trouble("measuring", f"{error}; tried again")
            self._retry_at["measuring"] = time.monotonic() + _AGAIN_S
            return
        self._announce.over("measuring")
        kept = {clip: text for clip, text in self._batch.failures.items() if clip not in keys}
        self._batch = BatchResult(
            self._batch.jobs | batch.jobs,
            kept | batch.failures,
            self._batch.measured + batch.measured,
            self._batch.resumed + batch.resumed,
        )
        # What grew on while it was measured is another state, and is measured again when it rests.
        self._handed |= keys
        self._fresh |= set(keys)
        for clip, reason in batch.failures.items():
            self._announce.say(
                "failed", f"{clip}: {reason}; tried again when its row or file changes or comes back"
            )
        self._report_due = self._report_due or time.monotonic()

    def _renew(self, *, more_to_measure: bool) -> None:
        """Ranking and tables as soon as anything counts differently, the report once there is time for it."""
        assert self._sheet is not None
        entries = tuple(entry for entry in self._sheet.entries if entry.clip in self._handed)
        if not any(entry.clip not in self._batch.failures for entry in entries):
            return
        now = (entries, dict(self._handed), dict(self._batch.failures))
        if self._compared != now:
            result = self._trial.compare(replace(self._sheet, entries=entries), self._batch)
            try:
                result.write_tables()
            except KeyboardInterrupt:
                # The tables of one comparison belong together.
                result.write_tables()
                raise
            self._announce.figures(result, self._result, self._fresh)
            self._fresh = set()
            self._result, self._compared = result, now
            self._stored = not self._trial.stores
            self._report_due = self._report_due or time.monotonic()
        if self._result is None:
            return
        if self._report_due is not None and (
            not more_to_measure or time.monotonic() - self._report_due >= _REPORT_LATEST_S
        ):
            self._trial.write(self._result)
            self._report_due = None
        if not self._stored:
            self._announce.say_once("note", self._trial.store(self._result))
            self._stored = True


def _what_counts(entry: Entry) -> tuple[Hashable, ...]:
    """What of a row changes the clip's own figures, shape and replicate aside."""
    facts = entry.recording.model_dump_json(exclude={"beam_shape", "replicate"})
    return facts, entry.folder, None if entry.settings is None else state_of_text(entry.settings)


def _line(error: BaseException) -> str:
    return " ".join(str(error).split())


def _silent(notice: Notice) -> None:
    pass
