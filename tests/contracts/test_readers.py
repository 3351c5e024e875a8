"""The contract that every reader keeps, held by one class that each format's test inherits.

A new reader's test is a subclass of `ReaderContract` that says how to write its clip.
"""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from numpy.typing import NDArray

from poolwatch.clips import ClipSettings, Reader, fingerprint, open_clip
from poolwatch.footage import FORMATS, FootageOptions, write_frames
from poolwatch.model.errors import ClipError


def footage(count: int, shape: tuple[int, int], depth_bits: int, seed: int = 5) -> NDArray[Any]:
    """Smooth blob that wanders over a noisy plate, all frames different, black and full scale both there."""
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    top = (1 << depth_bits) - 1
    out = np.empty((count, *shape), np.uint8 if depth_bits <= 8 else np.uint16)
    for number in range(count):
        x, y = shape[1] * (0.3 + 0.01 * number), shape[0] * (0.5 + 0.1 * np.sin(number))
        blob = np.exp(-(((columns - x) / shape[1] * 5) ** 2) - ((rows - y) / shape[0] * 4) ** 2)
        values = top * (0.1 + 0.8 * blob) + rng.normal(0, top * 0.004, shape)
        values[:4, :8], values[-4:, :8] = 0, top
        out[number] = values.clip(0, top).astype(out.dtype)
    return out


class ReaderContract:
    """What holds for every reader. A subclass gives `format`, or overrides `write`."""

    format: ClassVar[str]
    reader: ClassVar[str]
    depth_bits: ClassVar[int] = 8
    shape: ClassVar[tuple[int, int]] = (37, 51)
    count: ClassVar[int] = 23
    align: ClassVar[str] = "low"
    settings: ClassVar[ClipSettings | None] = None
    # Largest error of a grey value after lossy coding, in levels of 8 bits; 0 means exact.
    tolerance: ClassVar[float] = 0.0

    @classmethod
    def write(cls, folder: Path, frames: NDArray[Any]) -> Path:
        path = folder / f"clip{FORMATS[cls.format].ending}"
        options = FootageOptions(keyframe_interval=9, quality=8, align=cls.align)
        return write_frames(path, frames, format=cls.format, depth_bits=cls.depth_bits, options=options)

    @pytest.fixture(scope="class")
    @classmethod
    def source(cls) -> NDArray[Any]:
        return footage(cls.count, cls.shape, cls.depth_bits)

    @pytest.fixture(scope="class")
    @classmethod
    def path(cls, source: NDArray[Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
        return cls.write(tmp_path_factory.mktemp("clip"), source)

    @pytest.fixture(scope="class")
    @classmethod
    def all_frames(cls, path: Path) -> NDArray[Any]:
        with cls.open(path) as clip:
            return np.concatenate([block.frames for block in clip.blocks()])

    @classmethod
    def open(cls, path: Path) -> Reader:
        return open_clip(path, settings=cls.settings)

    def test_it_is_a_reader(self, path: Path) -> None:
        with self.open(path) as clip:
            assert isinstance(clip, Reader)

    def test_facts(self, path: Path) -> None:
        with self.open(path) as clip:
            facts = clip.facts
        assert (facts.height, facts.width, facts.frame_count) == (*self.shape, self.count)
        assert facts.reader == self.reader
        assert facts.path == path
        assert facts.dtype == ("uint8" if self.depth_bits <= 8 else "uint16")
        assert facts.depth_bits == self.depth_bits
        assert facts.promised_count in (None, self.count)
        shift = 16 - self.depth_bits if self.align == "high" and self.depth_bits > 8 else 0
        assert facts.full_scale == ((1 << self.depth_bits) - 1) << shift
        assert not {"truncated", "undecodable_frames"} & set(facts.flags)

    def test_values_of_every_frame(self, path: Path, source: NDArray[Any], all_frames: NDArray[Any]) -> None:
        with self.open(path) as clip:
            full_scale = clip.facts.full_scale
        assert all_frames.shape == source.shape
        brightness = all_frames / full_scale
        truth = source / ((1 << self.depth_bits) - 1)
        if self.tolerance == 0:
            np.testing.assert_array_equal(brightness, truth)
        else:
            assert np.abs(brightness - truth).mean() * 255 <= self.tolerance
            # Each frame is nearest to its own original: none is lost, doubled or shifted.
            flat, wanted = brightness.reshape(self.count, -1), truth.reshape(self.count, -1)
            distance = ((flat[:, None] - wanted[None]) ** 2).sum(axis=2)
            assert distance.argmin(axis=1).tolist() == list(range(self.count))

    @pytest.mark.parametrize("size", [1, 5, 1000])
    def test_block_size_changes_nothing(self, path: Path, all_frames: NDArray[Any], size: int) -> None:
        with self.open(path) as clip:
            blocks = list(clip.blocks(size=size))
        assert [block.start for block in blocks] == list(range(0, self.count, size))
        assert all(len(block.frames) == size for block in blocks[:-1])
        np.testing.assert_array_equal(np.concatenate([block.frames for block in blocks]), all_frames)
        assert all(block.decoded.all() for block in blocks)
        assert all(block.frames.dtype == all_frames.dtype for block in blocks)

    @pytest.mark.parametrize(
        ("start", "stop"), [(0, 1), (3, 4), (8, 19), (17, 23), (22, None), (5, 5), (10, 999)]
    )
    def test_start_and_stop(self, path: Path, all_frames: NDArray[Any], start: int, stop: int | None) -> None:
        with self.open(path) as clip:
            blocks = list(clip.blocks(start, stop, size=4))
        want = all_frames[start:stop]
        got = np.concatenate([block.frames for block in blocks]) if blocks else want[:0]
        np.testing.assert_array_equal(got, want)
        assert not blocks or blocks[0].start == start

    def test_random_access_gives_what_reading_in_order_gives(
        self, path: Path, all_frames: NDArray[Any]
    ) -> None:
        numbers = [0, 1, 8, 9, 10, 15, 22, 4, 15]
        with self.open(path) as clip:
            np.testing.assert_array_equal(clip.frames(numbers), all_frames[numbers])
            np.testing.assert_array_equal(clip.frames([20]), all_frames[[20]])
            assert clip.frames([]).shape == (0, *self.shape)
            cheap = clip.cheap_frames(6)
            np.testing.assert_array_equal(clip.frames(cheap), all_frames[cheap])
        assert cheap == sorted(set(cheap))
        assert 2 <= len(cheap) <= 6

    @pytest.mark.parametrize("count", [1, 2, 4, 100])
    def test_pieces_put_together_are_the_clip(self, path: Path, all_frames: NDArray[Any], count: int) -> None:
        with self.open(path) as clip:
            pieces = clip.pieces(count)
        assert len(pieces) <= max(count, 1)
        assert pieces[0][0] == 0
        assert pieces[-1][1] == self.count
        assert all(a[1] == b[0] and a[0] < a[1] for a, b in itertools.pairwise(pieces))
        parts, decoded = [], 0
        for start, stop in reversed(pieces):
            with self.open(path) as clip:
                parts.append(np.concatenate([block.frames for block in clip.blocks(start, stop)]))
                decoded += clip.findings().frames_decoded
        np.testing.assert_array_equal(np.concatenate(parts[::-1]), all_frames)
        assert decoded == self.count

    def test_two_runs_at_once_do_not_disturb_each_other(self, path: Path, all_frames: NDArray[Any]) -> None:
        with self.open(path) as clip:
            first, second = clip.blocks(0, size=3), clip.blocks(6, size=3)
            np.testing.assert_array_equal(next(first).frames, all_frames[0:3])
            np.testing.assert_array_equal(next(second).frames, all_frames[6:9])
            clip.frames([21, 2])
            np.testing.assert_array_equal(next(first).frames, all_frames[3:6])
            np.testing.assert_array_equal(next(second).frames, all_frames[9:12])

    def test_findings(self, path: Path) -> None:
        with self.open(path) as clip:
            assert clip.findings().frames_decoded == 0
            for _ in clip.blocks():
                pass
            findings = clip.findings()
        assert findings.frames_decoded == self.count
        assert findings.undecodable == ()
        assert not findings.truncated

    def test_open_again_and_close_twice(self, path: Path, all_frames: NDArray[Any]) -> None:
        clip = self.open(path)
        block = next(clip.blocks(size=4))
        clip.close()
        clip.close()
        np.testing.assert_array_equal(block.frames, all_frames[:4])
        with self.open(path) as again:
            np.testing.assert_array_equal(next(again.blocks(size=4)).frames, all_frames[:4])

    def test_use_after_closing_is_refused(self, path: Path) -> None:
        clip = self.open(path)
        clip.close()
        with pytest.raises(ClipError, match=r"has been closed; open it again"):
            next(clip.blocks())
        with pytest.raises(ClipError, match=r"has been closed; open it again"):
            clip.frames([0])

    def test_frames_that_are_not_there(self, path: Path) -> None:
        with self.open(path) as clip:
            with pytest.raises(ClipError, match=r"frame 23 was asked for; the clip has frames 0 to 22"):
                clip.frames([23])
            with pytest.raises(ClipError, match=r"the clip has frames 0 to 22"):
                next(clip.blocks(24))
            with pytest.raises(ClipError, match=r"in blocks of 0"):
                next(clip.blocks(size=0))

    def test_writing_to_a_block_never_reaches_the_file(self, path: Path, all_frames: NDArray[Any]) -> None:
        with self.open(path) as clip:
            before = fingerprint(path)
            block = next(clip.blocks(size=2))
            if block.frames.flags.writeable:
                block.frames[:] = 7
        assert fingerprint(path) == before
        with self.open(path) as clip:
            np.testing.assert_array_equal(clip.frames([0]), all_frames[:1])


class VideoContract(ReaderContract):
    reader = "video"


class TestFfv1Avi(VideoContract):
    format = "avi-ffv1"


class TestFfv1Mkv10(VideoContract):
    format, depth_bits = "mkv-ffv1", 10


class TestFfv1Mkv12(VideoContract):
    format, depth_bits = "mkv-ffv1", 12


class TestFfv1Avi16(VideoContract):
    format, depth_bits = "avi-ffv1", 16


class TestFfv1Avi12HighAligned(VideoContract):
    format, depth_bits, align = "avi-ffv1", 12, "high"


class TestMjpegAvi(VideoContract):
    format, tolerance = "avi-mjpeg", 1.0


class TestMjpegMov(VideoContract):
    format, tolerance = "mov-mjpeg", 1.0


class TestH264Mp4(VideoContract):
    format, tolerance, shape = "mp4-h264", 1.0, (48, 64)


class TestH264Mkv(VideoContract):
    format, tolerance, shape = "mkv-h264", 1.0, (48, 64)


class TestH264Mp4Odd(VideoContract):
    format, tolerance = "mp4-h264", 1.0


class TestH264Mov10(VideoContract):
    format, tolerance, depth_bits = "mov-h264", 1.0, 10


class TestH264Lossless(VideoContract):
    format = "mp4-h264-lossless"


class TestH264LosslessMkv10(VideoContract):
    format, depth_bits = "mkv-h264-lossless", 10


class TestHevcMp4(VideoContract):
    format, tolerance, shape = "mp4-hevc", 1.0, (64, 96)


class TestHevcMkv12(VideoContract):
    format, tolerance, depth_bits, shape = "mkv-hevc", 1.0, 12, (64, 96)


class TestRawAvi(VideoContract):
    format = "avi-raw"


class TestRawNut16(VideoContract):
    format, depth_bits = "nut-raw", 16


class TestTiff(ReaderContract):
    format, reader = "tiff", "tiff"


class TestTiff12(ReaderContract):
    format, reader, depth_bits = "tiff", "tiff", 12


class TestTiff12HighAligned(ReaderContract):
    format, reader, depth_bits, align = "tiff", "tiff", 12, "high"


class TestBigTiffDeflate16(ReaderContract):
    format, reader, depth_bits = "tiff-deflate", "tiff", 16

    @classmethod
    def write(cls, folder: Path, frames: NDArray[Any]) -> Path:
        return write_frames(
            folder / "clip.tif",
            frames,
            format=cls.format,
            depth_bits=16,
            options=FootageOptions(big_tiff=True),
        )


class TestTiffLzw(ReaderContract):
    format, reader = "tiff-lzw", "tiff"


class TestTiffOnePageStack(ReaderContract):
    """A stack behind one page, as tifffile itself and some cameras write it."""

    reader, depth_bits = "tiff", 16

    @classmethod
    def write(cls, folder: Path, frames: NDArray[Any]) -> Path:
        tifffile = pytest.importorskip("tifffile")
        tifffile.imwrite(folder / "clip.tif", frames, photometric="minisblack", truncate=True, byteorder=">")
        return folder / "clip.tif"


class TestPngFolder(ReaderContract):
    format, reader = "png-folder", "stills"


class TestPngFolder12(ReaderContract):
    format, reader, depth_bits = "png-folder", "stills", 12


class TestTiffFolder(ReaderContract):
    format, reader, depth_bits = "tiff-folder", "stills", 16


class TestNpy(ReaderContract):
    format, reader = "npy", "npy"


class TestNpyFortranBigEndian(ReaderContract):
    reader, depth_bits = "npy", 12

    @classmethod
    def write(cls, folder: Path, frames: NDArray[Any]) -> Path:
        np.save(folder / "clip.npy", np.asfortranarray(frames.astype(">u2")))
        return folder / "clip.npy"


class TestHdf5(ReaderContract):
    format, reader, depth_bits = "hdf5", "hdf5", 12


class TestHdf5Gzip(ReaderContract):
    format, reader = "hdf5-gzip", "hdf5"


class TestRaw(ReaderContract):
    format, reader = "raw", "raw"


class TestRaw12BigEndianWithHeaders(ReaderContract):
    format, reader, depth_bits = "raw", "raw", 12

    @classmethod
    def write(cls, folder: Path, frames: NDArray[Any]) -> Path:
        options = FootageOptions(byte_order="big", header_bytes=101, frame_header_bytes=7)
        return write_frames(folder / "clip.raw", frames, format="raw", depth_bits=12, options=options)


class TestRaw12HighAligned(ReaderContract):
    format, reader, depth_bits, align = "raw", "raw", 12, "high"


class TestRawMono12p(ReaderContract):
    format, reader, depth_bits = "raw-mono12p", "raw", 12


class TestRawMono12Packed(ReaderContract):
    format, reader, depth_bits = "raw-mono12packed", "raw", 12


class TestRawMono10p(ReaderContract):
    format, reader, depth_bits = "raw-mono10p", "raw", 10
