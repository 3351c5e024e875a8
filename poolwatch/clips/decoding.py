"""Frames of a video in order, each at its own number, damaged ones as None.

The fast way feeds packets to the decoder and hands frames on as long as all is well. At the first sign of damage
(an error, a frame marked corrupt, a frame that fails to come) it stops, and the packets from that frame's keyframe
to the next keyframe are decoded again the careful way, so that the damaged packet is known. What leans on a damaged
picture, up to the next keyframe, counts as damaged too. Damage that still decodes into some picture without an error
cannot be seen by any reader; FFV1 with checksums has none such. So the frame at which reading starts changes no
result. The decoder has one thread: on several, FFmpeg may hand a frame on before another one has marked it corrupt,
and PyAV's log, which they would write to, needs the interpreter's lock: that can hang.
"""

from __future__ import annotations

import collections
import contextlib
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np

from .packets import PacketIndex
from .streams import open_stream

if TYPE_CHECKING:
    from av.container import InputContainer
    from av.packet import Packet
    from av.video.frame import VideoFrame
    from av.video.stream import VideoStream

Numbered = tuple[int, "VideoFrame | None"]

# Decoders that report damage only in their log; the others mark the frame.
_SAY_IT_IN_THE_LOG = ("hevc", "ffv1", "mjpeg", "mpeg4", "vp9", "av1", "libdav1d")
# These give a damaged picture out as if it were whole unless told to be strict.
_STRICT = ("mjpeg", "ffv1")
# Longest reordering that H.264 and HEVC allow.
_REORDER = 16
# More than a decoder holds back.
_HELD_AT_MOST = 100


class Decoding:
    """One open file with its decoder; makes runs of numbered frames.

    Parameters
    ----------
    path
        The file.
    index
        Its packets.
    """

    def __init__(self, path: Path, index: PacketIndex) -> None:
        self._path = path
        self._index = index
        self._container: InputContainer | None = None
        self._open()

    def _open(self) -> None:
        self.close()
        self._container, self._stream = open_stream(self._path)
        # A packet read already, and the number of the one that comes next.
        self._ahead: Packet[VideoStream] | None = None
        context = self._stream.codec_context
        self._codec = context.name
        if self._codec in _STRICT:
            context.options = {"err_detect": "explode"}
        self._by_log = self._codec in _SAY_IT_IN_THE_LOG
        context.thread_count = 1
        context.thread_type = "NONE"
        self._fresh = True
        self._next = 0

    def close(self) -> None:
        """Let go of the file."""
        if self._container is not None:
            self._container.close()
            self._container = None

    def run(self, start: int, stop: int) -> Iterator[Numbered]:
        """Frames [start, stop), every number once and in order; None where a frame is damaged."""
        at = start
        while at < stop:
            for number, frame in self._fast(at, stop):
                if number != at:  # damaged time stamps
                    break
                at = number + 1
                yield number, frame
            if at < stop:
                end = max(at + 1, min(stop, self._careful_until))
                careful = Decoding(self._path, self._index)
                try:
                    for number, frame in careful._carefully(at, end):
                        yield number, frame
                finally:
                    careful.close()
                at = end

    def _fast(self, start: int, stop: int) -> Iterator[Numbered]:
        """Frames from `start` on, until `stop` or the first sign of damage; says how far to be careful."""
        index = self._index
        packet_number = index.key_before(start)
        last = self._last_packet(start, stop)
        self._careful_until = stop
        held: collections.deque[tuple[int, VideoFrame]] = collections.deque()
        hold, reorder = 0, 0 if index.intra else self._stream.codec_context.has_b_frames
        if reorder:
            # As many packets more as a frame can be late: what comes out behind a later one has a damaged number.
            hold, last = _REORDER, min(last + reorder, len(index) - 1) if index.ordered else last
        # Frames that must come, in this order. Those before `start` count too: later ones lean on them.
        must = np.sort(index.frame[packet_number : last + 1])
        coming = iter(must[must >= min(int(index.frame[packet_number]), start)].tolist())
        due = next(coming, len(index))
        sequence = index.frames_from(packet_number)
        errors = self._error_count()
        for number, packet in self._packets(packet_number, last):
            frames = self._decode(packet, number)
            trouble = frames is None or index.damaged[number] or self._error_count() != errors
            for frame in frames or ():
                shown, sequence = self._shown(frame, sequence)
                if shown >= due:
                    trouble = trouble or frame.is_corrupt or shown != due
                    due = next(coming, len(index))
                    if not trouble and start <= shown < stop:
                        held.append((shown, frame))
            if trouble:
                self._careful_until = index.frames_from(index.key_after(number))
                return
            while len(held) > hold:
                yield held.popleft()
        for frame in self._drain():
            shown, sequence = self._shown(frame, sequence)
            if shown >= due:
                # Frames from `stop` on count too: those before may be built on them.
                if frame.is_corrupt or shown != due or self._error_count() != errors:
                    self._drained_whole = False
                    break
                due = next(coming, len(index))
                if start <= shown < stop:
                    held.append((shown, frame))
        if not self._drained_whole:
            self._careful_until = index.frames_from(index.key_after(last))
            return
        yield from held

    def _carefully(self, start: int, stop: int) -> Iterator[Numbered]:
        """Frames [start, stop), None where damaged or leaning on a damaged one.

        All packets between two keyframes are read, whichever of their frames are asked for, and none that leans on a
        damaged one: the decoder would give out others in another order.
        """
        index = self._index
        apart = index.ordered and not index.intra
        first, last = index.key_before(start), self._last_packet(start, stop)
        if apart:
            last = index.key_after(last) - 1
        due = start
        sequence = index.frames_from(first)
        bad: set[int] = set()  # damaged packets and those that lean on them
        # A frame may be shown before the damaged one that it leans on: it waits until that has come out.
        held: collections.deque[tuple[int, VideoFrame]] = collections.deque()
        hold = 0 if index.intra else _REORDER
        for number, packet in self._packets(first, last):
            if apart and number in bad:
                continue
            out = self._finish() if apart and number > first and index.closed(number) else []
            errors = self._error_count()
            frames = self._decode(packet, number)
            leading = index.frame[number] < index.frame[first]
            damaged = frames is None or index.damaged[number] or self._error_count() != errors
            damaged = damaged or any(frame.is_corrupt and frame.pts == number for frame in frames or ())
            out += frames or ()
            if damaged and not leading:
                bad.update(index.leaning_on(number))
                if apart:
                    out += self._finish()
            for frame in out:
                shown, sequence = self._shown(frame, sequence)
                self._note_corrupt(frame, shown, first, bad)
                held.append((shown, frame))
            while len(held) > hold:
                shown, frame = held.popleft()
                yield from _up_to(due, stop, shown, frame, bad)
                due = max(due, shown + 1)
        for frame in self._drain():
            shown, sequence = self._shown(frame, sequence)
            self._note_corrupt(frame, shown, first, bad)
            held.append((shown, frame))
        for shown, frame in held:
            yield from _up_to(due, stop, shown, frame, bad)
            due = max(due, shown + 1)
        yield from ((lost, None) for lost in range(due, stop))

    def _finish(self) -> list[VideoFrame]:
        """The frames still in the decoder, which then begins afresh."""
        frames = self._drain()
        self._stream.codec_context.flush_buffers()
        return frames

    def _note_corrupt(self, frame: VideoFrame, shown: int, first: int, bad: set[int]) -> None:
        """Add what leans on a corrupt frame to `bad`.

        Frames shown before that of packet `first`, where decoding began, lean on what was not decoded at all.
        """
        if frame.is_corrupt and frame.pts is not None and shown >= self._index.frame[first]:
            bad.update(self._index.leaning_on(frame.pts))

    def _last_packet(self, start: int, stop: int) -> int:
        """Last packet, in decoding order, that frames [start, stop) need."""
        index = self._index
        if index.ordered:
            return int(index.packet_of[start:stop].max())
        return min(stop - 1 + _REORDER, len(index) - 1)

    def _shown(self, frame: VideoFrame, sequence: int) -> tuple[int, int]:
        """Number of a frame; packets carry their own number as time stamp through the decoder."""
        if self._index.ordered and frame.pts is not None:
            return int(self._index.frame[frame.pts]), sequence + 1
        if frame.pts is not None and self._index.key[frame.pts]:
            # Whatever was lost before it: all frames of the packets before a keyframe are shown before it.
            sequence = max(sequence, frame.pts)
        return sequence, sequence + 1

    def _decode(self, packet: Packet[VideoStream] | None, number: int) -> list[VideoFrame] | None:
        """Frames that come out when `packet` goes in; None on an error, or where the packet is lost."""
        import av

        if packet is None:
            return None
        packet.pts = packet.dts = number
        packet.time_base = Fraction(1, 1000)
        self._fresh = False
        if self._codec != "rawvideo" and _all_zero(packet):
            return None
        try:
            with self._log_counted():
                return self._stream.decode(packet)
        except av.error.FFmpegError:
            return None

    def _drain(self) -> list[VideoFrame]:
        """The frames still in the decoder."""
        import av

        frames: list[VideoFrame] = []
        self._drained_whole = True
        for _ in range(_HELD_AT_MOST):  # an error in one frame must not lose those after it
            try:
                with self._log_counted():
                    frames += self._stream.decode(None)
                break
            except av.error.EOFError:
                break
            except av.error.FFmpegError:
                self._drained_whole = False
                continue
        return frames

    def _error_count(self) -> int:
        import av.logging

        return int(av.logging.get_last_error()[0]) if self._by_log else 0

    @contextlib.contextmanager
    def _log_counted(self) -> Iterator[None]:
        """Let PyAV count the errors that FFmpeg logs, and print nothing."""
        import av.logging

        if not self._by_log or av.logging.get_level() is not None:
            yield
            return
        av.logging.set_level(av.logging.PANIC)
        try:
            yield
        finally:
            av.logging.set_level(None)

    def _packets(self, first: int, last: int) -> Iterator[tuple[int, Packet[VideoStream] | None]]:
        """Packets first to last, numbered in decoding order."""
        import av

        number = self._go_to(first)
        container = cast("InputContainer", self._container)
        try:
            for packet in self._pending(container):
                if packet.size == 0 or packet.is_discard:
                    continue
                while number <= last and self._index.size[number] == 0:  # lost
                    if number >= first:
                        yield number, None
                    number += 1
                if number > last:
                    self._ahead = packet
                    break
                number += 1
                self._next = number
                if number > first:
                    yield number - 1, packet
        except av.error.FFmpegError:
            self._next = 0

    def _pending(self, container: InputContainer) -> Iterator[Packet[VideoStream]]:
        if self._ahead is not None:
            packet, self._ahead = self._ahead, None
            yield packet
        yield from container.demux(self._stream)

    def _go_to(self, first: int) -> int:
        """Place the container at or before packet `first`; number of the packet that comes next."""
        import av

        if not self._fresh:
            self._drain()
            self._stream.codec_context.flush_buffers()
        elif first == 0:
            self._fresh = False
            return 0
        container = cast("InputContainer", self._container)
        if not self._index.jumps:
            if 0 < self._next <= first:
                return self._next
        elif first > 0 and self._index.time[first] >= 0:
            self._ahead = None
            try:
                container.seek(int(self._index.time[first]), stream=self._stream, backward=True)
                packet = next(p for p in container.demux(self._stream) if p.size and not p.is_discard)
                number = self._index.number_at(packet.pos)
                if number is not None and number <= first:
                    self._ahead = packet
                    return number
            except (av.error.FFmpegError, StopIteration):
                pass
        self._open()
        return 0


def _up_to(due: int, stop: int, shown: int, frame: VideoFrame, bad: set[int]) -> Iterator[Numbered]:
    """The frames lost before `shown`, then that one; none before `due` and none from `stop` on.

    What comes out behind a later one has a damaged number: it is lost wherever reading begins and ends.
    """
    yield from ((lost, None) for lost in range(due, min(shown, stop)))
    if due <= shown < stop:
        yield shown, None if frame.is_corrupt or frame.pts in bad else frame


def _all_zero(packet: Packet[VideoStream]) -> bool:
    """Whether a packet is nothing but zeros: a lost block of the disc, which some decoders take for a picture."""
    data = memoryview(packet)
    return not any(data[:16]) and not any(data)
