"""What cannot be read is refused in one line that says what to do, before memory is taken."""

from __future__ import annotations

import io
import os
import pickle
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest

from poolwatch.clips import ClipSettings, open_clip
from poolwatch.footage import write_frames
from poolwatch.model.errors import ClipError

FRAMES = np.arange(4 * 8 * 10, dtype=np.uint8).reshape(4, 8, 10)


def refused(path: Path, match: str, **settings: object) -> str:
    with pytest.raises(ClipError, match=match) as caught:
        open_clip(path, settings=ClipSettings.checked(settings, where="test"))
    text = str(caught.value)
    assert "\n" not in text
    assert str(path) in text
    return text


def test_nothing_there(tmp_path: Path) -> None:
    refused(tmp_path / "none.avi", r"no such file or folder; check the path")


@pytest.mark.parametrize("ending", [".avi", ".mp4", ".tif", ".npy", ".h5", ".png"])
def test_empty_file(tmp_path: Path, ending: str) -> None:
    (tmp_path / f"a{ending}").touch()
    refused(tmp_path / f"a{ending}", r"is empty \(0 bytes\); copy it again")


@pytest.mark.parametrize(
    ("ending", "match"),
    [
        (".avi", r"is text, not video; give the recording itself"),
        (".mp4", r"is text, not video"),
        (".tif", r"is no readable TIFF file .*copy it again"),
        (".npy", r"is no NPY file .*numpy\.save"),
        (".h5", r"cannot be opened as HDF5 .*copy it again"),
        (".raw", r"is headerless; describe it in a\.raw\.toml beside it: width, height, depth_bits"),
        (".csv", r"is text, no recording; give a video.*TIFF.*stills, or .* in a\.csv\.toml"),
        ("", r"is text, no recording"),
    ],
)
def test_text_with_the_wrong_ending(tmp_path: Path, ending: str, match: str) -> None:
    (tmp_path / f"a{ending}").write_text("time,length\n0,1\n" * 100)
    refused(tmp_path / f"a{ending}", match)


@pytest.mark.parametrize("ending", [".avi", ".mp4", ".mkv", ".tif", ".npy", ".h5"])
@pytest.mark.parametrize("seed", [0, 1])
def test_noise(tmp_path: Path, ending: str, seed: int) -> None:
    (tmp_path / f"a{ending}").write_bytes(np.random.default_rng(seed).bytes(5000))
    refused(tmp_path / f"a{ending}", r"; (copy|save|give)")


@pytest.mark.parametrize("text", [b"caf\xe9", b"\xff\xfe\x00\x01", b"ABCD"])
def test_metadata_in_no_known_encoding_is_no_matter(tmp_path: Path, text: bytes) -> None:
    path = write_frames(tmp_path / "a.mkv", FRAMES, format="mkv-ffv1", depth_bits=8)
    data = path.read_bytes()
    assert data.count(b"Lavf") >= 1
    path.write_bytes(data.replace(b"Lavf", text))
    with open_clip(path) as clip:
        assert np.array_equal(clip.frames(range(4)), FRAMES)


def test_folders(tmp_path: Path) -> None:
    refused(
        tmp_path, r"is a folder without stills \(\.png, .*give a folder of numbered stills, or one recording"
    )
    (tmp_path / "notes.txt").write_text("x")
    refused(tmp_path, r"is a folder without stills")


@pytest.mark.skipif(
    os.name != "posix" or os.geteuid() == 0,
    reason="the superuser may read everything, and Windows has no such bit",
)
def test_permission_denied(tmp_path: Path) -> None:
    path = tmp_path / "a.npy"
    np.save(path, FRAMES)
    path.chmod(0)
    refused(path, r"may not be read \(permission denied\)")


def test_sound_without_video(tmp_path: Path) -> None:
    import av

    path = tmp_path / "sound.mkv"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("pcm_s16le", rate=8000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), format="s16", layout="mono")
        frame.sample_rate = 8000
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    refused(path, r"has no video stream")


def test_pickled_objects_are_not_run(tmp_path: Path) -> None:
    class Trap:
        def __reduce__(self) -> tuple[object, tuple[str]]:
            return (os.mkdir, (str(tmp_path / "sprung"),))

    path = tmp_path / "trap.npy"
    with path.open("wb") as file:
        np.lib.format.write_array_header_1_0(
            file, {"descr": "|O", "fortran_order": False, "shape": (1, 1, 1)}
        )
        pickle.dump(Trap(), file)
    refused(path, r"holds pickled Python objects, which can run code")
    assert not (tmp_path / "sprung").exists()


@pytest.mark.parametrize(
    ("array", "match"),
    [
        (np.zeros((3, 8, 8), np.float32), r"type float32, not unsigned .*scale them to uint16"),
        (np.zeros((3, 8, 8), np.int16), r"type int16"),
        (np.zeros((8, 8), np.uint8), r"has shape \(8, 8\); needed is \(frames, height, width\)"),
        (np.zeros((3, 8, 8, 3), np.uint8), r"has shape \(3, 8, 8, 3\)"),
        (np.zeros((0, 8, 8), np.uint8), r"at least one frame"),
    ],
)
def test_arrays_that_are_no_footage(tmp_path: Path, array: np.ndarray, match: str) -> None:
    np.save(tmp_path / "a.npy", array)
    refused(tmp_path / "a.npy", match)


def huge_png(side: int) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"x"))
        + chunk(b"IEND", b"")
    )


def test_huge_frames_take_no_memory(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    stills = tmp_path / "stills"
    stills.mkdir()
    (stills / "a_1.png").write_bytes(huge_png(60_000))
    with pytest.raises(
        ClipError, match=r"a_1\.png: frames of 60000 x 60000 px are above the limit of 100000000"
    ):
        open_clip(stills)
    import tifffile

    tiff = tmp_path / "a.tif"
    tifffile.imwrite(tiff, np.zeros((16, 16), np.uint8))
    # Tags 256 and 257, ImageWidth and ImageLength (TIFF 6.0), set to 60000 as type LONG.
    data = tiff.read_bytes()
    for tag in (256, 257):
        place = data.index(struct.pack("<H", tag), 8)
        data = data[:place] + struct.pack("<HHII", tag, 4, 1, 60_000) + data[place + 12 :]
    tiff.write_bytes(data)
    refused(tiff, r"60000 x 60000 px are above the limit .*raise max_pixels")
    array = tmp_path / "a.npy"
    with array.open("wb") as file:
        np.lib.format.write_array_header_1_0(
            file, {"descr": "|u1", "fortran_order": False, "shape": (1, 60_000, 60_000)}
        )
        file.write(bytes(100))
    refused(array, r"60000 x 60000 px are above the limit")
    raw = tmp_path / "a.raw"
    raw.write_bytes(bytes(1000))
    (tmp_path / "a.raw.toml").write_text("width = 60000\nheight = 60000\ndepth_bits = 8\n")
    refused(raw, r"60000 x 60000 px are above the limit")
    import h5py

    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset("frames", (2, 60_000, 60_000), np.uint8, chunks=(1, 1000, 1000))
    refused(tmp_path / "a.h5", r"60000 x 60000 px are above the limit")
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown < 200_000  # KiB; one such frame alone is 3.5 million


def test_a_header_that_promises_a_thousand_million_frames(tmp_path: Path) -> None:
    path = tmp_path / "a.npy"
    with path.open("wb") as file:
        np.lib.format.write_array_header_1_0(
            file, {"descr": "|u1", "fortran_order": False, "shape": (10**9, 8, 10)}
        )
        file.write(FRAMES.tobytes())
    with open_clip(path) as clip:
        assert clip.facts.frame_count == 4
        assert clip.facts.promised_count == 10**9
        assert "truncated" in clip.facts.flags
    import h5py

    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset("frames", (10**9, 8, 10), np.uint8, chunks=(1, 8, 10))
    refused(tmp_path / "a.h5", r"promises 1000000000 frames but stores none")


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("width = 10\nheight = 8\n", r"'depth_bits' is missing"),
        ("width = 0\nheight = 8\ndepth_bits = 8\n", r"'width'"),
        ("width = 10\nheight = 8\ndepth_bits = 12\npacking = 'mono10p'\n", r"mono10p means depth_bits = 10"),
        ("width = 10\nheight = 8\ndepth_bits = 8\ncolour = 1\n", r"unknown setting 'colour'"),
        ("width = 10\nheight = 8\ndepth_bits = 8\npacking = 'zip'\n", r"'packing'"),
        ("width = ten\n", r"is not valid TOML"),
        (
            "width = 1000\nheight = 1000\ndepth_bits = 8\n",
            r"has 320 bytes, less than one frame of 1000 x 1000 px",
        ),
    ],
)
def test_a_sidecar_that_makes_no_sense(tmp_path: Path, text: str, match: str) -> None:
    (tmp_path / "a.raw").write_bytes(FRAMES.tobytes())
    (tmp_path / "a.raw.toml").write_text(text)
    with pytest.raises(ClipError, match=match):
        open_clip(tmp_path / "a.raw")


def test_several_data_sets(tmp_path: Path) -> None:
    import h5py

    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file["left"] = FRAMES
        file["deep/right"] = FRAMES + 1
    refused(path, r"several data sets of frames \(/deep/right, /left\); name one in the setting dataset")
    refused(path, r"has no data set '/middle' of three axes; there are: ", dataset="middle")
    with open_clip(path, settings=ClipSettings(dataset="deep/right")) as clip:
        np.testing.assert_array_equal(clip.frames([2])[0], FRAMES[2] + 1)


def test_a_still_of_another_size_is_named(tmp_path: Path) -> None:
    folder = write_frames(tmp_path / "stills", FRAMES, format="png-folder", depth_bits=8)
    import cv2

    cv2.imwrite(str(folder / "frame_000002.png"), np.zeros((9, 10), np.uint8))
    with (
        open_clip(folder) as clip,
        pytest.raises(ClipError, match=r"frame_000002\.png: is 10 x 9 px.*keep one size"),
    ):
        list(clip.blocks())


def test_one_frame_is_a_clip(tmp_path: Path) -> None:
    for name in ("mp4-h264-lossless", "avi-ffv1", "tiff", "png-folder", "npy", "hdf5", "raw"):
        from poolwatch.footage import FORMATS

        frame = np.random.default_rng(0).integers(0, 256, (1, 32, 32)).astype(np.uint8)
        path = write_frames(tmp_path / f"{name}{FORMATS[name].ending}", frame, format=name, depth_bits=8)
        with open_clip(path) as clip:
            assert clip.facts.frame_count == 1
            np.testing.assert_array_equal(next(clip.blocks()).frames, frame)
            assert clip.pieces(4) == [(0, 1)]


def test_a_plugin_takes_its_ending(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from poolwatch.clips import opening
    from poolwatch.clips.npy import NpyReader

    class Plugin(NpyReader):
        endings = (".zzz",)

    monkeypatch.setattr(opening, "_plugins", lambda: {"zzz": Plugin})
    buffer = io.BytesIO()
    np.save(buffer, FRAMES)
    (tmp_path / "a.zzz").write_bytes(buffer.getvalue())
    with open_clip(tmp_path / "a.zzz") as clip:
        np.testing.assert_array_equal(clip.frames([1])[0], FRAMES[1])
