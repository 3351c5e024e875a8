"""A piece of a clip, decoded and measured in one go; what lies at its ends is left for who has the neighbours."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..clips import Reader, repeated
from ..model.clip import Block
from ..model.together import ahead
from ..pool import agitation_powers
from ..pool.coarse import Grey
from ..pool.illuminated import IlluminatedLook
from ..spatter import LateFits, Unsettled
from ..spatter.records import no_sightings
from .dropped_frames import metal_ways
from .frames import FrameWindow, Measured, measure_frames
from .look import ClipLook
from .memory import FreedByFrames
from .outlines import pack_outlines
from .settings import MeasureSettings

# Vertices kept of each outline.
OUTLINE_VERTICES = 96
_BLOCK_BYTES = 8 << 20


class Part(NamedTuple):
    """Figures of consecutive frames.

    Attributes
    ----------
    start
        Number of the first.
    codes
        Status, one of `frames.CODES` a frame, shape (n,).
    figures
        Shape (n, len(FIGURES)); NaN where not measured.
    agitation
        Power of the change of brightness over the look's lag, shape (n,); NaN where not known (yet).
    ways
        How far metal moved from the frame before, in steps of the clip, shape (n,); NaN where not known.
    outlines
        Packed, px in the picture, shape (n, `OUTLINE_VERTICES`, 2).
    sightings
        What may be particles, settled by now, of these and earlier frames of the piece.
    """

    start: int
    codes: NDArray[np.uint8]
    figures: NDArray[np.float64]
    agitation: NDArray[np.float64]
    ways: NDArray[np.float64]
    outlines: NDArray[np.uint16]
    sightings: NDArray[np.void]


class End(NamedTuple):
    """What one end of a piece leaves for the seam.

    Attributes
    ----------
    digest
        Of the outermost frame; empty where it could not be decoded.
    sums
        Diagonal sums of the outermost frames that were measured, at most the look's lag, shape (k, 2, m).
    frames, decoded, doubled
        The outermost frames, twice `ClipLook.context`, cut to the view, and whether each could be decoded and repeats
        the one before it.
    late
        Sightings that wait for what lies beyond; None at the beginning of a piece too short to settle any.
    """

    digest: bytes
    sums: NDArray[np.float32]
    frames: Grey
    decoded: NDArray[np.bool_]
    doubled: NDArray[np.bool_]
    late: Unsettled | None


class Ends(NamedTuple):
    """A piece is through: the frames [start, stop) that were decoded, and what its two ends leave."""

    start: int
    stop: int
    head: End
    tail: End


class Piece(NamedTuple):
    """Frames from `start` up to `stop`, for one process."""

    start: int
    stop: int

    @property
    def frames(self) -> int:
        """How many these are."""
        return self.stop - self.start


class SeamFrames(NamedTuple):
    """Frames at a seam, and the number of the first that is to be measured."""

    window: FrameWindow
    start: int


class Joint(NamedTuple):
    """Frames at a seam of illuminated footage, and their diagonal sums, shape (n, 2, m)."""

    part: Part
    sums: NDArray[np.float32]


@dataclass(frozen=True)
class PieceWork:
    """All that it takes to measure pieces of a clip; pickled once for each process.

    Attributes
    ----------
    look, settings
        The first look, and the settings that it was made with.
    size
        Frames in a block.
    """

    look: ClipLook
    settings: MeasureSettings
    size: int

    def measure(
        self, reader: Reader, start: int, stop: int, *, beside: bool = False
    ) -> Iterator[Part | Ends]:
        """Measure the frames [start, stop), some at a time; then say what the ends leave.

        With `beside`, frames are decoded in a thread of their own while those before them are measured.

        In illuminated footage the first and last `ClipLook.context` frames are left to the seam, unless the clip begins
        or ends there; the piece must be twice as long.
        """
        piece = _Piece(self, start, stop, reader.facts.frame_count)
        freed = FreedByFrames()
        blocks = reader.blocks(start, stop, size=self.size)
        for block in ahead(blocks) if beside else blocks:
            part = piece.add(block)
            if part is not None:
                yield part
            freed.passed(len(block.frames))
        yield piece.ends()

    def joint(self, window: FrameWindow, start: int) -> Joint:
        """Measure the frames at a seam, of which the first has the number `start`."""
        part, measured = self.part(window, start)
        return Joint(part, measured.sums)

    def part(self, window: FrameWindow, start: int) -> tuple[Part, Measured]:
        """Measure a window whose first frame to be measured has the number `start`; agitation is not known yet."""
        look = self.look
        measured = measure_frames(window, look, self.settings)
        n = len(measured.codes)
        ways = np.full(n, np.nan)
        sightings = no_sightings()
        if look.residual is not None and measured.sightings is not None:
            # None of these waits for its fit.
            sightings = measured.sightings
            sightings["frame"] += start
        if isinstance(look.pool, IlluminatedLook):
            ways = metal_ways(window.frames, window.first, window.decoded & ~window.doubled, look.pool)
        return Part(
            start,
            measured.codes,
            measured.figures,
            np.full(n, np.nan),
            ways,
            pack_outlines(measured.outlines, OUTLINE_VERTICES, shift=look.region[:2]),
            sightings,
        ), measured


def block_size(reader: Reader, look: ClipLook) -> int:
    """Frames in a block: as many as 8 MB hold, 8 to 64, and no fewer than the look's windows take."""
    facts = reader.facts
    frame_bytes = facts.height * facts.width * np.dtype(facts.dtype).itemsize
    return max(min(max(_BLOCK_BYTES // frame_bytes, 8), 64), look.context)


def agitation(
    before: NDArray[np.float32], sums: NDArray[np.float32], lag: int
) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    """Agitation of frames with the given sums, NaN where the frame `lag` before is not in `before`; and the last sums.

    Parameters
    ----------
    before
        Sums of at most `lag` frames before them.
    sums
        Theirs, shape (n, 2, m).
    lag
        Frames between the moments compared.
    """
    joined = np.concatenate([before, sums]) if len(before) else sums
    power = np.full(len(sums), np.nan)
    known = len(joined) - lag
    if known > 0 and sums.size:
        agitation_powers(joined[lag:], joined[:known], power[len(sums) - known :])
    return power, joined[-lag:].copy()


class _Piece:
    """Takes the blocks of a piece in order."""

    def __init__(self, work: PieceWork, start: int, stop: int, total: int) -> None:
        look = work.look
        self._work = work
        self._start, self._stop, self._total = start, stop, total
        # The next frame to be measured; frames from `_first` on are held.
        self._next = start + (look.context if start else 0)
        self._first = start
        self._frames: Grey = np.zeros((0, 1, 1), dtype=np.uint8)
        self._decoded = self._doubled = np.zeros(0, dtype=np.bool_)
        self._last: Grey | None = None
        self._digest: bytes | None = None
        self._head: tuple[Grey, NDArray[np.bool_], NDArray[np.bool_]] | None = None
        self._sums = self._head_sums = np.zeros((0, 2, len(look.places)), dtype=np.float32)
        self._late = None
        if look.spatter is not None and look.residual is None:
            self._late = LateFits(look.spatter, work.settings.spatter, opens=start == 0)

    def add(self, block: Block) -> Part | None:
        """Measure what can be measured now."""
        look = self._work.look
        doubled = repeated(block.frames, self._last) & block.decoded
        # What could not be decoded stands as zeros: black behind it repeats nothing.
        doubled[1:] &= block.decoded[:-1]
        if self._digest is None:
            self._digest = _digest(block.frames[0]) if block.decoded[0] else b""
        self._last = block.frames[-1].copy() if block.decoded[-1] else None
        cut = look.view.of(block.frames, noise=not isinstance(look.pool, IlluminatedLook))
        held = np.concatenate([self._frames, cut]) if len(self._frames) else cut
        # Each step would copy scattered ones again.
        frames: Grey = np.ascontiguousarray(held)
        self._decoded = np.concatenate([self._decoded, block.decoded])
        self._doubled = np.concatenate([self._doubled, doubled])
        end = self._first + len(frames)
        until = end if end == self._total else end - look.context
        part = None
        if until > self._next:
            if self._head is None:
                some = 2 * look.context
                self._head = frames[:some].copy(), self._decoded[:some], self._doubled[:some]
            part = self._measure(frames, until)
            self._next = until
        keep = max(self._next - look.context, self._first) - self._first
        self._frames = frames[keep:].copy()
        self._decoded, self._doubled = self._decoded[keep:], self._doubled[keep:]
        self._first += keep
        return part

    def _measure(self, frames: Grey, until: int) -> Part:
        look = self._work.look
        first, behind = self._next - self._first, until - self._first
        window = FrameWindow(frames, first, self._decoded[first:behind], self._doubled[first:behind])
        part, measured = self._work.part(window, self._next)
        if len(self._head_sums) < look.lag:
            self._head_sums = np.concatenate([self._head_sums, measured.sums])[: look.lag]
        power, self._sums = agitation(self._sums, measured.sums, look.lag)
        part = part._replace(agitation=power)
        if self._late is not None and measured.sightings is not None:
            measured.sightings["frame"] += self._next
            usable = self._next + measured.usable
            part = part._replace(
                sightings=self._late.add(measured.sightings, measured.waiting, usable, until)
            )
        return part

    def ends(self) -> Ends:
        """What is left once all blocks are in."""
        tail = self._frames, self._decoded, self._doubled
        if self._head is None:
            self._head = tail
        head_late, tail_late = (None, None) if self._late is None else (self._late.head, self._late.left)
        return Ends(
            self._start,
            self._stop,
            End(self._digest or b"", self._head_sums, *self._head, head_late),
            End(b"" if self._last is None else _digest(self._last), self._sums, *tail, tail_late),
        )


def _digest(frame: Grey) -> bytes:
    return hashlib.blake2b(np.ascontiguousarray(frame).data, digest_size=16).digest()
