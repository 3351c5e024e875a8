"""All frames of a clip: pieces decoded and measured here and by helpers, put together by their ends."""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..clips import Reader, ReadFindings, findings_of, open_clip
from ..model.clip import ClipFacts
from ..model.collecting import collecting_seldom
from ..model.crew import Crew, OwnProcesses, Recruit, Signal
from ..model.errors import ClipError, PoolwatchError
from ..pool import FIGURES
from .frames import CODES, WORDS, Window
from .loading import numba_loading
from .look import ClipLook
from .memory import hand_back
from .outlines import Outlines
from .piece import OUTLINE_VERTICES, Ends, Joint, Part, PieceWork, block_size
from .seams import Seams
from .settings import MeasureSettings

Progress = Callable[[int, int], None]
# First frame of a piece and the one after its last; or frames at a seam, and the number of the first to be measured.
Task = tuple[Any, int]
# Frames in a piece, at least where keyframes allow, and at most: a helper that is lost takes no more with it.
_LEAST, _MOST = 128, 4096
# Pieces that each worker may expect of what is left, so that all end at about the same time.
_TURNS = 3
# Frames after which freed memory is handed back.
_HAND_BACK = 20_000


@dataclass
class Gathered:
    """Every frame's figures, in px and grey values; what a table has taken over may be let go of.

    Attributes
    ----------
    status
        One word a frame.
    figures
        Column name (see `frames.FIGURES`) → shape (n,); NaN where not measured.
    agitation
        Power of the change of brightness inside the pool over the look's lag, shape (n,).
    ways
        How far metal moved to each frame from the one before, in steps of the clip, shape (n,); NaN where not known.
    outlines
        The outline of every frame, px in the picture.
    sightings
        What may be particles, px in the view; field ``frame`` is the frame in the clip.
    findings
        What reading found.
    """

    status: NDArray[np.object_]
    figures: dict[str, NDArray[np.float64]]
    agitation: NDArray[np.float64]
    ways: NDArray[np.float64]
    outlines: Outlines
    sightings: NDArray[np.void] | None
    findings: ReadFindings


def gather(
    reader: Reader,
    look: ClipLook,
    settings: MeasureSettings,
    *,
    workers: int = 1,
    recruit: Recruit | None = None,
    size: int | None = None,
    progress: Progress | None = None,
) -> Gathered:
    """Measure every frame.

    The clip is cut into pieces at keyframes. Whoever takes one, this process or a helper, decodes and measures it; here
    they are put together by their ends. Neither pieces nor helpers change a digit.

    Parameters
    ----------
    reader
        The clip.
    look
        The first look.
    settings
        The settings that `look` was made with.
    workers
        Processes at work, this one included; others are started where they pay.
    recruit
        Gives the helpers instead.
    size
        Frames in a block; None: as many as 8 MB hold, 8 to 64.
    progress
        Called with frames done and frames in all.

    Raises
    ------
    ClipError
        A piece cannot be read, or not one frame could be decoded.
    """
    size = max(size, look.context) if size is not None else block_size(reader, look)
    work = PieceWork(look.for_frames(), settings, size)
    remote = RemoteWork(reader.facts, work)
    with recruit(remote) if recruit else OwnProcesses(remote, workers - 1) as crew:
        lone = recruit is None and workers < 2
        pieces = _Pieces(reader, 2 * look.context, lone)
        return _Gathering(reader, look, work, pieces, crew, progress).run()


@dataclass
class RemoteWork:
    """Pieces of a clip as helpers measure them; see `model.crew.Work`."""

    facts: ClipFacts
    work: PieceWork

    def __post_init__(self) -> None:
        self._reader: Reader | None = None

    def prepare(self) -> None:
        """Open the clip and load what the kernels take."""
        cv2.setNumThreads(1)
        # What cannot be opened is said by the first piece.
        with numba_loading(), contextlib.suppress(PoolwatchError):
            self._open()

    def _open(self) -> Reader:
        if self._reader is None:
            reader = open_clip(self.facts.path, settings=self.work.settings.clip)
            if replace(reader.facts, path=self.facts.path) != self.facts:
                reader.close()
                raise ClipError(f"{self.facts.path}: has changed while it was measured; measure it again")
            self._reader = reader
        return self._reader

    def run(self, *task: Any) -> Iterator[Part | Ends | Joint | PoolwatchError]:
        """Measure the frames of a piece or of a seam; what cannot be read is an answer, too."""
        with collecting_seldom():
            try:
                if isinstance(task[0], Window):
                    yield self.work.joint(*task)
                else:
                    yield from self.work.measure(self._open(), *task)
            except PoolwatchError as error:
                yield error

    def close(self) -> None:
        """Let go of the clip."""
        if self._reader is not None:
            self._reader.close()


class _Pieces:
    """What nobody has taken yet, in order."""

    def __init__(self, reader: Reader, least: int, lone: bool) -> None:
        total = reader.facts.frame_count
        whole = [(0, total)]
        self._parts = deque(whole if lone else _at_least(reader.pieces(total // _LEAST), max(least, 1)))
        self.left = total

    def take(self, workers: int) -> tuple[int, int] | None:
        """The next piece for one of so many workers."""
        if not self._parts:
            return None
        wanted = min(max(self.left // (_TURNS * workers), _LEAST), _MOST)
        start, stop = self._parts.popleft()
        while self._parts and self._parts[0][0] == stop and self._parts[0][1] - start <= wanted:
            stop = self._parts.popleft()[1]
        self.left -= stop - start
        return start, stop

    def put_back(self, piece: tuple[int, int]) -> None:
        """A piece that is to be taken by another, before all others."""
        self._parts.appendleft(piece)
        self.left += piece[1] - piece[0]

    def drop_behind(self, start: int) -> None:
        """Let go of all pieces behind a frame."""
        self._parts = deque(piece for piece in self._parts if piece[0] < start)


def _at_least(pieces: list[tuple[int, int]], least: int) -> Iterator[tuple[int, int]]:
    """Neighbours joined until each has so many frames."""
    start = 0
    total = pieces[-1][1]
    for _, stop in pieces:
        if stop - start >= least and (total - stop >= least or stop == total):
            yield start, stop
            start = stop
    if start < total:
        yield start, total


class _Gathering:
    """Hands out pieces, measures others, and puts together what comes."""

    def __init__(
        self,
        reader: Reader,
        look: ClipLook,
        work: PieceWork,
        pieces: _Pieces,
        crew: Crew,
        progress: Progress | None,
    ) -> None:
        self._reader, self._look, self._work = reader, look, work
        self._pieces, self._crew, self._progress = pieces, crew, progress
        total = reader.facts.frame_count
        self._assembly = _Assembly(look, work, total)
        self._total, self._done = total, 0
        self._helpers: set[int] = set()
        self._busy: dict[int, tuple[Task, list[Part]]] = {}
        self._failed: dict[int, PoolwatchError] = {}
        self._expected = False

    def run(self) -> Gathered:
        """All of it."""
        while True:
            self._serve(wait=False)
            task = self._next()
            if task is not None:
                self._measure(task)
            elif self._busy:
                self._serve(wait=True)
            else:
                break
        if self._failed:
            raise self._failed[min(self._failed)]
        return self._assembly.finish(self._reader)

    def _next(self) -> Task | None:
        """What is to be done next: what pieces have left before another piece."""
        if self._assembly.joints:
            return self._assembly.joints.popleft()
        return self._pieces.take(1 + len(self._helpers))

    def _measure(self, task: Task) -> None:
        """A piece or a seam, here; helpers are looked after meanwhile."""
        if isinstance(task[0], Window):
            self._joint(self._work.joint(*task))
            return
        start, began, timed = task[0], 0.0, 0
        try:
            for answer in self._work.measure(self._reader, *task):
                if isinstance(answer, Ends):
                    self._assembly.join(answer)
                    continue
                self._took(start, answer)
                # The first one loads the kernels.
                if not timed:
                    began, timed = time.perf_counter(), len(answer.codes)
                elif not self._expected:
                    self._expected = True
                    pace = (time.perf_counter() - began) / len(answer.codes)
                    self._crew.expect(pace * (self._total - self._done))
                self._serve(wait=False)
        except PoolwatchError as error:
            self._fail(start, error)

    def _serve(self, *, wait: bool) -> None:
        for helper, answer in self._crew.answers(wait=wait):
            if isinstance(answer, Signal):
                self._helpers.discard(helper)
                if helper in self._busy:
                    self._put_back(self._busy.pop(helper)[0])
                if answer is Signal.FREE:
                    self._helpers.add(helper)
                    self._give(helper)
                continue
            task, parts = self._busy[helper]
            if isinstance(answer, Part):
                parts.append(answer)
                continue
            del self._busy[helper]
            if isinstance(answer, PoolwatchError):
                self._fail(task[0], answer)
            elif isinstance(answer, Joint):
                self._joint(answer)
            else:
                for part in parts:
                    self._took(answer.start, part)
                self._assembly.join(answer)

    def _give(self, helper: int) -> None:
        task = self._next()
        if task is None:
            self._helpers.discard(helper)
            self._crew.release(helper)
        else:
            self._busy[helper] = task, []
            self._crew.begin(helper, task)

    def _put_back(self, task: Task) -> None:
        if isinstance(task[0], Window):
            self._assembly.joints.appendleft(task)
        else:
            self._pieces.put_back(task)

    def _took(self, piece: int, part: Part) -> None:
        self._assembly.add(piece, part)
        self._advance(part)
        # Beside the measuring, once the first block is through.
        self._look.smallest.begin()

    def _joint(self, joint: Joint) -> None:
        self._assembly.joint(joint)
        self._advance(joint.part)

    def _advance(self, part: Part) -> None:
        self._done += len(part.codes)
        if self._progress:
            self._progress(self._done, self._total)

    def _fail(self, start: int, error: PoolwatchError) -> None:
        """Only what lies before matters now: it may fail too, and comes first."""
        self._failed[start] = error
        self._pieces.drop_behind(start)


class _Assembly:
    """Every frame's figures at their place, whichever come first; seams as soon as both sides are there."""

    def __init__(self, look: ClipLook, work: PieceWork, total: int) -> None:
        self._figures = {name: np.full(total, np.nan) for name in FIGURES}
        self._codes = np.zeros(total, dtype=np.uint8)
        self._agitation = np.full(total, np.nan)
        self._ways = np.full(total, np.nan)
        self._outlines = Outlines(OUTLINE_VERTICES)
        self._sightings: dict[int, list[NDArray[np.void]]] = {}
        self._in_order: list[NDArray[np.void]] = []
        self._lag, self._context = look.lag, look.context
        self._seams = Seams(look, work.settings)
        # Frames at seams that nobody has measured yet.
        self.joints: deque[tuple[Window, int]] = deque()
        self._ends: dict[int, Ends] = {}
        self._joined = 0
        self._placed = self._handed_back = 0

    def add(self, piece: int, part: Part) -> None:
        """Take a part of the piece that begins at frame `piece`."""
        self._place(part)
        self._sightings.setdefault(piece, []).append(part.sightings)
        self._placed += len(part.codes)
        if self._placed >= self._handed_back + _HAND_BACK:
            self._handed_back = self._placed
            hand_back()

    def _place(self, part: Part) -> None:
        span = slice(part.start, part.start + len(part.codes))
        self._codes[span], self._agitation[span], self._ways[span] = part.codes, part.agitation, part.ways
        for column, values in zip(self._figures.values(), part.figures.T, strict=True):
            column[span] = values
        self._outlines.put(part.start, part.outlines)

    def join(self, ends: Ends) -> None:
        """A piece is through."""
        self._ends[ends.start] = ends
        while self._joined in self._ends:
            ends = self._ends.pop(self._joined)
            seam = self._seams.join(ends)
            if seam.repeats:
                self._repeat(ends.start)
            if seam.window is not None:
                self.joints.append((seam.window, ends.start - self._context))
            self._in_order += [seam.sightings, *self._sightings.pop(ends.start, [])]
            self._joined = ends.stop

    def joint(self, joint: Joint) -> None:
        """The frames at a seam are measured."""
        self._place(joint.part)
        self._seams.summed(joint.part.start, joint.sums, joint.sums)

    def _repeat(self, frame: int) -> None:
        """Mark a frame that turns out to repeat the one before."""
        self._codes[frame] = CODES["repeated"]
        for column in self._figures.values():
            column[frame] = np.nan
        later = frame + self._lag
        self._agitation[later : later + 1] = np.nan
        self._outlines.remove([frame])

    def finish(self, reader: Reader) -> Gathered:
        """Everything, once all pieces are through."""
        for first, power in self._seams.agitation():
            self._agitation[first : first + len(power)] = power
        codes = self._codes
        undecodable = np.flatnonzero(codes == CODES["undecodable"])
        if len(undecodable) == len(codes):
            raise ClipError(
                f"{reader.facts.path}: not one frame could be decoded; the file is damaged: copy it again from the "
                "camera"
            )
        # Nothing but black comes again as it was in a compressed file: no sign of a doubled frame.
        repeats = codes == CODES["repeated"]
        origin = np.maximum.accumulate(np.where(repeats, 0, np.arange(len(codes))))
        codes[repeats & (codes[origin] == CODES["dark"])] = CODES["dark"]
        sightings = None
        if self._seams.late is not None:
            sightings = np.concatenate([*self._in_order, self._seams.late.finish()])
        return Gathered(
            status=WORDS[codes],
            figures=self._figures,
            agitation=self._agitation,
            ways=self._ways,
            outlines=self._outlines,
            sightings=sightings,
            findings=findings_of(reader.facts, len(codes) - len(undecodable), undecodable.tolist()),
        )
