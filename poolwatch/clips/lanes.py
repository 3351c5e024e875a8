"""A clip that can be decoded from many places at once, read in lanes: each takes the next piece and decodes it alone.

A decoder that works on one frame at a time keeps one core busy and lets the others wait. From each keyframe on decoding
needs nothing before it, so another thread can begin there, with a decoder of its own. What comes out is the same; only
the order in which blocks come is not that of the clip.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Generator, Iterator

from ..model.clip import Block
from .reader import BaseReader, Reader

# Frames in a piece at least, where keyframes allow, and at most: what waits for its turn must not grow.
_LEAST, _MOST = 256, 4096


def lanes_of(reader: Reader, count: int) -> list[tuple[int, int]]:
    """The pieces [start, stop) that up to `count` lanes can share; none where one lane must read all."""
    if count < 2 or not isinstance(reader, BaseReader) or not reader.side_by_side:
        return []
    pieces = reader.pieces(reader.facts.frame_count // _LEAST)
    longest = max((stop - start for start, stop in pieces), default=0)
    return pieces if len(pieces) > 2 and longest <= _MOST else []


def blocks_in_lanes(
    reader: Reader, pieces: list[tuple[int, int]], *, size: int, lanes: int
) -> Generator[Block]:
    """All blocks of the given pieces, each piece's in order, those of several pieces as they come.

    Parameters
    ----------
    reader
        The clip, open; counts what is found.
    pieces
        What `lanes_of` gave.
    size
        Frames in a block.
    lanes
        Pieces decoded at once. No lane begins a piece before all but the last `lanes` of those before are through.

    Raises
    ------
    ClipError
        As `Reader.blocks`; where several pieces fail, what the first of them says.
    """
    assert isinstance(reader, BaseReader)
    shared = _Shared(pieces, lanes)
    threads = []
    try:
        for _ in range(lanes):
            twin = reader.twin()
            thread = threading.Thread(target=shared.run, args=(twin, size), daemon=True)
            thread.start()
            threads.append(thread)
        for block in shared.arrivals():
            yield reader.sent(block.start, block.frames, block.decoded)
    finally:
        shared.over.set()
        for thread in threads:
            thread.join()


class _Shared:
    """What the lanes share: who reads which piece, and the blocks on their way."""

    def __init__(self, pieces: list[tuple[int, int]], lanes: int) -> None:
        self._pieces = pieces
        self._lanes = lanes
        self.over = threading.Event()
        self._change = threading.Condition()
        self._next = 0
        self._unread = set(range(len(pieces)))
        self._failed: dict[int, BaseException] = {}
        self._blocks: queue.Queue[Block | None] = queue.Queue(1)

    def run(self, twin: BaseReader, size: int) -> None:
        """Read piece after piece until there is none left."""
        with twin:
            while (piece := self._take()) is not None:
                start, stop = self._pieces[piece]
                fault: Exception | None = None
                try:
                    # A piece before one that has failed is still read: its blocks come first, or its own fault.
                    for block in twin.blocks(start, stop, size=size):
                        if not self._put(block):
                            break
                except Exception as error:  # noqa: BLE001 - raised again by `arrivals`
                    fault = error
                with self._change:
                    self._unread.discard(piece)
                    if fault is not None:
                        self._failed[piece] = fault
                    self._change.notify_all()
        self._put(None)

    def _take(self) -> int | None:
        with self._change:
            piece = self._next
            self._next += 1
            while piece < len(self._pieces):
                # Behind a fault nothing more is read, nor waited for: a piece that is given up is never through.
                if self.over.is_set() or piece > min(self._failed, default=piece):
                    return None
                if piece - min(self._unread) < self._lanes:
                    return piece
                self._change.wait(0.2)
            return None

    def _put(self, block: Block | None) -> bool:
        while not self.over.is_set():
            with contextlib.suppress(queue.Full):
                self._blocks.put(block, timeout=0.2)
                return True
        return False

    def arrivals(self) -> Iterator[Block]:
        """Blocks as they come; then, where a piece failed, what the first of those raised."""
        ended = 0
        while ended < self._lanes:
            block = self._blocks.get()
            if block is None:
                ended += 1
            else:
                yield block
        if self._failed:
            raise self._failed[min(self._failed)]
