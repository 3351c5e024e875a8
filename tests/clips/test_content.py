"""A recording is known by its content, whatever its ending; what is none is refused with what it is."""

from __future__ import annotations

import io
import struct
import wave
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, cast

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from poolwatch.clips import open_clip
from poolwatch.clips.opening import reader_name
from poolwatch.footage import FORMATS, write_frames
from poolwatch.model.errors import ClipError
from tests.contracts.test_readers import ReaderContract, footage

if TYPE_CHECKING:
    from av.video.stream import VideoStream


def cine_bytes(frames: NDArray[Any], *, bits: int, rate_hz: int) -> bytes:
    """A camera's raw container as FFmpeg's demuxer "cine" reads it (libavformat/cinedec.c); rows from the bottom up.

    The layout is from memory of that file: the header, a BITMAPINFOHEADER, the camera's settings, the places of the
    frames, each frame behind its own small head. Every number that the demuxer does not ask for is 0.
    """
    count, height, width = frames.shape
    header, info, settings = 44, 40, 140 + 0x1640
    places = header + info + settings
    first = places + 8 * count
    out = b"CI" + struct.pack("<3HiIiI", header, 0, 1, 0, count, 0, count)
    out += struct.pack("<3IQ", header, header + info, places, 0)
    size = frames[0].nbytes
    out += struct.pack("<IiiHHIIiiII", info, width, height, 1, 8 * frames.itemsize, 0, size, 0, 0, 0, 0)
    said = bytearray(settings)
    struct.pack_into("<2sH", said, 140, b"ST", settings - 140)
    struct.pack_into("<I", said, 768, rate_hz)
    struct.pack_into("<I", said, 896, bits)
    out += bytes(said)
    out += b"".join(struct.pack("<Q", first + number * (8 + size)) for number in range(count))
    return out + b"".join(struct.pack("<II", 8, size) + frame[::-1].tobytes() for frame in frames)


def y4m_bytes(frames: NDArray[Any], *, bits: int) -> bytes:
    """YUV4MPEG2, which many programs of free video tools pass on to one another; grey, low bits of 16."""
    _, height, width = frames.shape
    head = f"YUV4MPEG2 W{width} H{height} F25:1 Ip A1:1 Cmono{'' if bits == 8 else bits} XCOLORRANGE=FULL\n"
    return head.encode() + b"".join(b"FRAME\n" + frame.tobytes() for frame in frames)


class TestCine8(ReaderContract):
    reader = "video"

    @classmethod
    def write(cls, folder: Path, frames: NDArray[Any]) -> Path:
        path = folder / "clip.cine"
        path.write_bytes(cine_bytes(frames, bits=8, rate_hz=20_000))
        return path


class TestY4m12(ReaderContract):
    reader = "video"
    depth_bits: ClassVar[int] = 12

    @classmethod
    def write(cls, folder: Path, frames: NDArray[Any]) -> Path:
        path = folder / "clip"
        path.write_bytes(y4m_bytes(frames, bits=12))
        return path


def test_12_bits_bottom_up_keep_every_value(tmp_path: Path) -> None:
    frames = footage(6, (37, 51), 12)
    (tmp_path / "a.raw").write_bytes(cine_bytes(frames, bits=12, rate_hz=20_000))
    with open_clip(tmp_path / "a.raw") as clip:
        brightness = clip.frames(range(6)) / clip.facts.full_scale
    # FFmpeg spreads 12 bits over 16: full scale stays full scale.
    assert brightness == pytest.approx(frames / 4095, abs=1 / 65535)


@pytest.mark.parametrize("ending", ["", ".odd", ".bin", ".tif", ".h5", ".csv"])
@pytest.mark.parametrize(
    "format", ["avi-mjpeg", "mp4-h264-lossless", "mkv-ffv1", "nut-raw", "tiff", "npy", "hdf5"]
)
def test_content_decides(tmp_path: Path, format: str, ending: str) -> None:
    frames = footage(5, (32, 48), 8)
    made = write_frames(tmp_path / f"a{FORMATS[format].ending}", frames, format=format, depth_bits=8)
    with open_clip(made) as clip:
        expected, reader = clip.frames(range(5)), clip.facts.reader
    other = made.rename(tmp_path / f"other{ending}")
    with open_clip(other) as clip:
        assert clip.facts.reader == reader
        assert np.array_equal(clip.frames(range(5)), expected)
        assert np.array_equal(np.concatenate([block.frames for block in clip.blocks()]), expected)


@pytest.mark.parametrize(
    ("container", "codec"),
    [
        ("mpegts", "libx264"),
        ("flv", "libx264"),
        ("asf", "wmv2"),
        ("mxf", "mpeg2video"),
        ("mpeg2video", "mpeg2video"),
    ],
)
def test_containers_that_poolwatch_does_not_write(tmp_path: Path, container: str, codec: str) -> None:
    frames = np.add.outer(np.arange(288), np.arange(352) // 3)[None] // 4 + np.arange(12)[:, None, None] * 5
    path = tmp_path / "a.recorder"
    with av.open(str(path), "w", format=container) as out:
        stream = cast("VideoStream", out.add_stream(codec, rate=25))
        stream.height, stream.width = frames.shape[1:]
        stream.pix_fmt, stream.bit_rate = "yuv420p", 4_000_000
        for number, frame in enumerate(frames.astype(np.uint8)):
            picture = av.VideoFrame.from_ndarray(frame, format="gray").reformat(format="yuv420p")
            picture.pts = number
            out.mux(stream.encode(picture))
        out.mux(stream.encode(None))
    with open_clip(path) as clip:
        (block,) = clip.blocks()
        assert "lossy_video" in clip.facts.flags
        assert block.decoded.all()
    # Grey is written in limited range, and read back expanded.
    assert np.abs(block.frames.astype(float) - frames).mean() < 2


def sound() -> bytes:
    with io.BytesIO() as out:
        with wave.open(out, "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(8000)
            file.writeframes(bytes(16000))
        return out.getvalue()


def archive() -> bytes:
    with io.BytesIO() as out:
        with zipfile.ZipFile(out, "w") as file:
            file.writestr("a.txt", "x" * 1000)
        return out.getvalue()


PLAYLIST = "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nreal.mkv\n#EXT-X-ENDLIST\n"
FILES: dict[str, tuple[bytes, str]] = {
    "sound": (sound(), r"sound \(wav\)"),
    "archive": (archive(), "a ZIP archive or an office document"),
    "document": (b"%PDF-1.7\n" + bytes(500), "a PDF document"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(500), r"a single picture \(PNG\)"),
    "text": (("größe ± µ\r\n" * 900).encode(), "text"),
    "text of Windows": (("größe ± µ\r\n" * 90).encode("cp1252"), "text"),
    "text of a spreadsheet": ("größe\tµ\r\n".encode("utf-16"), "text"),
    "playlist": (PLAYLIST.encode(), "text"),
    "list of files": (b"ffconcat version 1.0\nfile real.mkv\n", "text"),
    "zeros": (bytes(5000), "in no format that is known here"),
}


@pytest.mark.parametrize("ending", ["", ".xyz", ".avi", ".txt"])
@pytest.mark.parametrize("name", FILES)
def test_what_is_no_recording_is_named(tmp_path: Path, name: str, ending: str) -> None:
    # A playlist must not reach the recording beside it.
    write_frames(tmp_path / "real.mkv", footage(5, (32, 48), 8), format="mkv-ffv1", depth_bits=8)
    content, words = FILES[name]
    path = tmp_path / f"a{ending}"
    path.write_bytes(content)
    if ending == ".avi":
        words = {"sound": "has no video stream", "zeros": "is no video that can be read"}.get(name, words)
    with pytest.raises(ClipError, match=words):
        open_clip(path)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["noise", "walk", "steps", "one value"])
def test_bytes_of_no_kind_are_taken_for_no_video(tmp_path: Path, kind: str) -> None:
    rng = np.random.default_rng(11)
    path = tmp_path / "a.x"
    for _ in range(60):
        count = int(rng.integers(10, 20_000))
        values = {
            "noise": rng.integers(0, 256, count),
            "walk": np.cumsum(rng.normal(0, 40, count)) % 65536,
            "steps": rng.integers(0, 256, 8)[np.arange(count) * 8 // count],
            "one value": np.full(count, rng.integers(0, 256)),
        }[kind]
        path.write_bytes(values.astype(np.uint16 if kind == "walk" else np.uint8).tobytes())
        with pytest.raises(ClipError, match=r"no recording; give a video"):
            reader_name(path)
