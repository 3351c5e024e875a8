"""Whether an H.264 picture that is marked as a keyframe is one to begin with.

Encoders that refresh the picture bit by bit (periodic intra refresh) send no whole keyframe after the first. Containers
mark the start of each refresh as one all the same.
"""

from __future__ import annotations

from collections.abc import Iterator

# Types of NAL units and of supplemental information, ITU-T H.264, table 7-1 and D.1.1.
_SLICES, _REFRESH, _SEI, _RECOVERY_POINT = range(1, 6), 5, 6, 6


def length_bytes(extradata: bytes | None) -> int:
    """Bytes that state the length of each NAL unit (ISO/IEC 14496-15); 0 where start codes stand between them."""
    return (extradata[4] & 3) + 1 if extradata is not None and len(extradata) > 6 and extradata[0] == 1 else 0


def right_at_once(packet: bytes | memoryview, lengths: int, *, closed: bool) -> bool:
    """Whether pictures decoded from here on are right from the first on.

    Parameters
    ----------
    packet
        All of one picture, marked as a keyframe.
    lengths
        What `length_bytes` gave.
    closed
        Whether it must be an instantaneous refresh besides, so that what is shown before it comes before it too.

    References
    ----------
    ITU-T H.264, D.2.8: recovery point; 7.4.1.2.4: instantaneous decoding refresh.
    """
    for unit in _units(packet, lengths):
        kind = unit[0] & 31
        if kind in _SLICES:
            return kind == _REFRESH or not closed
        if kind == _SEI and _frames_to_recovery(unit) > 0:
            return False
    return not closed


def _units(packet: bytes | memoryview, lengths: int) -> Iterator[bytes]:
    """NAL units one after another, each to its end, or to 1024 bytes: what is asked for stands at their front."""
    if lengths:
        at = 0
        while at + lengths < len(packet):
            size = int.from_bytes(packet[at : at + lengths], "big")
            at += lengths
            if size:
                yield bytes(packet[at : at + min(size, 1024)])
            at += size
        return
    data = bytes(packet[: 1 << 16])
    at = data.find(b"\0\0\1")
    while 0 <= at < len(data) - 3:
        after = data.find(b"\0\0\1", at + 3)
        stop = len(data) if after < 0 else after
        if stop > at + 3:
            yield data[at + 3 : min(stop, at + 3 + 1024)]
        at = after


def _frames_to_recovery(unit: bytes) -> int:
    """Frames from a recovery point to where pictures are right; 0 where the unit names none."""
    # Without the bytes that keep start codes out of the payload.
    data = unit.replace(b"\0\0\3", b"\0\0")
    at = 1
    while at + 2 < len(data) and data[at] != 0x80:
        numbers = []
        for _ in range(2):
            number = 0
            while at < len(data) and data[at] == 255:
                number, at = number + 255, at + 1
            if at >= len(data):
                return 0
            numbers.append(number + data[at])
            at += 1
        kind, size = numbers
        if kind == _RECOVERY_POINT:
            return _exp_golomb(data[at : at + size])
        at += size
    return 0


def _exp_golomb(data: bytes) -> int:
    """The first number of a payload, as H.264 codes it (9.1)."""
    bits = "".join(f"{byte:08b}" for byte in data[:8])
    zeros = len(bits) - len(bits.lstrip("0"))
    code = bits[zeros : 2 * zeros + 1]
    return int(code, 2) - 1 if len(code) == zeros + 1 else 0
