"""Files that promise more than they hold, or unpack to far more than they are; each a few kilobytes.

Run as a script on a folder, it opens and inspects every file there with 400 MB of memory left to take.
"""

from __future__ import annotations

import struct
import sys
import zlib
from pathlib import Path

import h5py
import numpy as np
import tifffile

HUGE = 60_000
FRAMES = np.random.default_rng(1).integers(0, 255, (4, 32, 48)).astype(np.uint8)


def png(width: int, height: int, data: bytes) -> bytes:
    """A PNG of 8 bits grey (W3C PNG, 11.2) with these compressed data."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        return (
            struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def retag(path: Path, changes: dict[int, int]) -> None:
    """Set tags of a little-endian TIFF to a LONG (TIFF 6.0, section 2)."""
    data = path.read_bytes()
    (directory,) = struct.unpack_from("<I", data, 4)
    (entries,) = struct.unpack_from("<H", data, directory)
    for number in range(entries):
        at = directory + 2 + 12 * number
        (tag,) = struct.unpack_from("<H", data, at)
        if tag in changes:
            data = data[:at] + struct.pack("<HHII", tag, 4, 1, changes[tag]) + data[at + 12 :]
    path.write_bytes(data)


def npy(path: Path, shape: tuple[int, ...], descr: str = "|u1", rest: bytes = bytes(4096)) -> None:
    with path.open("wb") as file:
        header = {"descr": descr, "fortran_order": False, "shape": shape}
        np.lib.format.write_array_header_1_0(file, header)
        file.write(rest)


def write_all(folder: Path) -> dict[str, str]:
    """Write every bomb; name → what its refusal says, or ``read`` where it can be read as far as it goes."""
    said: dict[str, str] = {}
    zeros = zlib.compress(bytes(50_000_000), 9)

    for name, picture in (
        ("png_huge", png(HUGE, HUGE, zlib.compress(b"x"))),
        ("png_bomb", png(64, 48, zeros)),
    ):
        (folder / name).mkdir()
        (folder / name / "a_1.png").write_bytes(picture)
    said["png_huge"] = "above the limit"
    said["png_bomb"] = "read"
    (folder / "bmp_huge").mkdir()
    (folder / "bmp_huge" / "a_1.bmp").write_bytes(
        b"BM" + bytes(12) + struct.pack("<IiiHHIIIIII", 40, HUGE, HUGE, 1, 8, 0, 0, 0, 0, 0, 0)
    )
    said["bmp_huge"] = "above the limit"
    (folder / "jpeg_huge").mkdir()
    jpeg = b"\xff\xd8\xff\xc0" + struct.pack(">HBHHB", 11, 8, HUGE, HUGE, 1) + b"\x01\x11\x00" + bytes(100)
    (folder / "jpeg_huge" / "a_1.jpg").write_bytes(jpeg)
    said["jpeg_huge"] = "above the limit"

    tiff = folder / "tiff_huge.tif"
    tifffile.imwrite(tiff, FRAMES[0])
    retag(tiff, {256: HUGE, 257: HUGE})
    said[tiff.name] = "above the limit"
    tiff = folder / "tiff_strips.tif"
    tifffile.imwrite(tiff, np.zeros((48, 64), np.uint8), compression="zlib")
    retag(tiff, {256: 9_999, 257: 9_999})
    said[tiff.name] = "read"
    tiff = folder / "tiff_samples.tif"
    tifffile.imwrite(tiff, FRAMES[0])
    retag(tiff, {277: 65_535})
    said[tiff.name] = "read"
    tiff = folder / "tiff_loop.tif"
    tifffile.imwrite(tiff, FRAMES, metadata=None, photometric="minisblack")
    data = tiff.read_bytes()
    (first,) = struct.unpack_from("<I", data, 4)
    (entries,) = struct.unpack_from("<H", data, first)
    at = first + 2 + 12 * entries
    tiff.write_bytes(data[:at] + struct.pack("<I", first) + data[at + 4 :])
    said[tiff.name] = "read"
    tiff = folder / "tiff_stack.tif"
    tifffile.imwrite(tiff, FRAMES[0], description="ImageJ=1.0\nimages=1000000000\nslices=1000000000\n")
    said[tiff.name] = "read"

    npy(folder / "npy_huge.npy", (1, HUGE, HUGE))
    said["npy_huge.npy"] = "above the limit"
    npy(folder / "npy_many.npy", (10**9, 32, 48))
    said["npy_many.npy"] = "read"
    npy(folder / "npy_overflow.npy", (2**40, 2**20, 2**20))
    said["npy_overflow.npy"] = "above the limit"
    npy(folder / "npy_objects.npy", (1, 1, 1), "|O")
    said["npy_objects.npy"] = "pickled"

    for name, text, words in (
        ("raw_huge", f"width = {HUGE}\nheight = {HUGE}\ndepth_bits = 8\n", "above the limit"),
        (
            "raw_header",
            "width = 8\nheight = 8\ndepth_bits = 8\nheader_bytes = 1000000000000\n",
            "less than one frame",
        ),
        (
            "raw_stride",
            f"width = 8\nheight = 8\ndepth_bits = 8\nframe_header_bytes = {10**30}\n",
            "less than one frame",
        ),
    ):
        (folder / f"{name}.raw").write_bytes(bytes(4096))
        (folder / f"{name}.raw.toml").write_text(text)
        said[f"{name}.raw"] = words
    (folder / "toml_deep.raw").write_bytes(bytes(4096))
    (folder / "toml_deep.raw.toml").write_text("width = " + "[" * 100_000)
    said["toml_deep.raw"] = "nested too deeply"

    def hdf5(name: str, words: str) -> h5py.File:
        said[f"{name}.h5"] = words
        return h5py.File(folder / f"{name}.h5", "w")

    with hdf5("h5_huge", "above the limit") as file:
        file.create_dataset("frames", (2, HUGE, HUGE), np.uint8, chunks=(1, 1000, 1000))
    with hdf5("h5_many", "stores none") as file:
        file.create_dataset("frames", (10**9, 32, 48), np.uint8, chunks=(1, 32, 48))
    with hdf5("h5_last", "stores only 1 of") as file:
        file.create_dataset("frames", (10**9, 32, 48), np.uint8, chunks=(1, 32, 48))[10**9 - 1] = 7
    with hdf5("h5_chunk", "chunks of") as file:
        # A chunk may be far larger than a frame; gigabytes of zeros pack into kilobytes.
        data = file.create_dataset(
            "frames", (600_000, 32, 48), np.uint8, chunks=(600_000, 32, 48), compression="gzip"
        )
        data.id.write_direct_chunk((0, 0, 0), zeros)
    with hdf5("h5_external_link", "no data set") as file:
        file["frames"] = h5py.ExternalLink("/etc/passwd", "/frames")
    with hdf5("h5_external_data", "outside this file") as file:
        outside = [("/etc/hostname", 0, h5py.h5f.UNLIMITED)]
        file.create_dataset("frames", (1, 1, 4), np.uint8, external=outside)
    with hdf5("h5_virtual", "outside this file") as file:
        layout = h5py.VirtualLayout((4, 32, 48), np.uint8)
        layout[:] = h5py.VirtualSource(str(folder / "other.h5"), "frames", (4, 32, 48))
        file.create_virtual_dataset("frames", layout)
    with hdf5("h5_filter", "cannot be unpacked") as file:
        # Filter 32768 is the first that is registered to none (HDF5 library, filter registration).
        plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        plist.set_chunk((1, 32, 48))
        plist.set_filter(32_768, h5py.h5z.FLAG_OPTIONAL, ())
        space = h5py.h5s.create_simple((4, 32, 48))
        data = h5py.h5d.create(file.id, b"frames", h5py.h5t.NATIVE_UINT8, space, plist)
        h5py.Dataset(data).id.write_direct_chunk((0, 0, 0), b"packed by a filter that is not here")
    with hdf5("h5_soft_loop", "no data set") as file:
        file["frames"] = h5py.SoftLink("/frames")
    return said


def main(folder: Path) -> None:
    """Open and inspect each file; tell what came of it."""
    from poolwatch.cli.main import main as poolwatch
    from poolwatch.clips import open_clip
    from poolwatch.model.errors import PoolwatchError

    good = folder / "good.npy"
    np.save(good, FRAMES)
    poolwatch(["inspect", str(good)])  # loads all that is loaded once
    good.unlink()
    import resource

    taken = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    limit = taken + 400_000_000
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    for path in sorted(p for p in folder.iterdir() if p.suffix != ".toml"):
        try:
            with open_clip(path) as clip:
                total = clip.facts.frame_count
                for block in clip.blocks(size=64):
                    del block
            print(f"{path.name}\tread\t{total} {clip.findings()}", flush=True)
        except PoolwatchError as error:
            print(f"{path.name}\trefused\t{error}")
        except BaseException as error:  # noqa: BLE001 - told to the test
            print(f"{path.name}\tfailed\t{type(error).__name__}: {' '.join(str(error).split())}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
