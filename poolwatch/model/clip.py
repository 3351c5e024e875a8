"""The facts about a recording, and a block of its frames."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

# Comment in the header of videos that are drawn here: they look like recordings, and are none.
DRAWN = "drawn by poolwatch, no recording"


@dataclass(frozen=True)
class ClipFacts:
    """What is known of a recording before it is measured.

    Attributes
    ----------
    path
        The file or folder.
    reader
        Name of the reader that took it.
    encoding
        Container and codec, or format and compression, in words.
    width, height
        Frame size as seen (rotation applied), px.
    dtype
        ``uint8`` or ``uint16``: type of the frames a reader gives.
    depth_bits
        Effective depth of a grey value, bits; from the file, found in the data, or given.
    full_scale
        Grey value that is brightness 1.0.
    frame_count
        Frames that can be reached without decoding the whole clip to be sure: the count of stored frames
        or packets; decoding may still find fewer.
    promised_count
        What the file's header claims, where it claims anything.
    playback_rate_hz
        Rate at which the container wants to be played; never the record rate.
    random_access
        Whether single frames can be read without reading all before them.
    notes
        What the reader did to the values, in words (range expanded, colour to luma, bits found …).
    flags
        Names from `poolwatch.model.flags` that hold for the recording as stored.
    """

    path: Path
    reader: str
    encoding: str
    width: int
    height: int
    dtype: str
    depth_bits: int
    full_scale: float
    frame_count: int
    promised_count: int | None = None
    playback_rate_hz: float | None = None
    random_access: bool = True
    notes: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Block:
    """Consecutive frames of a recording.

    Attributes
    ----------
    start
        Number of the first frame in the file, 0-based.
    frames
        Grey values, shape (n, height, width), native depth, read-only by convention.
    decoded
        Shape (n,): False where a frame could not be decoded; its pixels are then 0.
    """

    start: int
    frames: NDArray[np.uint8] | NDArray[np.uint16]
    decoded: NDArray[np.bool_] = field(default_factory=lambda: np.ones(0, dtype=np.bool_))

    def __post_init__(self) -> None:
        if self.frames.ndim != 3:
            raise ValueError(f"frames must have shape (n, height, width), got {self.frames.shape}")
        if self.decoded.size == 0:
            object.__setattr__(self, "decoded", np.ones(len(self.frames), dtype=np.bool_))
        if self.decoded.shape != (len(self.frames),):
            raise ValueError(f"decoded must have shape ({len(self.frames)},), got {self.decoded.shape}")
