"""All frames of a clip: pieces decoded and measured here and by helpers, put together by their ends."""

from __future__ import annotations

import contextlib
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import cv2

from ..clips import Reader, open_clip
from ..model.clip import ClipFacts
from ..model.collecting import collecting_seldom
from ..model.crew import Crew, HelperSignal, OwnProcesses, Recruit
from ..model.errors import ClipError, PoolwatchError
from ..model.processes import usable_cores
from .assembly import Assembly, Gathered
from .loading import numba_loading
from .look import ClipLook
from .piece import Ends, Joint, Part, Piece, PieceWork, SeamFrames, block_size
from .settings import MeasureSettings

Progress = Callable[[int, int], None]
Task = Piece | SeamFrames
# Frames in a piece, at least where keyframes allow, and at most: a helper that is lost takes no more with it.
_LEAST, _MOST = 128, 4096
# Pieces that each worker may expect of what is left, so that all end at about the same time.
_TURNS = 3


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
        # How many will be lent is not known before.
        pieces = _Pieces(reader, 2 * look.context, max(usable_cores(), 2) if recruit else workers)
        return _Gathering(reader, look, work, pieces, crew, progress).run()


@dataclass
class RemoteWork:
    """Pieces of a clip as helpers measure them; see `model.crew.CrewWork`."""

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

    def run(self, task: Task) -> Iterator[Part | Ends | Joint | PoolwatchError]:
        """Measure the frames of a piece or of a seam; what cannot be read is an answer, too."""
        with collecting_seldom():
            try:
                if isinstance(task, SeamFrames):
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

    def __init__(self, reader: Reader, least: int, workers: int) -> None:
        self.left = reader.facts.frame_count
        self._workers = workers
        count = self.left // _LEAST if workers > 1 else 1
        self._parts = deque(_at_least(reader.pieces(count), max(least, 1)))
        # Where there is nothing for others to do, a core is left for decoding.
        self.whole = workers > 1 and len(self._parts) == 1

    def take(self) -> Piece | None:
        """The next piece: some of what each worker may expect of what is left."""
        if not self._parts:
            return None
        wanted = min(max(self.left // (_TURNS * self._workers), _LEAST), _MOST)
        piece = self._parts.popleft()
        while self._parts:
            following = self._parts[0]
            if following.start != piece.stop or following.stop - piece.start > wanted:
                break
            piece = Piece(piece.start, self._parts.popleft().stop)
        self.left -= piece.frames
        return piece

    def put_back(self, piece: Piece) -> None:
        """A piece that is to be taken by another, before all others."""
        self._parts.appendleft(piece)
        self.left += piece.frames

    def drop_behind(self, start: int) -> None:
        """Let go of all pieces behind a frame."""
        self._parts = deque(piece for piece in self._parts if piece.start < start)


def _at_least(pieces: list[tuple[int, int]], least: int) -> Iterator[Piece]:
    """Neighbours joined until each has so many frames."""
    start = 0
    stops = [stop for _, stop in pieces]
    total = max(stops)
    for stop in stops:
        if stop - start >= least and (total - stop >= least or stop == total):
            yield Piece(start, stop)
            start = stop
    if start < total:
        yield Piece(start, total)


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
        self._assembly = Assembly(look, work, total)
        self._total, self._done = total, 0
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
        return self._pieces.take()

    def _measure(self, task: Task) -> None:
        """A piece or a seam, here; helpers are looked after meanwhile."""
        if isinstance(task, SeamFrames):
            self._joint(self._work.joint(*task))
            return
        began = 0.0
        try:
            for answer in self._work.measure(self._reader, *task, beside=self._pieces.whole):
                if isinstance(answer, Ends):
                    self._assembly.join(answer)
                    continue
                self._took(task.start, answer)
                # The first one loads the kernels.
                if not began:
                    began = time.perf_counter()
                elif not self._expected:
                    self._expected = True
                    pace = (time.perf_counter() - began) / len(answer.codes)
                    self._crew.expect(pace * self._pieces.left)
                self._serve(wait=False)
        except PoolwatchError as error:
            self._fail(task.start, error)

    def _serve(self, *, wait: bool) -> None:
        for helper, answer in self._crew.answers(wait=wait):
            if isinstance(answer, HelperSignal):
                if helper in self._busy:
                    task, _ = self._busy.pop(helper)
                    self._put_back(task)
                if answer is HelperSignal.FREE:
                    self._give(helper)
                continue
            task, parts = self._busy[helper]
            if isinstance(answer, Part):
                parts.append(answer)
                continue
            del self._busy[helper]
            if isinstance(answer, PoolwatchError):
                self._fail(task.start, answer)
            elif isinstance(answer, Joint):
                self._joint(answer)
            else:
                for part in parts:
                    self._took(answer.start, part)
                self._assembly.join(answer)

    def _give(self, helper: int) -> None:
        task = self._next()
        if task is None:
            self._crew.release(helper)
        else:
            self._busy[helper] = task, []
            self._crew.begin(helper, task)

    def _put_back(self, task: Task) -> None:
        if isinstance(task, SeamFrames):
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
