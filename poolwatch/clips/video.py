"""Video of any codec that FFmpeg decodes, through PyAV."""

from __future__ import annotations

import itertools
import struct
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..model.clip import DRAWN, Block, ClipFacts
from ..model.errors import ClipError
from .decoding import Decoding
from .luma import Luma
from .packets import PacketIndex, read_index
from .reader import BaseReader, check_size, spread
from .settings import ClipSettings
from .streams import open_stream, throws_detail_away

if TYPE_CHECKING:
    from av.container import InputContainer
    from av.video.frame import VideoFrame
    from av.video.stream import VideoStream


class VideoReader(BaseReader):
    """Reads the first video stream of a file."""

    def __init__(self, path: Path, *, settings: ClipSettings) -> None:
        super().__init__()
        self._path = path
        self._settings = settings
        self._random: Decoding | None = None
        self._idle: Decoding | None = None
        container, stream = open_stream(path)
        try:
            self._open(container, stream)
        finally:
            container.close()

    def _open(self, container: InputContainer, stream: VideoStream) -> None:
        path, settings = self._path, self._settings
        if container.metadata.get("comment") == DRAWN:
            raise ClipError(f"{path}: is a video that poolwatch drew; give the recording itself")
        context = stream.codec_context
        check_size(path, context.width, context.height, settings)
        promised = stream.frames or None
        rate = stream.average_rate or stream.guessed_rate
        words = f"{container.format.name.split(',')[0]}, {context.name}"
        duration = (container.duration or 0) / 1e6
        alone = len(container.streams) == 1
        codec = context.name
        time_base = float(stream.time_base or 0)
        self._index = read_index(container, stream, path.stat().st_size)
        count = len(self._index)
        if count == 0:
            raise ClipError(f"{path}: not one frame is stored in it; copy it again from the camera")
        self._codec = codec
        if codec == "ffv1" and container.format.name == "avi":
            _check_avi_size(path, context.width, context.height)
        first = self._first_picture()
        self._turns = round((first.rotation or 0) / 90) % 4
        self._luma = Luma(first, settings.video_range, codec)
        self._seen = (first.width, first.height, first.format.name)
        height, width = (first.width, first.height) if self._turns % 2 else (first.height, first.width)
        check_size(path, width, height, settings)
        notes = [*self._luma.notes, *self._luma.doubts(first)]
        if self._turns:
            notes.append(f"turned by {90 * self._turns} degrees counter-clockwise, as the file asks")
        flags = {"lossy_video"} if throws_detail_away(context) else set()
        if promised is None and duration and alone:
            promised = _from_duration(self._index, duration, time_base, float(rate or 0))
        self._add_counts(count, promised, flags, notes)
        facts = ClipFacts(
            path,
            "video",
            f"{words}, {first.format.name}",
            width,
            height,
            self._luma.dtype.name,
            self._luma.bits,
            float((1 << self._luma.bits) - 1),
            count,
            promised,
            float(rate) if rate else None,
            notes=tuple(notes),
            flags=tuple(flags),
        )
        # 16-bit grey may hold fewer bits; every other format states its own.
        stated = self._luma.bits if self._luma.bits != 16 else None
        self._settle(facts, settings, stated_bits=stated if stated != 8 else None)

    def _add_counts(self, count: int, promised: int | None, flags: set[str], notes: list[str]) -> None:
        """Say where frames are missing or damaged, by the header's count and by the index."""
        if self._index.broken or (promised is not None and count < promised):
            flags.add("truncated")
            notes.append(f"the file ends after {count} frames" + (f" of {promised}" if promised else ""))
        elif promised is not None and count > promised:
            flags.add("count_disagrees")
            notes.append(f"the header says {promised} frames, {count} are stored")
        if self._index.uneven:
            flags.add("uneven_times")
        if self._index.lost:
            flags.add("missing_frames")
            notes.append(
                f"{self._index.lost} frames are missing by their times and count as undecodable frames"
            )
        if self._index.damaged.any():
            flags.add("undecodable_frames")

    def _first_picture(self) -> VideoFrame:
        """The first picture that can be decoded, of those after the first few keyframes."""
        keys = np.flatnonzero(self._index.key)[:20]
        decoding = Decoding(self._path, self._index)
        try:
            for key in keys.tolist():
                number = int(self._index.frame[key])
                for _, frame in decoding.run(number, number + 1):
                    if frame is not None:
                        return frame
        finally:
            decoding.close()
        raise ClipError(
            f"{self._path}: none of its first pictures ({self._codec}) can be decoded; check that it plays"
        )

    def blocks(self, start: int = 0, stop: int | None = None, *, size: int = 64) -> Iterator[Block]:
        """See `Reader.blocks`."""
        start, stop = self._range(start, stop, size)
        # The next blocks go on with the same decoder.
        decoding, self._idle = self._idle or Decoding(self._path, self._index), None
        try:
            first, frames, decoded = start, *self._empty(min(size, stop - start))
            for number, picture in decoding.run(start, stop):
                self._check_open()
                decoded[number - first] = self._put(frames[number - first], picture, number)
                if number - first == len(frames) - 1:
                    yield self._block(first, frames, decoded)
                    first = number + 1
                    frames, decoded = self._empty(min(size, stop - first))
        finally:
            if self._idle is None and not self._closed:
                self._idle = decoding
            else:
                decoding.close()

    def frames(self, indices: Iterable[int]) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """See `Reader.frames`."""
        numbers = self._numbers(indices)
        out, _ = self._empty(len(numbers))
        out[...] = 0
        if self._random is None:
            self._random = Decoding(self._path, self._index)
        places: dict[int, list[int]] = {}
        for place, number in enumerate(numbers):
            places.setdefault(number, []).append(place)
        wanted = sorted(places)
        begin = 0
        while begin < len(wanted):
            # Frames behind one keyframe are reached in one go.
            key = self._index.key_before(wanted[begin])
            after = self._index.frames_from(self._index.key_after(key))
            end = begin + 1
            while end < len(wanted) and wanted[end] < after:
                end += 1
            for number, picture in self._random.run(wanted[begin], wanted[end - 1] + 1):
                if number in places:
                    first, *others = places[number]
                    self._put(out[first], picture, number)
                    out[others] = out[first]
            begin = end
        return out

    def pieces(self, count: int) -> list[tuple[int, int]]:
        """See `Reader.pieces`."""
        total, count = len(self._index), max(count, 1)
        starts = self._key_frames()
        wanted = total * np.arange(1, count) / count
        behind = np.minimum(np.searchsorted(starts, wanted), len(starts) - 1)
        before = np.maximum(behind - 1, 0)
        nearer = np.where(wanted - starts[before] <= starts[behind] - wanted, starts[before], starts[behind])
        edges = np.unique([0, *nearer.tolist(), total]).tolist()
        return list(itertools.pairwise(edges))

    def cheap_frames(self, count: int) -> list[int]:
        """See `Reader.cheap_frames`."""
        even = spread(len(self._index), count)
        starts = self._key_frames()
        if len(starts) < 2 or self._index.intra:
            return even
        # A keyframe near each even place, where there is one nearer than the next place.
        reach = len(self._index) / max(count, 1) / 2
        chosen = set()
        for place in even:
            near = int(starts[np.argmin(np.abs(starts - place))])
            chosen.add(near if abs(near - place) <= reach else place)
        return sorted(chosen)

    def _key_frames(self) -> NDArray[np.int64]:
        """Keyframes: from each on, decoding needs nothing before it."""
        return np.sort(self._index.frame[self._index.key])

    def _empty(self, count: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        facts = self.facts
        return np.empty((count, facts.height, facts.width), facts.dtype), np.zeros(count, np.bool_)

    def _put(self, out: NDArray[Any], picture: VideoFrame | None, number: int) -> bool:
        """Write a picture's grey values; zeros where there is none."""
        if picture is None:
            out[...] = 0
            return False
        seen = (picture.width, picture.height, picture.format.name)
        if seen != self._seen:
            if seen[:2] != self._seen[:2]:
                width, height, _ = self._seen
                raise ClipError(
                    f"{self._path}: frame {number} is {picture.width} x {picture.height} px, the first is {width} x "
                    f"{height} px; cut the recording where its size changes"
                )
            luma = Luma(picture, self._settings.video_range, self._codec)
            if luma.bits != self._luma.bits:
                raise ClipError(
                    f"{self._path}: frame {number} has {luma.bits} bits, the first {self._luma.bits}; "
                    "cut the recording where its depth changes"
                )
            self._luma, self._seen = luma, seen
        self._luma.into(out, picture, self._turns)
        return True

    def _release(self) -> None:
        for decoding in (self._random, self._idle):
            if decoding is not None:
                decoding.close()
        self._random = self._idle = None


def _from_duration(index: PacketIndex, duration: float, time_base: float, rate: float) -> int | None:
    """Frames that the container's duration promises at the clip's own even spacing, where it clearly promises more.

    One or two frames have no spacing; there the playback rate stands in.
    """
    if time_base <= 0:
        return None
    if len(index) < 3:
        promised = round(duration * rate)
        return promised if promised > len(index) + 2 else None
    span = float(index.time.max() - index.time.min()) * time_base
    if span <= 0:
        return None
    promised = round(duration * (len(index) - 1) / span)
    steps = np.diff(np.sort(index.time))
    even = np.abs(steps - np.median(steps)) <= 1
    # Even steps leave half a frame of doubt, and what rounding to the time base makes of the ends.
    doubt = 0.5 + 1.5 * len(index) * time_base / span if even.mean() > 0.99 else len(index) * 0.02 + 2
    return promised if promised > len(index) + doubt else len(index)


def _check_avi_size(path: Path, width: int, height: int) -> None:
    """Refuse an AVI whose two headers state two sizes: FFV1 takes its size from there, and checks nothing of it.

    The main header ``avih`` comes first in every AVI; width and height are its ninth and tenth numbers.
    """
    with path.open("rb") as file:
        head = file.read(512)
    at = head.find(b"avih")
    if at < 0 or len(head) < at + 48:
        return
    stated = struct.unpack_from("<II", head, at + 8 + 32)
    if all(stated) and stated != (width, height):
        raise ClipError(
            f"{path}: its headers state two picture sizes, {stated[0]} x {stated[1]} and {width} x {height} px; "
            "it is damaged: copy it again from the camera"
        )
