"""Damaged and cut files: every frame keeps its number, nothing is shifted, and it is said."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from poolwatch.clips import open_clip
from poolwatch.footage import FORMATS, FootageOptions, write_frames
from poolwatch.model.errors import ClipError

COUNT = 60


def moving(count: int = COUNT, shape: tuple[int, int] = (64, 96)) -> NDArray[np.uint8]:
    rng = np.random.default_rng(11)
    texture = rng.integers(0, 200, (shape[0], shape[1] + count)).astype(np.uint8)
    return np.stack([texture[:, k : k + shape[1]] for k in range(count)]) + rng.integers(
        0, 20, (count, *shape)
    ).astype(np.uint8)


def write(folder: Path, name: str) -> Path:
    path = folder / f"clip{FORMATS[name].ending}"
    return write_frames(
        path, moving(), format=name, depth_bits=8, options=FootageOptions(keyframe_interval=15)
    )


def packets(path: Path) -> list[tuple[int, int]]:
    with av.open(str(path)) as container:
        return [(p.pos, p.size) for p in container.demux(video=0) if p.size]


def spoil(path: Path, number: int, *, share: float = 0.4, part: float = 0.3, seed: int = 0) -> None:
    """Overwrite the middle of a packet with noise."""
    position, size = packets(path)[number]
    data = bytearray(path.read_bytes())
    begin = position + int(size * share)
    length = int(size * part)
    data[begin : begin + length] = np.random.default_rng(seed).bytes(length)
    path.write_bytes(data)


def lose(path: Path, number: int) -> None:
    """Overwrite a whole packet with zeros."""
    position, size = packets(path)[number]
    with av.open(str(path)) as container:
        content = bytes([p for p in container.demux(video=0) if p.size][number])
    data = bytearray(path.read_bytes())
    position = data.index(content, position)  # Matroska gives the place of the block around it
    data[position : position + size] = bytes(size)
    path.write_bytes(data)


def read(path: Path, start: int = 0, size: int = 64) -> tuple[NDArray[Any], NDArray[Any]]:
    with open_clip(path) as clip:
        blocks = list(clip.blocks(start, size=size))
        assert set(clip.findings().undecodable) == {
            block.start + k for block in blocks for k in np.flatnonzero(~block.decoded)
        }
    return np.concatenate([b.frames for b in blocks]), np.concatenate([b.decoded for b in blocks])


@pytest.mark.parametrize("name", ["avi-ffv1", "mkv-ffv1"])
def test_a_damaged_frame_is_one_row_of_zeros(tmp_path: Path, name: str) -> None:
    path = write(tmp_path, name)
    whole, _ = read(path)
    spoil(path, 31)
    frames, decoded = read(path)
    assert np.flatnonzero(~decoded).tolist() == [31]
    assert not frames[31].any()
    keep = np.arange(COUNT) != 31
    np.testing.assert_array_equal(frames[keep], whole[keep])


@pytest.mark.parametrize("name", ["mp4-h264", "mkv-h264"])
def test_what_leans_on_a_damaged_frame_is_damaged_too(tmp_path: Path, name: str) -> None:
    path = write(tmp_path, name)
    whole, _ = read(path)
    # A lost block of the disc, read back as zeros. Noise in so small a picture often decodes to a wrong one
    # without any sign, which no reader of H.264 can see.
    lose(path, 34)
    frames, decoded = read(path)
    bad = np.flatnonzero(~decoded)
    assert len(frames) == COUNT
    assert 1 <= len(bad) <= 15  # up to the next keyframe
    np.testing.assert_array_equal(frames[decoded], whole[decoded])
    assert not frames[~decoded].any()


@pytest.mark.slow
@pytest.mark.parametrize("name", ["mp4-h264", "mkv-h264", "mp4-hevc", "avi-mjpeg", "avi-ffv1"])
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("how", ["lost", "noise"])
def test_blocks_and_start_find_the_same_damage(tmp_path: Path, name: str, seed: int, how: str) -> None:
    path = write(tmp_path, name)
    number = int(np.random.default_rng(seed).integers(5, COUNT - 5))
    if how == "lost":
        lose(path, number)
    else:
        spoil(path, number, share=0.2, seed=seed)
    frames, decoded = read(path)
    assert how == "noise" or not decoded.all()
    for start, size in ((0, 7), (number, 5), (max(number - 6, 0), 1), (number + 1, 64)):
        again, same = read(path, start, size)
        np.testing.assert_array_equal(same, decoded[start:])
        np.testing.assert_array_equal(again, frames[start:])
    with open_clip(path) as clip:
        np.testing.assert_array_equal(clip.frames([number, number + 1]), frames[number : number + 2])
        for alone in range(seed, COUNT, 3):
            np.testing.assert_array_equal(clip.frames([alone])[0], frames[alone])


def test_a_lost_picture_of_motion_jpeg(tmp_path: Path) -> None:
    path = write(tmp_path, "avi-mjpeg")
    lose(path, 20)
    _, decoded = read(path)
    assert np.flatnonzero(~decoded).tolist() == [20]


@pytest.mark.parametrize("name", ["mkv-h264", "mkv-ffv1", "avi-mjpeg", "avi-ffv1", "avi-raw"])
def test_a_cut_file_is_read_as_far_as_it_goes(tmp_path: Path, name: str) -> None:
    path = write(tmp_path, name)
    whole, _ = read(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * 0.6)])
    frames, decoded = read(path)
    assert 0.5 * COUNT < len(frames) < 0.7 * COUNT
    good = frames[decoded]
    np.testing.assert_array_equal(good, whole[: len(good)])
    assert len(frames) - len(good) <= 1
    with open_clip(path) as clip:
        assert "truncated" in clip.facts.flags
        assert clip.findings().truncated
        assert clip.findings().promised == COUNT
        assert any("the file ends after" in note for note in clip.facts.notes)


def test_a_cut_mp4_says_what_to_do(tmp_path: Path) -> None:
    path = write(tmp_path, "mp4-h264")
    path.write_bytes(path.read_bytes()[:20_000])
    with pytest.raises(ClipError, match=r"its index \(moov\) is missing.*copy it again from the camera"):
        open_clip(path)


@pytest.mark.parametrize("name", ["tiff", "tiff-lzw"])
def test_a_cut_tiff(tmp_path: Path, name: str) -> None:
    path = write(tmp_path, name)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * 0.6)])
    frames, decoded = read(path)
    assert 0.5 * COUNT < len(frames) < 0.7 * COUNT
    assert decoded.all()
    np.testing.assert_array_equal(frames, moving()[: len(frames)])
    with open_clip(path) as clip:
        assert "truncated" in clip.facts.flags


def test_a_damaged_tiff_page(tmp_path: Path) -> None:
    path = write(tmp_path, "tiff-deflate")
    import tifffile

    with tifffile.TiffFile(path) as tif:
        place = tif.pages[17].dataoffsets[0]
    data = bytearray(path.read_bytes())
    data[place : place + 400] = np.random.default_rng(0).bytes(400)
    path.write_bytes(data)
    frames, decoded = read(path)
    assert np.flatnonzero(~decoded).tolist() == [17]
    np.testing.assert_array_equal(frames[18], moving()[18])


@pytest.mark.parametrize("name", ["npy", "raw"])
def test_cut_arrays(tmp_path: Path, name: str) -> None:
    path = write(tmp_path, name)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * 0.605)])
    frames, _ = read(path)
    np.testing.assert_array_equal(frames, moving()[: len(frames)])
    with open_clip(path) as clip:
        assert "truncated" in clip.facts.flags


def test_hdf5_that_was_never_filled(tmp_path: Path) -> None:
    import h5py

    path = tmp_path / "part.h5"
    with h5py.File(path, "w") as file:
        data = file.create_dataset("frames", (1000, 64, 96), np.uint8, chunks=(1, 64, 96))
        data[:20] = moving(20)
    frames, _ = read(path)
    np.testing.assert_array_equal(frames, moving(20))
    with open_clip(path) as clip:
        assert "truncated" in clip.facts.flags
        assert clip.facts.promised_count == 1000


def test_a_missing_still_keeps_the_time(tmp_path: Path) -> None:
    folder = write(tmp_path, "png-folder")
    (folder / "frame_000012.png").unlink()
    (folder / "frame_000030.png").write_bytes((folder / "frame_000030.png").read_bytes()[:300])
    frames, decoded = read(folder)
    assert np.flatnonzero(~decoded).tolist() == [12, 30]
    np.testing.assert_array_equal(frames[decoded], moving()[decoded])
    with open_clip(folder) as clip:
        assert any("1 missing stills" in note for note in clip.facts.notes)
        assert "missing_frames" in clip.facts.flags


def test_uneven_times_lose_no_frame(tmp_path: Path) -> None:
    # An OpenCV count of such a file is twice too large, and some readers double frames.
    frames = moving()
    path = tmp_path / "uneven.mp4"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=25, options={"qp": "0"})
        stream.width, stream.height, stream.pix_fmt = 96, 64, "gray"
        for number, frame in enumerate(frames):
            picture = av.VideoFrame.from_ndarray(frame, format="gray")
            picture.pts = number * 3 + (number % 7 > 4) * 2
            out.mux(stream.encode(picture))
        out.mux(stream.encode(None))
    got, decoded = read(path)
    assert decoded.all()
    assert len(got) == COUNT


@pytest.mark.parametrize("name", ["mkv-h264", "mkv-ffv1"])
def test_ten_thousand_frames_a_second_in_matroska(tmp_path: Path, name: str) -> None:
    # Matroska counts milliseconds, so ten frames share one time; several readers then keep one of the ten.
    frames = moving()
    path = tmp_path / "fast.mkv"
    write_frames(
        path, frames, format=name, depth_bits=8, playback_rate_hz=10_000, options=FootageOptions(quality=4)
    )
    got, decoded = read(path)
    assert decoded.all()
    assert len(got) == COUNT
    distance = np.abs(got[:, None].astype(int) - frames[None]).mean(axis=(2, 3))
    assert distance.argmin(axis=1).tolist() == list(range(COUNT))
    part, _ = read(path, 37)
    np.testing.assert_array_equal(part, got[37:])


def test_ffmpeg_keeps_quiet(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, "mp4-h264")
    for number in (7, 22, 40):
        spoil(path, number)
    read(path)
    shutil.copy(path, tmp_path / "other.avi")
    read(tmp_path / "other.avi")
    out, err = capfd.readouterr()
    assert (out, err) == ("", "")


@pytest.mark.parametrize("name", ["mkv-ffv1", "mkv-h264", "mp4-h264"])
def test_a_packet_that_is_gone_keeps_the_numbers_of_the_others(tmp_path: Path, name: str) -> None:
    whole_path = write(tmp_path, name)
    whole, _ = read(whole_path)
    path = tmp_path / f"holes{FORMATS[name].ending}"
    gone = {15 if name == "mkv-ffv1" else 30, 47}  # a keyframe of the stream of 15, and another packet
    with av.open(str(whole_path)) as source, av.open(str(path), "w") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        for number, packet in enumerate(p for p in source.demux(video=0) if p.size):
            if number not in gone:
                packet.stream = stream
                out.mux(packet)
    for start, size in ((0, 64), (0, 7), (29, 3), (48, 5)):
        frames, decoded = read(path, start, size)
        assert len(frames) == COUNT - start
        np.testing.assert_array_equal(frames[decoded], whole[start:][decoded])
        bad = np.flatnonzero(~decoded) + start
        if name == "mkv-ffv1":
            assert set(bad) == {n for n in gone if n >= start}
        elif start == 0:
            assert decoded[:14].all()  # keyframes before the loss are untouched
            assert 2 <= len(bad) <= 46
    with open_clip(path) as clip:
        assert any("2 frames are missing by their times" in note for note in clip.facts.notes)
        assert "missing_frames" in clip.facts.flags
        assert "undecodable_frames" in clip.facts.flags


def test_a_zero_in_the_chain_of_tiff_pages_is_not_its_end(tmp_path: Path) -> None:
    import tifffile

    path = tmp_path / "a.tif"
    write_frames(path, moving(), format="tiff-deflate", depth_bits=8)
    with open_clip(path) as clip:
        assert "truncated" not in clip.facts.flags
    with tifffile.TiffFile(path) as tif:
        page = tif.pages[30]
        pointer = page.offset + 2 + 12 * len(page.tags)
    data = bytearray(path.read_bytes())
    data[pointer : pointer + 4] = bytes(4)
    path.write_bytes(data)
    with open_clip(path) as clip:
        assert clip.facts.frame_count == 31
        assert "truncated" in clip.facts.flags
        assert any("others are stored behind" in note for note in clip.facts.notes)


def test_a_tiff_page_whose_packing_is_no_longer_told_is_no_picture(tmp_path: Path) -> None:
    import tifffile

    path = tmp_path / "a.tif"
    write_frames(path, moving(), format="tiff-deflate", depth_bits=8)
    with tifffile.TiffFile(path) as tif:
        place = tif.pages[20].tags["Compression"].offset
    data = bytearray(path.read_bytes())
    data[place : place + 2] = b"\xff\x80"  # a tag that nobody knows
    path.write_bytes(data)
    _, decoded = read(path)
    assert np.flatnonzero(~decoded).tolist() == [20]
