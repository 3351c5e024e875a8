"""What every reader of recordings offers, what it is told, and what it finds."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from ..model.clip import Block, ClipFacts
from ..model.errors import ClipError
from ..model.flags import check_flags
from .depth import SAMPLE_FRAMES, effective_depth
from .settings import ClipSettings


@dataclass(frozen=True)
class ReadFindings:
    """What reading has shown so far, beyond what opening could tell.

    Attributes
    ----------
    frames_decoded
        Frames given out with their picture by `blocks`.
    undecodable
        Numbers of the frames that were given out as rows of zeros because their data are damaged.
    truncated
        Whether the file ends before its header says.
    promised
        Frames that the header claims, where it claims anything.
    notes
        The same in words.
    """

    frames_decoded: int = 0
    undecodable: tuple[int, ...] = ()
    truncated: bool = False
    promised: int | None = None
    notes: tuple[str, ...] = ()


def findings_of(facts: ClipFacts, decoded: int, undecodable: Iterable[int]) -> ReadFindings:
    """What reading a clip with these facts has shown, with so many frames decoded and those that could not be."""
    bad = tuple(sorted(undecodable))
    notes = () if not bad else (f"{len(bad)} damaged frames, the first is frame {bad[0]}",)
    return ReadFindings(decoded, bad, "truncated" in facts.flags, facts.promised_count, notes)


@runtime_checkable
class Reader(Protocol):
    """A recording, open for reading. Made by `poolwatch.clips.open_clip`; use it in a ``with`` block.

    Attributes
    ----------
    facts
        What is known without reading all of it.
    """

    facts: ClipFacts

    def blocks(self, start: int = 0, stop: int | None = None, *, size: int = 64) -> Iterator[Block]:
        """Consecutive frames [start, stop) in blocks of `size`, the last one shorter.

        Values keep their native depth; limited-range video is expanded. A frame that cannot be decoded is a
        row of zeros with ``decoded`` False. The size of a block never changes a value.
        """
        ...

    def frames(self, indices: Iterable[int]) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Single frames, shape (len(indices), height, width); damaged ones are zeros."""
        ...

    def pieces(self, count: int) -> list[tuple[int, int]]:
        """Cut the clip into at most `count` ranges [start, stop) that can be decoded side by side without waste."""
        ...

    def cheap_frames(self, count: int) -> list[int]:
        """About `count` frame numbers spread over the clip that are quick to reach with `frames`."""
        ...

    def findings(self) -> ReadFindings:
        """What has been found while reading with this reader."""
        ...

    def close(self) -> None:
        """Let go of the file; may be called again."""
        ...

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None: ...


class BaseReader:
    """What all readers share: checks of ranges, blocks, counting what was found.

    A reader sets `facts` and gives `_read`; formats that are read frame by frame need nothing else.
    """

    facts: ClipFacts

    def __init__(self) -> None:
        self._closed = False
        self._decoded_count = 0
        self._undecodable: set[int] = set()
        self._top: float | None = None  # set where the depth was found in a sample: values above refute it

    def _read(self, start: int, stop: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        """Frames [start, stop) and whether each could be decoded."""
        raise NotImplementedError

    def _release(self) -> None:
        """Let go of the file."""

    def blocks(self, start: int = 0, stop: int | None = None, *, size: int = 64) -> Iterator[Block]:
        """See `Reader.blocks`."""
        start, stop = self._range(start, stop, size)
        for first in range(start, stop, size):
            self._check_open()
            frames, decoded = self._read(first, min(first + size, stop))
            yield self._block(first, frames, decoded)

    def _block(self, first: int, frames: NDArray[Any], decoded: NDArray[np.bool_]) -> Block:
        good = int(np.count_nonzero(decoded))
        self._decoded_count += good
        if good < len(decoded):
            self._undecodable.update((first + np.flatnonzero(~decoded)).tolist())
        if self._top is not None and frames.size and frames.max() > self._top:
            number = first + int(np.argmax(frames.reshape(len(frames), -1).max(axis=1) > self._top))
            raise ClipError(
                f"{self.facts.path}: frame {number} holds {int(frames.max())}, but from a sample of the clip its "
                f"full scale was taken as {self._top:g} ({self.facts.depth_bits} bits); give depth_bits"
            )
        return Block(first, frames, decoded)

    def frames(self, indices: Iterable[int]) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """See `Reader.frames`."""
        numbers = self._numbers(indices)
        out = np.zeros((len(numbers), self.facts.height, self.facts.width), self.facts.dtype)
        for place, number in enumerate(numbers):
            out[place] = self._read(number, number + 1)[0][0]
        return out

    def pieces(self, count: int) -> list[tuple[int, int]]:
        """See `Reader.pieces`."""
        total = self.facts.frame_count
        edges = sorted({round(total * part / max(count, 1)) for part in range(max(count, 1) + 1)})
        return list(itertools.pairwise(edges))

    def cheap_frames(self, count: int) -> list[int]:
        """See `Reader.cheap_frames`."""
        return spread(self.facts.frame_count, count)

    def findings(self) -> ReadFindings:
        """See `Reader.findings`."""
        return findings_of(self.facts, self._decoded_count, self._undecodable)

    def close(self) -> None:
        """See `Reader.close`."""
        if not self._closed:
            self._closed = True
            self._release()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _check_open(self) -> None:
        if self._closed:
            raise ClipError(f"{self.facts.path}: has been closed; open it again with open_clip")

    def _settle(
        self,
        provisional: ClipFacts,
        settings: ClipSettings,
        *,
        stated_bits: int | None = None,
    ) -> None:
        """Find the effective depth from frames across the clip, and set `facts` for good."""
        self.facts = provisional
        if provisional.dtype == "uint8" and settings.depth_bits is None and stated_bits is None:
            sample: NDArray[Any] = np.zeros((0, 1, 1), np.uint8)  # nothing to find: spare the reading
        else:
            sample = self.frames(self.cheap_frames(SAMPLE_FRAMES))
        depth = effective_depth(provisional.path, sample, settings, stated_bits=stated_bits)
        self._top = depth.full_scale if depth.found else None
        self.facts = replace(
            provisional,
            depth_bits=depth.bits,
            full_scale=depth.full_scale,
            notes=(*provisional.notes, *depth.notes),
            flags=check_flags({*provisional.flags, *depth.flags}),
        )

    def _range(self, start: int, stop: int | None, size: int) -> tuple[int, int]:
        self._check_open()
        total = self.facts.frame_count
        stop = total if stop is None else min(stop, total)
        if size < 1 or start < 0 or start > total:
            raise ClipError(
                f"{self.facts.path}: frames {start} to {stop} in blocks of {size} were asked for; "
                f"the clip has frames 0 to {total - 1}"
            )
        return start, max(start, stop)

    def _numbers(self, indices: Iterable[int]) -> list[int]:
        self._check_open()
        numbers = [int(number) for number in indices]
        total = self.facts.frame_count
        for number in numbers:
            if not 0 <= number < total:
                raise ClipError(
                    f"{self.facts.path}: frame {number} was asked for; the clip has frames 0 to {total - 1}"
                )
        return numbers


def spread(total: int, count: int) -> list[int]:
    """At most `count` numbers spread evenly over 0 to total - 1, first and last included."""
    if total <= count:
        return list(range(total))
    return sorted({round(place) for place in np.linspace(0, total - 1, max(count, 1)).tolist()})


def check_size(path: Path, width: int, height: int, settings: ClipSettings) -> None:
    """Refuse frames too large to be footage, before memory is taken.

    Raises
    ------
    ClipError
        A side is below 1 or the frame has more pixels than `ClipSettings.max_pixels`.
    """
    if width < 1 or height < 1:
        raise ClipError(f"{path}: frames of {width} x {height} px cannot be measured; check the file")
    if width * height > settings.max_pixels:
        raise ClipError(
            f"{path}: frames of {width} x {height} px are above the limit of {settings.max_pixels} pixels; "
            "crop the recording, or raise max_pixels if that size is meant"
        )


def check_type(path: Path, dtype: np.dtype[Any]) -> str:
    """Name of the native type, ``uint8`` or ``uint16``, for values of `dtype`.

    Raises
    ------
    ClipError
        The values are neither.
    """
    if dtype.kind == "u" and dtype.itemsize in (1, 2):
        return f"uint{8 * dtype.itemsize}"
    raise ClipError(
        f"{path}: holds values of type {dtype}, not unsigned 8- or 16-bit integers; "
        "scale them to uint16 before saving, the same for all frames"
    )


def reason_of(error: Exception) -> str:
    """What a library says of damage, in one short line."""
    return " ".join(str(error).split())[:120]


def read_at(file: FileIO, offset: int, out: NDArray[np.uint8]) -> int:
    """Fill `out` with the bytes of an unbuffered file from `offset` on, and zeros behind its end; how many came.

    Read rather than mapped: a file that is cut, or whose disc fails, while it is mapped ends the whole process.

    Raises
    ------
    ClipError
        The disc or the network fails.
    """
    view = out.data.cast("B")
    done = 0
    try:
        file.seek(offset)
        while done < len(view):
            got = file.readinto(view[done:])
            if not got:
                break
            done += got
        out.reshape(-1)[done:] = 0
    except OSError as error:
        raise ClipError(
            f"{file.name}: reading failed ({error.strerror}); check the disc or network, or copy the file to another"
        ) from None
    return done
