"""Footage written whole or not at all, as asked, readable by others."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import h5py
import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from poolwatch.footage import (
    FORMATS,
    BrowserEncoding,
    FootageOptions,
    footage_format,
    open_browser_video,
    write_frames,
)
from poolwatch.footage.raw_layout import Packing, RawLayout, pack, unpack
from poolwatch.model.errors import OutputError, UsageError

FRAMES = np.random.default_rng(0).integers(0, 256, (7, 32, 48)).astype(np.uint8)


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_writes_blocks_and_single_frames_alike(tmp_path: Path, name: str) -> None:
    entry = FORMATS[name]
    depth = min(max(entry.depths), 12) if 12 in entry.depths else max(entry.depths)
    given = np.tile(FRAMES, (1, 2, 2)) if "hevc" in name else FRAMES
    frames = (given.astype(np.uint16) << depth) >> 8
    one = write_frames(tmp_path / f"one{entry.ending}", iter(frames), format=name, depth_bits=depth)
    two = write_frames(
        tmp_path / f"two{entry.ending}", [frames[:3], frames[3:]], format=name, depth_bits=depth
    )
    if one.is_dir():
        assert sorted(os.listdir(one)) == sorted(os.listdir(two))
        assert all((one / n).read_bytes() == (two / n).read_bytes() for n in os.listdir(one))
    elif entry.ending not in (".h5", ".mkv", ".nut", ".mov", ".mp4"):  # those carry a random id or the time
        assert one.read_bytes() == two.read_bytes()
    assert not [p for p in tmp_path.iterdir() if "partial" in p.name]


def test_others_read_what_was_written(tmp_path: Path) -> None:
    tiff = write_frames(tmp_path / "a.tif", FRAMES, format="tiff-lzw", depth_bits=8)
    with tifffile.TiffFile(tiff) as tif:
        np.testing.assert_array_equal(np.stack([page.asarray() for page in tif.pages]), FRAMES)
    np.testing.assert_array_equal(
        np.load(write_frames(tmp_path / "a.npy", FRAMES, format="npy", depth_bits=8)), FRAMES
    )
    with h5py.File(write_frames(tmp_path / "a.h5", FRAMES, format="hdf5-gzip", depth_bits=8)) as file:
        np.testing.assert_array_equal(file["frames"][:], FRAMES)
    path = write_frames(tmp_path / "a.avi", FRAMES, format="avi-ffv1", depth_bits=8)
    with av.open(str(path)) as container:
        got = [frame.to_ndarray() for frame in container.decode(video=0)]
    np.testing.assert_array_equal(np.stack(got), FRAMES)


def test_an_ordinary_video_is_limited_range_and_says_so(tmp_path: Path) -> None:
    flat = np.stack([np.full((32, 48), value, np.uint8) for value in (0, 255)])
    path = write_frames(
        tmp_path / "a.mp4", flat, format="mp4-h264", depth_bits=8, options=FootageOptions(quality=1)
    )
    with av.open(str(path)) as container:
        frames = list(container.decode(video=0))
    luma = [np.frombuffer(memoryview(f.planes[0]), np.uint8).reshape(32, -1)[:, :48].mean() for f in frames]
    assert luma == pytest.approx([16, 235], abs=0.5)
    assert frames[0].color_range == 1
    assert frames[0].format.name == "yuv420p"


@pytest.mark.parametrize("ending", [".avi", ".tif", ".npy", ".h5", ".raw", ""])
def test_a_failure_leaves_nothing_and_keeps_the_old(tmp_path: Path, ending: str) -> None:
    name = {
        ".avi": "avi-ffv1",
        ".tif": "tiff",
        ".npy": "npy",
        ".h5": "hdf5",
        ".raw": "raw",
        "": "png-folder",
    }[ending]
    path = write_frames(tmp_path / f"a{ending}", FRAMES, format=name, depth_bits=8)
    before = sorted(p.name for p in tmp_path.rglob("*"))

    def broken() -> Iterator[NDArray[Any]]:
        yield FRAMES[0]
        raise RuntimeError("camera unplugged")

    with pytest.raises(RuntimeError, match="camera unplugged"):
        write_frames(path, broken(), format=name, depth_bits=8)
    assert sorted(p.name for p in tmp_path.rglob("*")) == before


def test_a_folder_with_other_things_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("years of work")
    with pytest.raises(
        OutputError, match=r"holds 'thesis\.txt', which is no numbered still; choose an empty folder"
    ):
        write_frames(tmp_path / "mine", FRAMES, format="png-folder", depth_bits=8)
    assert (tmp_path / "mine" / "thesis.txt").read_text() == "years of work"


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match=r"cannot be written"):
        write_frames(tmp_path / "file" / "a.npy", FRAMES, format="npy", depth_bits=8)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"format": "avi-h264"}, r"no footage format 'avi-h264'; did you mean 'mov-h264'; known: avi-ffv1"),
        ({"path": "a.mp4"}, r"is written with the ending '\.avi'; rename it"),
        ({"depth_bits": 11}, r"holds 8, 9, 10, 12, 14, 16 bits, not 11"),
        ({"depth_bits": 4}, r"frame 0 holds values outside 0 to 15 \(4 bits\)"),
        ({"frames": []}, r"no frames were given"),
        ({"frames": [FRAMES[0], FRAMES[0, :5]]}, r"frame 1 is \(5, 48\), the first was \(32, 48\)"),
        ({"frames": [FRAMES[0] / 2]}, r"must be integers"),
        ({"format": "mp4-hevc", "path": "a.mp4"}, r"HEVC needs at least 64 px on each side, got 48 x 32 px"),
        ({"playback_rate_hz": 0.0}, r"must be above 0 Hz"),
        ({"playback_rate_hz": 10_000.0}, r"AVI cannot hold 10000 Hz"),
    ],
)
def test_wrong_use(tmp_path: Path, change: dict[str, Any], match: str) -> None:
    given: dict[str, Any] = {
        "path": "a.avi",
        "frames": FRAMES,
        "format": "avi-ffv1",
        "depth_bits": 8,
    } | change
    with pytest.raises(UsageError, match=match):
        write_frames(tmp_path / given.pop("path"), given.pop("frames"), **given)
    assert not list(tmp_path.iterdir())


def test_packing_byte_by_byte() -> None:
    # Layouts from memory of the GenICam Pixel Format Naming Convention 2.x (Mono12p, Mono10p: least significant
    # bit first) and of GigE Vision (Mono12Packed); worked by hand.
    def layout(packing: str, bits: int, width: int) -> RawLayout:
        return RawLayout(width=width, height=1, depth_bits=bits, packing=Packing(packing))

    two = np.array([[0xABC, 0x123]], np.uint16)
    assert pack(two, layout("mono12p", 12, 2)) == bytes([0xBC, 0x3A, 0x12])
    assert pack(two, layout("mono12packed", 12, 2)) == bytes([0xAB, 0x3C, 0x12])
    four = np.array([[0x3FF, 0x000, 0x2AA, 0x155]], np.uint16)
    # 0x3FF | 0x2AA << 20 | 0x155 << 30 = 0x556AA003FF
    assert pack(four, layout("mono10p", 10, 4)) == bytes([0xFF, 0x03, 0xA0, 0x6A, 0x55])
    assert footage_format("raw-mono12p").depths == (12,)


@pytest.mark.parametrize(("packing", "bits"), [("mono10p", 10), ("mono12p", 12), ("mono12packed", 12)])
@pytest.mark.parametrize("width", [1, 2, 3, 5, 8])
def test_packing_there_and_back(packing: str, bits: int, width: int) -> None:
    layout = RawLayout(width=width, height=3, depth_bits=bits, packing=Packing(packing))
    frames = np.random.default_rng(width).integers(0, 1 << bits, (4, 3, width)).astype(np.uint16)
    data = np.stack([np.frombuffer(pack(frame, layout), np.uint8) for frame in frames])
    assert data.shape == (4, layout.frame_bytes)
    np.testing.assert_array_equal(unpack(data, layout), frames)


@pytest.mark.parametrize("order", ["rgb", "bgr"])
@pytest.mark.parametrize("size", [(64, 48), (65, 49)])
def test_browser_video(tmp_path: Path, order: Any, size: tuple[int, int]) -> None:
    colours = [(255, 0, 0), (0, 255, 0), (0, 0, 255), (200, 100, 50), (255, 255, 255), (0, 0, 0)]
    path = tmp_path / "a.mp4"
    with open_browser_video(path, *size, 30, encoding=BrowserEncoding(order=order, crf=4)) as video:
        for colour in colours:
            for _ in range(4):
                video.write(np.full((size[1], size[0], 3), colour[:: 1 if order == "rgb" else -1], np.uint8))
    data = path.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")  # plays before all is loaded
    with av.open(str(path)) as container:
        assert container.streams.video[0].codec_context.name == "h264"
        assert container.streams.video[0].average_rate == 30
        frames = list(container.decode(video=0))
    assert len(frames) == 24
    assert (frames[0].format.name, frames[0].color_range, frames[0].colorspace) == ("yuv420p", 1, 6)
    assert frames[0].width % 2 == 0
    assert frames[0].height % 2 == 0
    for number, colour in enumerate(colours):
        # FFmpeg's conversion by the stream's own tags, as a browser does it.
        shown = frames[4 * number + 2].to_ndarray(format="rgb24")
        assert np.abs(shown[2:-2, 2:-2].astype(int) - colour).max() <= 4


@pytest.mark.parametrize("every", [5, 30])
def test_browser_video_jumps_are_short(tmp_path: Path, every: int) -> None:
    rng = np.random.default_rng(3)
    still = rng.integers(0, 256, (48, 64, 3), np.uint8)
    path = tmp_path / "a.mp4"
    with open_browser_video(path, 64, 48, 30, encoding=BrowserEncoding(keyframe_every=every)) as video:
        for _ in range(70):
            video.write(still)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        packets = [p for p in container.demux(stream) if p.size]
        keys = sorted(round(float(p.pts * p.time_base) * 30) for p in packets if p.is_keyframe)
    assert keys[0] == 0
    assert max(np.diff([*keys, 70])) == every


def test_browser_video_wrong_use(tmp_path: Path) -> None:
    with (
        pytest.raises(UsageError, match=r"no frame was written"),
        open_browser_video(tmp_path / "a.mp4", 8, 8),
    ):
        pass
    with (
        pytest.raises(UsageError, match=r"frame 0: expected uint8 \(8, 8, 3\)"),
        open_browser_video(tmp_path / "a.mp4", 8, 8) as video,
    ):
        video.write(np.zeros((8, 9, 3), np.uint8))
    with pytest.raises(UsageError, match=r"cannot be written"), open_browser_video(tmp_path / "a.mp4", 0, 8):
        pass
    with (
        pytest.raises(UsageError, match=r"every 1 or more frames, got 0"),
        open_browser_video(tmp_path / "a.mp4", 8, 8, encoding=BrowserEncoding(keyframe_every=0)),
    ):
        pass
    assert not list(tmp_path.iterdir())
