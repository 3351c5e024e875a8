"""Where every frame of a video lies: an index made by reading packets without decoding them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

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
    key
        Whether decoding can begin there.
    damaged
        Whether the container itself says that the packet is not whole.
    frame
        Number of the frame that the packet holds, in the order shown.
    packet_of
        The reverse: packet that holds a frame.
    ordered
        False where time stamps cannot tell the order shown (several alike in a stream that reorders):
        frames are then numbered as the decoder gives them out.
    broken
        Reading stopped at an error, not at the end.
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

    def __len__(self) -> int:
        return len(self.position)

    @property
    def intra(self) -> bool:
        """Whether decoding can begin at every packet."""
        return bool(self.key.all())

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

    def frames_from(self, packet: int) -> int:
        """First frame that needs `packet` or a later one."""
        return int(self.first_frame_from[packet]) if packet < len(self) else len(self)


def read_index(container: InputContainer, stream: VideoStream) -> PacketIndex:
    """Read all packets of a stream; the container is then at its end."""
    import av

    position, size, time, order, key, damaged = [], [], [], [], [], []
    broken = False
    try:
        for packet in container.demux(stream):
            if packet.size == 0 or packet.is_discard:
                continue
            stamp = packet.pts if packet.pts is not None else packet.dts
            position.append(-1 if packet.pos is None else packet.pos)
            size.append(packet.size)
            time.append(-1 if stamp is None else stamp)
            order.append(packet.pts is not None)
            key.append(packet.is_keyframe)
            damaged.append(packet.is_corrupt)
    except av.error.FFmpegError:
        broken = True
    keys = np.array(key, np.bool_)
    if len(keys):
        keys[0] = True
    stamps = np.array(time, np.int64)
    stamped = bool(order) and all(order)
    # Stable: equal stamps (a fast camera in milliseconds) keep the order of decoding.
    by_time = np.argsort(stamps, kind="stable") if stamped else np.arange(len(stamps))
    frame = np.empty(len(stamps), np.int64)
    frame[by_time] = np.arange(len(stamps))
    reorders = bool(stream.codec_context.has_b_frames) or not np.array_equal(by_time, np.arange(len(stamps)))
    ordered = not reorders or (stamped and len(np.unique(stamps)) == len(stamps))
    if not ordered:
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
    )
