"""All frames of a clip: decoded in order, measured side by side, put together in order."""

from __future__ import annotations

import contextlib
import threading
from array import array
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..clips import Reader, ReadFindings, blocks_beside, blocks_in_lanes, lanes_of, repeated
from ..model.clip import Block
from ..model.errors import ClipError
from ..pool import FIGURES, agitation_power
from ..pool.coarse import Grey
from ..spatter import LateFits
from .frames import BlockResult, measure_block
from .look import ClipLook
from .memory import hand_back
from .outlines import Outlines
from .settings import MeasureSettings
from .welds import welds_of

Progress = Callable[[int, int], None]
_OUTLINE_VERTICES = 96
_BLOCK_BYTES = 8 << 20
# Processes that decode beside the first: more would outrun the threads that measure.
_MOST_HELPERS = 3
_MOST_LANES = 4
# Frames after which freed memory is handed back: what threads leave scattered grew to 100 MB in 200,000 frames.
_HAND_BACK = 20_000
# A block with the frames before and after it that measuring needs.
_Part = tuple[Block, Grey | None, Grey | None]


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
    outlines: Outlines
    sightings: NDArray[np.void] | None
    findings: ReadFindings


def gather(
    reader: Reader,
    look: ClipLook,
    settings: MeasureSettings,
    *,
    workers: int = 2,
    block_size: int | None = None,
    progress: Progress | None = None,
) -> Gathered:
    """Measure every frame.

    The calling thread decodes, or others beside it; `workers` threads measure blocks; results are put together in the
    order of the frames, so that neither the number of threads nor the size of a block changes a digit.

    Parameters
    ----------
    reader
        The clip.
    look
        The first look.
    settings
        The settings that `look` was made with.
    workers
        Threads that measure.
    block_size
        Frames in a block; None: as many as 8 MB hold, 8 to 64.
    progress
        Called with frames done and frames in all.

    Raises
    ------
    ClipError
        Not one frame could be decoded.
    """
    if block_size is None:
        facts = reader.facts
        frame_bytes = facts.height * facts.width * np.dtype(facts.dtype).itemsize
        block_size = min(max(_BLOCK_BYTES // frame_bytes, 8), 64)
    assembly = _Assembly(look, settings, progress, reader.facts.frame_count)
    repeats = _Repeats()
    waiting: dict[int, Future[BlockResult]] = {}
    workers = max(workers, 1)
    # One more than is at work, so that none waits: every block in hand is memory.
    free = threading.Semaphore(workers + 1)
    with ThreadPoolExecutor(max_workers=workers) as pool:
        try:
            blocks = _blocks(reader, look, settings, max(block_size, look.context), workers)
            # Closed whatever happens: the processes and threads beside this one end with it.
            with contextlib.closing(blocks):
                for part in _with_context(blocks, look.context):
                    for (block, before, after), doubled in repeats.told(part):
                        free.acquire()
                        future = pool.submit(measure_block, block, doubled, look, settings, before, after)
                        future.add_done_callback(lambda _: free.release())
                        waiting[block.start] = future
                    while assembly.count in waiting and waiting[assembly.count].done():
                        assembly.add(waiting.pop(assembly.count).result())
            while waiting:
                assembly.add(waiting.pop(assembly.count).result())
        except BaseException:
            for future in waiting.values():
                future.cancel()
            raise
    return assembly.finish(reader)


def _blocks(
    reader: Reader, look: ClipLook, settings: MeasureSettings, size: int, workers: int
) -> Generator[Block]:
    """All blocks, decoded on as many cores as there is work for; in order where measuring needs neighbours."""
    # Illuminated footage takes longer to measure than to decode.
    lanes = 1 if look.context else min(workers, _MOST_LANES)
    pieces = lanes_of(reader, lanes)
    if pieces:
        # Smaller ones, for more of them are in hand.
        return blocks_in_lanes(reader, pieces, size=max(size // 2, 8), lanes=lanes)
    helpers = 0 if look.context else min(workers - 1, _MOST_HELPERS)
    return blocks_beside(reader, settings.clip, size=size, helpers=helpers)


class _Repeats:
    """Tells which frames repeat the one before them, of blocks in any order."""

    def __init__(self) -> None:
        # By the frame that follows: the last frame of what has come. By its number: a frame that waits for that.
        self._last: dict[int, Grey | None] = {0: None}
        self._early: dict[int, Block] = {}

    def told(self, part: _Part) -> Iterator[tuple[_Part, NDArray[np.bool_]]]:
        """What can be told now that `part` is here: a block with its neighbours, and which of its frames repeat."""
        block, before, after = part
        if block.start not in self._last:
            # Alone it waits for the frame before it, so that not all of its block has to be kept.
            self._early[block.start] = Block(block.start, block.frames[:1].copy(), block.decoded[:1].copy())
            self._last[block.start + 1] = self._early[block.start].frames[0] if block.decoded[0] else None
            block = Block(block.start + 1, block.frames[1:], block.decoded[1:])
        if len(block.frames):
            stop = block.start + len(block.frames)
            yield (block, before, after), self._of(block)
            self._last[stop] = block.frames[-1].copy() if block.decoded[-1] else None
            if stop in self._early:
                early = self._early.pop(stop)
                yield (early, None, None), self._of(early)

    def _of(self, block: Block) -> NDArray[np.bool_]:
        told = repeated(block.frames, self._last.pop(block.start)) & block.decoded
        # What could not be decoded stands as zeros: black behind it repeats nothing.
        told[1:] &= block.decoded[:-1]
        return told


def _with_context(blocks: Iterable[Block], context: int) -> Iterator[_Part]:
    """Blocks with `context` frames of their neighbours on either side; fewer at the ends of the clip."""
    if context == 0:
        for block in blocks:
            yield block, None, None
        return
    before: Grey | None = None
    held: Block | None = None
    for block in blocks:
        if held is not None:
            yield held, before, block.frames[:context]
            # A block holds at least as many frames as the context.
            before = held.frames[-context:].copy()
        held = block
    if held is not None:
        yield held, before, None


class _Assembly:
    """Takes blocks in order."""

    def __init__(
        self, look: ClipLook, settings: MeasureSettings, progress: Progress | None, total: int
    ) -> None:
        self._look = look
        self._late = None if look.spatter is None else LateFits(look.spatter, settings.spatter)
        self._progress = progress
        self._total = total
        self._status: list[str] = []
        # Bytes that grow in place: one copy of everything, and no small pieces left between large ones.
        self._figures = [bytearray() for _ in FIGURES]
        self._agitation = array("d")
        self._recent: deque[NDArray[np.float32]] = deque(maxlen=look.lag)
        self._sightings = bytearray()
        self._outlines = Outlines(_OUTLINE_VERTICES)
        self._handed_back = 0

    @property
    def count(self) -> int:
        """Frames taken."""
        return len(self._status)

    def add(self, result: BlockResult) -> None:
        for word in result.status:
            # Nothing but black comes again as it was in a compressed file: no sign of a doubled frame.
            dark = word == "repeated" and bool(self._status) and self._status[-1] == "dark"
            self._status.append("dark" if dark else word)
        for column, values in zip(self._figures, result.figures.T, strict=True):
            column += values.tobytes()
        self._outlines.append(result.outlines, shift=self._look.region[:2])
        for now in result.sums:
            known = len(self._recent) == self._look.lag and now.size > 0
            self._agitation.append(agitation_power(now, self._recent[0]) if known else np.nan)
            self._recent.append(now)
        if self._late is not None and result.sightings is not None and result.waiting is not None:
            result.sightings["frame"] += result.start
            settled = self._late.add(
                result.sightings, result.waiting, result.start + result.usable, len(self._status)
            )
            self._sightings += settled.tobytes()
        if self._progress:
            self._progress(len(self._status), max(self._total, len(self._status)))
        if self.count >= self._handed_back + _HAND_BACK:
            self._handed_back = self.count
            hand_back()
        # Beside the measuring, once the first block is through.
        self._look.smallest.begin()

    def finish(self, reader: Reader) -> Gathered:
        findings = reader.findings()
        if findings.frames_decoded == 0:
            raise ClipError(
                f"{reader.facts.path}: not one frame could be decoded; the file is damaged: copy it again from the "
                "camera"
            )
        sightings = None
        if self._late is not None:
            from ..spatter.records import SIGHTING

            self._sightings += self._late.finish().tobytes()
            sightings = np.frombuffer(self._sightings, dtype=SIGHTING)
        return Gathered(
            status=np.array(self._status, dtype=object),
            figures={
                name: np.frombuffer(column) for name, column in zip(FIGURES, self._figures, strict=True)
            },
            agitation=np.frombuffer(self._agitation),
            outlines=self._outlines,
            sightings=sightings,
            findings=findings,
        )


def mark_jumps(gathered: Gathered, lag: int) -> int:
    """Mark frames whose outline jumps away from both its neighbours as ``broken``, and take out all that rests on it.

    A jump is a departure of front, rear, left or right from the median of eleven frames around, of more than 12
    times the usual departure and more than 6 % of the pool's size: no pool moves so far and back in one frame.

    Parameters
    ----------
    gathered
        Every frame's figures and outlines; changed in place.
    lag
        Frames between the moments compared for agitation.

    Returns
    -------
    int
        Frames marked.
    """
    from scipy.ndimage import median_filter

    figures = gathered.figures
    found = [np.empty(0, dtype=np.intp)]
    # Each weld by itself: what is usual in one need not be in the next.
    for start, stop in welds_of(gathered.status):
        ok = start + np.flatnonzero(gathered.status[start:stop] == "ok")
        if len(ok) < 25:
            continue
        size = float(np.sqrt(np.median(figures["area"][ok])))
        bad = np.zeros(len(ok), dtype=bool)
        for name in ("front", "rear", "left", "right"):
            values = figures[name][ok]
            departure = np.abs(values - median_filter(values, 11, mode="nearest"))
            usual = 1.4826 * float(np.median(departure))
            bad |= departure > max(12 * usual, 0.06 * size)
        found.append(ok[bad])
    which = np.concatenate(found)
    gathered.status[which] = "broken"
    for values in figures.values():
        values[which] = np.nan
    # Agitation compares a frame with the one `lag` before it.
    gathered.agitation[which] = np.nan
    later = which + lag
    gathered.agitation[later[later < len(gathered.agitation)]] = np.nan
    gathered.outlines.remove(which)
    return len(which)
