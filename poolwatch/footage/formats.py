"""The formats footage can be written in: one table with names, endings and what each can hold."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field
from typing import Literal

from pydantic import Field

from ..model.errors import UsageError
from ..model.settings import Settings


class FootageOptions(Settings):
    """Choices that only some formats know; the others ignore them.

    Attributes
    ----------
    quality
        Constant rate factor of lossy H.264 and HEVC, 0 (best) to 51.
    jpeg_quality
        Quantiser scale of motion JPEG, 1 (best) to 31.
    preset
        Speed preset of the H.264 and HEVC encoders.
    keyframe_interval
        Frames from one keyframe to the next in H.264 and HEVC.
    b_frames
        Frames between references that may look forward, in H.264 and HEVC.
    align
        Where values of 9 to 15 bits sit in 16 bits of storage: ``low`` (0 to 4095 for 12 bits) or ``high``
        (times 16). With ``high``, FFV1 stores plain 16 bits.
    big_tiff
        64-bit offsets, for TIFF files above 4 GB.
    byte_order
        Of the values in headerless raw files.
    header_bytes, frame_header_bytes
        Zero bytes before the first frame and before every frame of headerless raw files.
    rotation_deg
        Turn, counter-clockwise, that a player is told to apply; for video in MP4 and MOV.
    """

    quality: int = Field(default=18, ge=0, le=51)
    jpeg_quality: int = Field(default=2, ge=1, le=31)
    preset: str = "veryfast"
    keyframe_interval: int = Field(default=50, ge=1)
    b_frames: int = Field(default=2, ge=0, le=16)
    align: Literal["low", "high"] = "low"
    big_tiff: bool = False
    byte_order: Literal["little", "big"] = "little"
    header_bytes: int = Field(default=0, ge=0)
    frame_header_bytes: int = Field(default=0, ge=0)
    rotation_deg: Literal[0, 90, 180, 270] = 0


@dataclass(frozen=True)
class Format:
    """One way of storing footage.

    Attributes
    ----------
    name
        What `write_frames` calls it.
    ending
        Ending of the file; empty where it is a folder.
    words
        What it is.
    depths
        Bits per value it can hold.
    lossless
        Whether values come back exactly.
    kind
        Which writer makes it: ``video``, ``tiff``, ``stills``, ``npy``, ``hdf5`` or ``raw``.
    how
        What that writer needs to know: codec, compression, packing …
    """

    name: str
    ending: str
    words: str
    depths: tuple[int, ...]
    lossless: bool
    kind: Literal["video", "tiff", "stills", "npy", "hdf5", "raw"]
    how: dict[str, str] = field(default_factory=dict)


_ANY = tuple(range(1, 17))
_EIGHT = tuple(range(1, 9))


def _video(
    name: str, ending: str, words: str, depths: tuple[int, ...], lossless: bool, codec: str, way: str = ""
) -> Format:
    return Format(name, ending, words, depths, lossless, "video", {"codec": codec, "way": way})


_GREY_DEPTHS = (*_EIGHT, 9, 10, 12, 14, 16)
_ALL = (
    _video("avi-ffv1", ".avi", "FFV1 grey in AVI", _GREY_DEPTHS, True, "ffv1"),
    _video("mkv-ffv1", ".mkv", "FFV1 grey in Matroska", _GREY_DEPTHS, True, "ffv1"),
    _video("avi-mjpeg", ".avi", "motion JPEG in AVI", _EIGHT, False, "mjpeg"),
    _video("mov-mjpeg", ".mov", "motion JPEG in QuickTime", _EIGHT, False, "mjpeg"),
    _video("mp4-h264", ".mp4", "H.264, limited range, in MP4", (*_EIGHT, 10), False, "libx264"),
    _video("mov-h264", ".mov", "H.264, limited range, in QuickTime", (*_EIGHT, 10), False, "libx264"),
    _video("mkv-h264", ".mkv", "H.264, limited range, in Matroska", (*_EIGHT, 10), False, "libx264"),
    _video(
        "mp4-h264-lossless",
        ".mp4",
        "H.264 grey without loss, in MP4",
        (*_EIGHT, 10),
        True,
        "libx264",
        "exact",
    ),
    _video(
        "mkv-h264-lossless",
        ".mkv",
        "H.264 grey without loss, in Matroska",
        (*_EIGHT, 10),
        True,
        "libx264",
        "exact",
    ),
    _video("mp4-hevc", ".mp4", "HEVC, limited range, in MP4", (*_EIGHT, 10, 12), False, "libx265"),
    _video("mkv-hevc", ".mkv", "HEVC, limited range, in Matroska", (*_EIGHT, 10, 12), False, "libx265"),
    _video("avi-raw", ".avi", "uncompressed grey in AVI", _EIGHT, True, "rawvideo"),
    _video("nut-raw", ".nut", "uncompressed grey in NUT", (*_EIGHT, 16), True, "rawvideo"),
    Format("tiff", ".tif", "multi-page TIFF", _ANY, True, "tiff", {"compression": ""}),
    Format("tiff-lzw", ".tif", "multi-page TIFF, LZW", _ANY, True, "tiff", {"compression": "lzw"}),
    Format(
        "tiff-deflate",
        ".tif",
        "multi-page TIFF, deflate",
        _ANY,
        True,
        "tiff",
        {"compression": "adobe_deflate"},
    ),
    Format("png-folder", "", "folder of numbered PNG stills", _ANY, True, "stills", {"ending": ".png"}),
    Format("tiff-folder", "", "folder of numbered TIFF stills", _ANY, True, "stills", {"ending": ".tif"}),
    Format("npy", ".npy", "NumPy array (frames, rows, columns)", _ANY, True, "npy"),
    Format("hdf5", ".h5", "HDF5 data set 'frames'", _ANY, True, "hdf5", {"compression": ""}),
    Format("hdf5-gzip", ".h5", "HDF5 data set 'frames', gzip", _ANY, True, "hdf5", {"compression": "gzip"}),
    Format("raw", ".raw", "headerless values with a TOML sidecar", _ANY, True, "raw", {"packing": "none"}),
    Format(
        "raw-mono12p",
        ".raw",
        "headerless, packed Mono12p, with a TOML sidecar",
        (12,),
        True,
        "raw",
        {"packing": "mono12p"},
    ),
    Format(
        "raw-mono12packed",
        ".raw",
        "headerless, packed Mono12Packed, with a TOML sidecar",
        (12,),
        True,
        "raw",
        {"packing": "mono12packed"},
    ),
    Format(
        "raw-mono10p",
        ".raw",
        "headerless, packed Mono10p, with a TOML sidecar",
        (10,),
        True,
        "raw",
        {"packing": "mono10p"},
    ),
)
FORMATS: dict[str, Format] = {entry.name: entry for entry in _ALL}


def footage_format(name: str) -> Format:
    """Look up a format by name.

    Raises
    ------
    UsageError
        There is no such format; the message lists those there are.
    """
    try:
        return FORMATS[name]
    except KeyError:
        near = difflib.get_close_matches(name, FORMATS, n=1)
        hint = f"; did you mean {near[0]!r}" if near else ""
        raise UsageError(f"no footage format {name!r}{hint}; known: {', '.join(FORMATS)}") from None
