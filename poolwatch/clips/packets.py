"""Where every frame of a video lies: an index made by reading packets without decoding them."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .recovery import length_bytes, right_at_once

if TYPE_CHECKING:
    from av.container import InputContainer
    from av.video.stream import VideoStream


@dataclass(frozen=True)
class PacketIndex:
    """Packets in decoding order.

    Attributes
    ----------
    position, size, time
        Place in the file and bytes; time stamp for seeking, in the stream's time base (-1 where none).
        A size of 0 stands in for a packet that even time stamps show to be lost.
    key
        Whether decoding can begin there and gives right pictures at once.
    damaged
        Whether the container itself says that the packet is not whole.
    frame
        Number of the frame that the packet holds, in the order shown.
    packet_of
        The reverse: packet that holds a frame.
    ordered
        False where time stamps cannot tell the order shown (several alike in a stream that reorders, or those of
        decoding): frames are then numbered as the decoder gives them out.
    broken
        Reading stopped at an error, not at the end.
    jumps
        Whether a packet is recognised by its place after a jump in the file.
    """

    position: NDArray[np.int64]
    size: NDArray[np.int64]
    time: NDArray[np.int64]
    key: NDArray[np.bool_]
    damaged: NDArray[np.bool_]
    frame: NDArray[np.int64]
    packet_of: NDArray[np.int64]
    ordered: bool
    broken: bool
    first_frame_from: NDArray[np.int64]
    jumps: bool

    def __len__(self) -> int:
        return len(self.position)

    @property
    def lost(self) -> int:
        """Packets that are not in the file although the time stamps leave a place for them."""
        return int(np.count_nonzero(self.size == 0))

    @property
    def uneven(self) -> bool:
        """Whether time stamps stand in steps that differ by more than rounding; steps under three ticks cannot tell."""
        if len(self) < 8 or (self.time < 0).any():
            return False
        steps = np.diff(np.sort(self.time).astype(np.float64))
        usual = float(np.median(steps))
        return usual >= 3 and float((np.abs(steps - usual) > 1).mean()) > 0.002

    @property
    def intra(self) -> bool:
        """Whether decoding can begin at every packet."""
        return bool(self.key.all())

    @functools.cached_property
    def _places(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Places in the file in order, and the packet at each; none where places do not tell packets apart."""
        known = np.flatnonzero(self.position >= 0)
        numbers = known[np.argsort(self.position[known], kind="stable")]
        places = self.position[numbers]
        if (np.diff(places) == 0).any() or len(places) + self.lost < len(self):
            return places[:0], numbers[:0]
        return places, numbers

    def number_at(self, position: int | None) -> int | None:
        """Packet number at a place in the file; None where places do not tell."""
        places, numbers = self._places
        at = int(np.searchsorted(places, -1 if position is None else position))
        return int(numbers[at]) if at < len(places) and places[at] == position else None

    def key_before(self, frame: int) -> int:
        """Packet of the last keyframe from which decoding reaches `frame`."""
        packet = int(self.packet_of[frame])
        while packet > 0 and not (self.key[packet] and self.frame[packet] <= frame):
            packet -= 1
        return packet

    def key_after(self, packet: int) -> int:
        """The next keyframe's packet after `packet`; the number of packets where there is none."""
        later = np.flatnonzero(self.key[packet + 1 :])
        return packet + 1 + int(later[0]) if len(later) else len(self)

    def closed(self, packet: int) -> bool:
        """Whether `packet` is a keyframe that no frame shown before it comes behind."""
        after = self.frame[packet + 1 : packet + 2]
        return bool(self.key[packet] and not (after < self.frame[packet]).any())

    def leaning_on(self, packet: int) -> list[int]:
        """`packet` and those whose pictures may be built on it: up to the next keyframe, and what leads that one."""
        key = self.key_after(packet)
        leaning = list(range(packet, key))
        after = key + 1
        while after < len(self) and self.frame[after] < self.frame[key]:
            leaning.append(after)
            after += 1
        return leaning

    def frames_from(self, packet: int) -> int:
        """First frame that needs `packet` or a later one."""
        return int(self.first_frame_from[packet]) if packet < len(self) else len(self)


# Every picture of these stands alone, and they are stored in the order shown.
_INTRA = (
    "mjpeg",
    "ffv1",
    "rawvideo",
    "prores",
    "dnxhd",
    "huffyuv",
    "ffvhuff",
    "utvideo",
    "png",
    "jpeg2000",
    "v210",
)


def read_index(container: InputContainer, stream: VideoStream, file_size: int) -> PacketIndex:
    """Index a stream: from the container's own index where it is enough, else by reading all packets."""
    rows = _from_container(container, stream, file_size)
    broken = False
    from_index = rows is not None
    if rows is None:
        rows, broken = _by_reading(container, stream)
    position, size, time, stamped, key, damaged = rows
    while broken and len(position) > 1 and damaged[-1]:
        # The last packet of a file that was cut is cut too: it is no frame.
        for column in rows:
            column.pop()
    if all(stamped):
        _stand_in_for_lost(rows, reorders=bool(stream.codec_context.has_b_frames))
    keys = np.array(key, np.bool_)
    keys[:1] = True
    stamps = np.array(time, np.int64)
    all_stamped = bool(stamped) and all(stamped)
    # Stable: equal stamps (a fast camera in milliseconds) keep the order of decoding.
    by_time = np.argsort(stamps, kind="stable") if all_stamped else np.arange(len(stamps))
    frame = np.empty(len(stamps), np.int64)
    frame[by_time] = np.arange(len(stamps))
    in_order = np.array_equal(by_time, np.arange(len(stamps)))
    reorders = stream.codec_context.name not in _INTRA and (
        bool(stream.codec_context.has_b_frames) or not in_order
    )
    ordered = not reorders or (
        all_stamped and len(np.unique(stamps)) == len(stamps) and not _untimed(container, stream)
    )
    if not (reorders and ordered):
        # As stored. A time stamp out of order where nothing is reordered is damaged.
        frame = np.arange(len(stamps))
    return PacketIndex(
        np.array(position, np.int64),
        np.array(size, np.int64),
        stamps,
        keys,
        np.array(damaged, np.bool_),
        frame,
        np.argsort(frame, kind="stable"),
        ordered,
        broken,
        np.minimum.accumulate(frame[::-1])[::-1] if len(frame) else frame,
        # An entry of AVI's own index is the place of the chunk's head, a packet's place is behind it. To jump there all
        # the same would be wrong: in a damaged AVI a jump by the index shows other pictures than reading on does.
        not (from_index and container.format.name == "avi"),
    )


def _untimed(container: InputContainer, stream: VideoStream) -> bool:
    """Whether the times are those of decoding: AVI has no others, and of H.264 they cannot be told from the packets."""
    return container.format.name == "avi" and stream.codec_context.name == "h264"


Rows = tuple[list[int], list[int], list[int], list[bool], list[bool], list[bool]]


def _from_container(container: InputContainer, stream: VideoStream, file_size: int) -> Rows | None:
    """The index that AVI, MP4 and MOV bring, for codecs without reordering; None where it does not do.

    Reading every packet of a recording of 100 GB takes minutes; this takes none.
    """
    if container.format.name.split(",")[0] not in ("avi", "mov") or stream.codec_context.name not in _INTRA:
        return None
    entries = list(stream.index_entries)
    if not entries or len(entries) != stream.frames:
        return None
    if any(e.size <= 0 or e.pos < 0 or e.pos + e.size > file_size or e.is_discard for e in entries):
        return None
    yes = [True] * len(entries)
    return (
        [e.pos for e in entries],
        [e.size for e in entries],
        [e.timestamp for e in entries],
        yes,
        [e.is_keyframe for e in entries],
        [False] * len(entries),
    )


def _by_reading(container: InputContainer, stream: VideoStream) -> tuple[Rows, bool]:
    """Every packet, and whether reading broke off."""
    import av

    rows: Rows = ([], [], [], [], [], [])
    position, size, time, stamped, key, damaged = rows
    broken = False
    h264, untimed = stream.codec_context.name == "h264", _untimed(container, stream)
    lengths = length_bytes(stream.codec_context.extradata) if h264 else 0
    try:
        for packet in container.demux(stream):
            if packet.size == 0 or packet.is_discard:
                continue
            stamp = packet.pts if packet.pts is not None else packet.dts
            position.append(-1 if packet.pos is None else packet.pos)
            size.append(packet.size)
            time.append(-1 if stamp is None else stamp)
            stamped.append(packet.pts is not None)
            key.append(
                packet.is_keyframe
                and (not h264 or right_at_once(memoryview(packet), lengths, closed=untimed))
            )
            damaged.append(packet.is_corrupt)
    except av.error.FFmpegError:
        broken = True
    return rows, broken or bool(damaged and damaged[-1])


def _stand_in_for_lost(rows: Rows, *, reorders: bool) -> None:
    """Put packets of size 0 where an even series of time stamps has holes, so that later frames keep their numbers.

    Even means: nine tenths of the steps are alike to one tick. Series with steps under three ticks cannot tell.
    """
    position, size, time, stamped, key, damaged = rows
    if len(time) < 8:
        return
    order = np.argsort(np.array(time, np.int64), kind="stable")
    stamps = np.array(time, np.int64)[order]
    steps = np.diff(stamps)
    usual = float(np.median(steps))
    alike = np.abs(steps - usual) <= 1
    if usual < 3 or alike.mean() < 0.9:
        return
    step = float(steps[alike].mean())
    holes = np.flatnonzero(steps > 1.5 * step)
    missing = np.rint(steps[holes] / step).astype(int) - 1
    uneven = np.abs(steps[holes] / step - missing - 1) > 0.25
    if not len(holes) or uneven.any() or missing.sum() > len(time):
        return
    intra = all(key)
    places = sorted(
        ((int(order[hole + 1]), int(stamps[hole]), int(n)) for hole, n in zip(holes, missing, strict=True)),
        reverse=True,
    )
    for shown_next, stamp, count in places:
        before = shown_next
        # Where pictures are reordered, some shown before the hole may lean on what is lost: 16 is the most.
        while reorders and not intra and shown_next - before < 16 and before > 1 and not key[before - 1]:
            before -= 1
        at = slice(before, before)
        position[at] = [-1] * count
        size[at] = [0] * count
        time[at] = [round(stamp + step * (k + 1)) for k in range(count)]
        stamped[at] = [True] * count
        key[at] = [intra] * count
        damaged[at] = [True] * count
