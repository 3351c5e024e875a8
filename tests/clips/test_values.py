"""Grey values of video: range, colour, rotation, against encoders and converters outside this project."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from poolwatch.clips import ClipSettings, open_clip
from poolwatch.clips.luma import expansion_table
from poolwatch.footage import FootageOptions, write_frames
from poolwatch.footage.video import limited_range_table


def encode(path: Path, pictures: list[av.VideoFrame], codec: str, pixel_format: str, **options: str) -> Path:
    """Plain PyAV, nothing of ours."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=25, options=options)
        stream.width, stream.height, stream.pix_fmt = pictures[0].width, pictures[0].height, pixel_format
        for picture in pictures:
            out.mux(stream.encode(picture))
        out.mux(stream.encode(None))
    return path


def ramp() -> NDArray[np.uint8]:
    """Every grey level in a flat 8 x 8 patch."""
    return np.kron(np.arange(256, dtype=np.uint8).reshape(16, 16), np.ones((8, 8), np.uint8))


def read_first(path: Path, **settings: Any) -> NDArray[Any]:
    with open_clip(path, settings=ClipSettings(**settings)) as clip:
        return clip.frames([0])[0]


@pytest.mark.parametrize(("codec", "ending"), [("libx264", ".mp4"), ("libx264", ".mkv"), ("libx265", ".mp4")])
def test_limited_range_is_expanded(tmp_path: Path, codec: str, ending: str) -> None:
    # Outside reference: FFmpeg's own conversion of grey to limited-range yuv420p, and its encoders.
    picture = av.VideoFrame.from_ndarray(ramp(), format="gray").reformat(format="yuv420p")
    quiet = {"x265-params": "log-level=none"} if codec == "libx265" else {}
    path = encode(tmp_path / f"ramp{ending}", [picture] * 3, codec, "yuv420p", crf="4", **quiet)
    got = read_first(path)
    inner = np.ix_(*(np.flatnonzero((np.arange(128) % 8 > 1) & (np.arange(128) % 8 < 6)),) * 2)
    assert np.abs(got[inner].astype(int) - ramp()[inner]).max() <= 1.5
    assert (int(got.min()), int(got.max())) == (0, 255)


def test_full_range_is_left_alone(tmp_path: Path) -> None:
    path = write_frames(tmp_path / "ramp.avi", [ramp()] * 3, format="avi-mjpeg", depth_bits=8)
    got = read_first(path)
    assert np.abs(got.astype(int) - ramp()).max() <= 2
    exact = write_frames(tmp_path / "ramp.mp4", [ramp()] * 3, format="mp4-h264-lossless", depth_bits=8)
    np.testing.assert_array_equal(read_first(exact), ramp())


def test_range_as_told_by_the_person(tmp_path: Path) -> None:
    # A camera program that writes full-range luma without a tag: read as limited, but with words that say so.
    luma = np.concatenate([ramp().ravel(), np.full(128 * 64, 128, np.uint8)]).reshape(192, 128)
    picture = av.VideoFrame.from_ndarray(luma, format="yuv420p")
    path = encode(tmp_path / "untagged.mp4", [picture] * 3, "libx264", "yuv420p", qp="0")
    with open_clip(path) as clip:
        assert any("set video_range to full" in note for note in clip.facts.notes)
    np.testing.assert_array_equal(read_first(path, video_range="full"), ramp())
    limited = read_first(path, video_range="limited")
    np.testing.assert_array_equal(limited[:8, ::8][0, :16], np.zeros(16))
    with open_clip(path, settings=ClipSettings(video_range="full")) as clip:
        assert not any("video_range" in note for note in clip.facts.notes)


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_tables_of_limited_range(bits: int) -> None:
    # ITU-R BT.709-6, item 3.4 and BT.2100-2, table 9: black 16, white 235 (times 4, times 16).
    scale = 1 << (bits - 8)
    expand, shrink = expansion_table(bits), limited_range_table(bits)
    top = (1 << bits) - 1
    assert (expand[16 * scale], expand[235 * scale]) == (0, top)
    assert (shrink[0], shrink[top]) == (16 * scale, 235 * scale)
    assert (expand[0], expand[top]) == (0, top)
    back = expand[shrink].astype(int) - np.arange(top + 1)
    assert np.abs(back).max() <= 1


@pytest.mark.parametrize("bits", [10, 12, 16])
@pytest.mark.parametrize("format_name", ["avi-ffv1", "mkv-ffv1"])
def test_deep_grey_is_exact(tmp_path: Path, bits: int, format_name: str) -> None:
    rng = np.random.default_rng(bits)
    frames = rng.integers(0, 1 << bits, (4, 33, 47)).astype(np.uint16)
    ending = "." + format_name[:3]
    path = write_frames(tmp_path / f"deep{ending}", frames, format=format_name, depth_bits=bits)
    with open_clip(path) as clip:
        np.testing.assert_array_equal(clip.frames(range(4)), frames)
        assert clip.facts.depth_bits == bits
    # And an outsider reads the same from the file.
    with av.open(str(path)) as container:
        outside = next(container.decode(video=0))
    plane = np.frombuffer(memoryview(outside.planes[0]), np.uint16).reshape(33, -1)[:, :47]
    np.testing.assert_array_equal(plane, frames[0])


def test_colour_becomes_luma(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    colours = rng.integers(0, 256, (32, 40, 3)).astype(np.uint8)
    picture = av.VideoFrame.from_ndarray(colours, format="rgb24").reformat(format="bgr0")
    path = encode(tmp_path / "colour.avi", [picture] * 2, "ffv1", "bgr0")
    # ITU-R BT.601-7, item 2.5.1: E'Y = 0.299 R + 0.587 G + 0.114 B.
    want = colours @ np.array([0.299, 0.587, 0.114])
    assert np.abs(read_first(path) - want).max() <= 1
    grey = np.repeat(ramp()[:, :, None], 3, axis=2)
    picture = av.VideoFrame.from_ndarray(grey, format="rgb24").reformat(format="bgr0")
    path = encode(tmp_path / "grey.avi", [picture] * 2, "ffv1", "bgr0")
    np.testing.assert_array_equal(read_first(path), ramp())


@pytest.mark.parametrize("pixel_format", ["bgr24", "yuv422p", "yuyv422"])
def test_uncompressed_avi_of_common_programs(tmp_path: Path, pixel_format: str) -> None:
    picture = av.VideoFrame.from_ndarray(ramp(), format="gray").reformat(format=pixel_format)
    path = encode(tmp_path / "raw.avi", [picture] * 2, "rawvideo", pixel_format)
    assert np.abs(read_first(path).astype(int) - ramp()).max() <= 1


@pytest.mark.parametrize(("turn", "quarters"), [(90, 1), (180, 2), (270, 3)])
def test_rotation_is_honoured(tmp_path: Path, turn: Any, quarters: int) -> None:
    rng = np.random.default_rng(1)
    frames = rng.integers(0, 256, (3, 32, 48)).astype(np.uint8)
    path = write_frames(
        tmp_path / "turned.mp4",
        frames,
        format="mp4-h264-lossless",
        depth_bits=8,
        options=FootageOptions(rotation_deg=turn),
    )
    with open_clip(path) as clip:
        got = clip.frames(range(3))
        assert (clip.facts.height, clip.facts.width) == got.shape[1:]
        assert any(f"turned by {turn} degrees" in note for note in clip.facts.notes)
    np.testing.assert_array_equal(got, np.rot90(frames, quarters, axes=(1, 2)))
    # ISO/IEC 14496-12, 8.3.2: p' = a p + c q, q' = b p + d q, with y down, so counter-clockwise turns have b < 0.
    data = path.read_bytes()
    header = data.index(b"tkhd")
    a, b = struct.unpack(">ii", data[header + 44 : header + 52])
    angle = np.degrees(np.arctan2(-b, a)) % 360
    assert round(angle) == turn


def test_line_padding_is_left_out(tmp_path: Path) -> None:
    frames = np.random.default_rng(0).integers(0, 256, (2, 17, 19)).astype(np.uint8)
    path = write_frames(tmp_path / "odd.mkv", frames, format="mkv-ffv1", depth_bits=8)
    with open_clip(path) as clip:
        np.testing.assert_array_equal(clip.frames([0, 1]), frames)
