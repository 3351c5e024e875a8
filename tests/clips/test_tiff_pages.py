"""Pages of TIFF that are not parsed again, against tifffile's parsing of every page; damaged chains and directories."""

from __future__ import annotations

import os
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from poolwatch.clips import open_clip
from poolwatch.clips.tiff_pages import Directories
from poolwatch.model.errors import ClipError

COUNT, SHAPE = 12, (24, 40)
# What tifffile's own writer is told: TIFF and BigTIFF, both byte orders, strips, packings, depths, words of any length.
KINDS: dict[str, dict[str, Any]] = {
    "plain": {},
    "plain big-endian": {"byteorder": ">", "dtype": np.uint16},
    "plain, strips": {"rowsperstrip": 5},
    "plain, strips, big": {"rowsperstrip": 7, "bigtiff": True, "dtype": np.uint16},
    "words": {"words": True},
    "words, big-endian, big": {"words": True, "bigtiff": True, "byteorder": ">"},
    "deflate": {"compression": "zlib", "predictor": True},
    "deflate, strips": {"compression": "zlib", "rowsperstrip": 6, "dtype": np.uint16},
    "lzw, big-endian": {"compression": "lzw", "byteorder": ">", "dtype": np.uint16},
    "white is zero": {"photometric": "miniswhite"},
    "colour": {"photometric": "rgb"},
    "colour, deflate": {"photometric": "rgb", "compression": "zlib"},
    "tiles": {"tile": (16, 16)},
}


def footage(dtype: Any = np.uint8, seed: int = 0) -> NDArray[Any]:
    top = np.iinfo(dtype).max
    return np.random.default_rng(seed).integers(0, top, (COUNT, *SHAPE), dtype, endpoint=True)


def write(
    path: Path, *, dtype: Any = np.uint8, words: bool = False, photometric: str = "minisblack", **options: Any
) -> Path:
    frames = footage(dtype)
    where = {key: options.pop(key) for key in ("bigtiff", "byteorder") if key in options}
    with tifffile.TiffWriter(path, **where) as out:
        for number, frame in enumerate(frames):
            picture = np.stack([frame, frame, frame // 2], axis=-1) if photometric == "rgb" else frame
            said = (
                {"description": "frame " + "x" * (7 * number % 23), "software": "z" * number} if words else {}
            )
            out.write(picture, photometric=photometric, metadata=None, **said, **options)
    return path


@pytest.fixture(params=list(KINDS))
def clip(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return write(tmp_path / "a.tif", **KINDS[request.param])


@pytest.fixture
def parsed(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Numbers of the pages that are parsed in full."""
    numbers: list[int] = []
    real = Directories.whole

    def whole(self: Directories, number: int) -> Any:
        numbers.append(number)
        return real(self, number)

    monkeypatch.setattr(Directories, "whole", whole)
    return numbers


def outcome(path: Path, *, size: int = 5) -> tuple[Any, ...]:
    """Everything that reading a file gives, or the words of its refusal."""
    try:
        with open_clip(path) as clip:
            blocks = list(clip.blocks(size=size))
            found, facts = clip.findings(), clip.facts
    except ClipError as error:
        return ("refused", str(error))
    frames = np.concatenate([block.frames for block in blocks])
    decoded = np.concatenate([block.decoded for block in blocks])
    return facts, found, frames.dtype, frames.shape, frames.tobytes(), decoded.tobytes()


def parsed_outcome(path: Path) -> tuple[Any, ...]:
    """The same with every page parsed in full."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Directories, "alike", lambda self, number: None)
        return outcome(path)


def test_every_page_is_what_tifffile_reads(clip: Path) -> None:
    with tifffile.TiffFile(clip) as tif:
        pages = [page.asarray() for page in tif.pages]
        white = tif.pages.first.photometric == tifffile.PHOTOMETRIC.MINISWHITE
    with open_clip(clip) as reader:
        frames = reader.frames(range(COUNT))
        turned = reader.frames([7, 3, 11, 0])
    if pages[0].ndim == 3:  # BT.601 luma of the third of the colours at half: within rounding
        pages = [(0.886 * page[..., 0] + 0.114 * page[..., 2]).round() for page in pages]
        assert np.abs(frames - np.stack(pages)).max() <= 1
    else:
        top = np.iinfo(frames.dtype).max
        np.testing.assert_array_equal(frames, top - np.stack(pages) if white else np.stack(pages))
    np.testing.assert_array_equal(turned, frames[[7, 3, 11, 0]])
    assert outcome(clip) == parsed_outcome(clip)


@pytest.mark.parametrize("name", [name for name in KINDS if not name.startswith(("tiles", "colour"))])
def test_pages_alike_are_not_parsed(tmp_path: Path, parsed: list[int], name: str) -> None:
    path = write(tmp_path / "a.tif", **KINDS[name])
    with open_clip(path) as reader:
        opened = len(parsed)
        for _ in reader.blocks(size=5):
            pass
        reader.frames([9, 2])
    # The first page, and the next as the pattern of the rest; the layout is told from three.
    assert len(parsed) - opened <= 5
    assert set(parsed[opened:]) <= {0, 1, 2}


def put(path: Path, at: int, value: bytes) -> None:
    data = bytearray(path.read_bytes())
    data[at : at + len(value)] = value
    path.write_bytes(data)


@pytest.mark.parametrize("name", ["plain", "deflate"])
def test_mixed_pages(tmp_path: Path, name: str) -> None:
    """Plain pages among packed ones, other predictors, more words and strips: each is read by what it says."""
    frames = footage()
    path = tmp_path / "a.tif"
    packed = {"compression": "zlib"} if name == "deflate" else {}
    others = {
        3: {"compression": None},
        5: {"rowsperstrip": 4},
        6: {"description": "six"},
        9: {"datetime": True},
    }
    with tifffile.TiffWriter(path) as out:
        for number, frame in enumerate(frames):
            how = {**packed, **others.get(number, {})}
            out.write(frame, photometric="minisblack", metadata=None, **how)
    with open_clip(path) as reader:
        np.testing.assert_array_equal(reader.frames(range(COUNT)), frames)
    assert outcome(path) == parsed_outcome(path)
    with tifffile.TiffWriter(path) as out:
        for number, frame in enumerate(frames):
            one = frame.astype(np.uint16) if number == 4 else frame[:, ::-1] if number == 8 else frame
            out.write(one, photometric="miniswhite" if number == 6 else "minisblack", metadata=None, **packed)
    got = outcome(path)
    assert np.flatnonzero(~np.frombuffer(got[-1], np.bool_)).tolist() == [4, 6]
    assert got == parsed_outcome(path)


def test_a_page_of_another_size_is_refused(tmp_path: Path) -> None:
    frames = footage()
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as out:
        for number, frame in enumerate(frames):
            out.write(frame[:-2] if number == 8 else frame, photometric="minisblack", metadata=None)
    assert outcome(path)[0] == "refused"
    assert "page 8 is 40 x 22 px, the first is 40 x 24 px" in outcome(path)[1]
    assert outcome(path) == parsed_outcome(path)


def test_bits_in_the_other_order_are_turned(tmp_path: Path) -> None:
    """FillOrder 2 (TIFF 6.0, tag 266): the low bit comes first, in plain values too."""
    frames = footage()
    path = write(tmp_path / "a.tif")
    with tifffile.TiffFile(path) as tif:
        units = [page.tags[296].offset for page in tif.pages]  # ResolutionUnit gives way to it
    for at in units:
        put(path, at, struct.pack("<HHIHH", 266, 3, 1, 2, 0))
    with open_clip(path) as reader:
        got = reader.frames(range(COUNT))
    turned = np.packbits(np.unpackbits(frames, bitorder="little"), bitorder="big").reshape(frames.shape)
    np.testing.assert_array_equal(got, turned)


@pytest.mark.parametrize("pages", [8, 130])
def test_a_chain_in_a_circle_ends(tmp_path: Path, pages: int) -> None:
    path = tmp_path / "a.tif"
    frames = np.random.default_rng(1).integers(0, 255, (pages, 8, 8), np.uint8)
    with tifffile.TiffWriter(path) as out:
        for frame in frames:
            out.write(frame, photometric="minisblack", metadata=None)
    with tifffile.TiffFile(path) as tif:
        last, fourth = tif.pages[pages - 1], tif.pages[4].offset
        pointer = last.offset + 2 + 12 * len(last.tags)
    put(path, pointer, struct.pack("<I", fourth))
    with open_clip(path) as reader:
        assert reader.facts.frame_count == pages
        assert "truncated" in reader.facts.flags
        assert any("runs in a circle" in note for note in reader.facts.notes)
        np.testing.assert_array_equal(reader.frames(range(pages)), frames)


def test_pages_in_any_order(tmp_path: Path) -> None:
    """A chain that leads back through the file, as programs that rewrite pages leave it."""
    frames = footage()
    path = write(tmp_path / "a.tif")
    with tifffile.TiffFile(path) as tif:
        places = [page.offset for page in tif.pages]
        length = 2 + 12 * len(tif.pages[1].tags)
    order = [0, *range(COUNT - 1, 0, -1)]
    for here, there in zip(order, [*(places[n] for n in order[1:]), 0], strict=True):
        put(path, places[here] + length, struct.pack("<I", there))
    with open_clip(path) as reader:
        assert "truncated" not in reader.facts.flags
        np.testing.assert_array_equal(reader.frames(range(COUNT)), frames[order])


def mutated(data: bytes, spans: list[tuple[int, int]], rng: np.random.Generator) -> bytes:
    """One to three bytes changed in the directories, or in the lists of strips that they point to."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 4))):
        begin, end = spans[int(rng.integers(len(spans)))]
        at = int(rng.integers(begin, end))
        out[at] = int(
            rng.choice([0, 1, 2, 8, 0xFF, out[at] ^ (1 << int(rng.integers(8))), int(rng.integers(256))])
        )
    return bytes(out)


@pytest.mark.slow
@pytest.mark.parametrize(
    "rounds", [12, pytest.param(int(os.environ.get("POOLWATCH_FUZZ", 0)) or 40, marks=pytest.mark.long)]
)
def test_damaged_directories_read_as_when_all_are_parsed(rounds: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(int(os.environ.get("POOLWATCH_FUZZ_SEED", 5)))
    seen = set()
    for name, options in KINDS.items():
        path = write(tmp_path / "a.tif", **options)
        data = path.read_bytes()
        with tifffile.TiffFile(path) as tif:
            tag, head = tif.tiff.tagsize, tif.tiff.tagnosize
            spans = [(page.offset, page.offset + head + tag * len(page.tags) + 8) for page in tif.pages]
            for page in tif.pages:
                strips = page.tags.get(273)
                if strips is not None and strips.count > 2:
                    spans.append((strips.valueoffset, strips.valueoffset + 2 * strips.count))
        for _ in range(rounds):
            path.write_bytes(mutated(data, spans, rng))
            got = outcome(path)
            assert got == parsed_outcome(path), name
            seen.add(got[0] if got[0] == "refused" else bool(np.frombuffer(got[-1], np.bool_).all()))
    assert seen == {"refused", True, False}  # refused, all read, some pages damaged
