"""The pages of a TIFF file: the chain of their directories, and what each says.

tifffile parses a directory in full, which takes longer than reading the values of a small frame. In footage hardly
anything but the place of the values differs from page to page. So the chain is walked once, and a directory that is
byte for byte the one parsed last, but for places and words, is not parsed again; every other one is.
"""

from __future__ import annotations

import logging
import struct
from array import array
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .reader import read_at

# Codes from TIFF 6.0 (1992), sections 3, 4, 8 and 15. Where the values lie:
_OFFSETS, _COUNTS = 273, 279
# Words, times and scales, which no grey value hangs on: names, description, make, model, resolution, position, page
# number, software, time, artist, computer, copyright. Their length may change from page to page.
_WORDS = frozenset({269, 270, 271, 272, 282, 283, 285, 286, 287, 297, 305, 306, 315, 316, 33432})
# Tiles, tables of JPEG, planes in depth: pages that are always parsed, for what they say is not told by places alone.
_NOT_STRIPS = frozenset({322, 323, 324, 325, 347, 32997, 32998})
_FORMS = {3: "H", 4: "I", 16: "Q"}  # SHORT, LONG, and LONG8 of BigTIFF
# More entries than any page has: tifffile takes a directory that says so for damaged.
_MOST_ENTRIES = 4096
_FIRST_LOOK = 512


# What tifffile and its decoders raise where tags or data are damaged.
TIFF_DAMAGE = (
    ValueError,
    IndexError,
    KeyError,
    TypeError,
    AttributeError,
    ArithmeticError,
    RuntimeError,
    struct.error,
    OSError,
)


def quiet_tifffile() -> None:
    """Keep tifffile's log off standard error unless the caller has set up logging."""
    log = logging.getLogger("tifffile")
    if not log.handlers:
        log.addHandler(logging.NullHandler())


def page_values(page: Any, frame: Any = None) -> NDArray[Any]:
    """Values of one page of a TIFF file, or of a frame that is laid out like it: (height, width[, channels]).

    Raises
    ------
    ValueError
        The page is not laid out so.
    """
    values = np.asarray((page if frame is None else frame).asarray(maxworkers=1))
    if values.ndim == 3 and page.samplesperpixel > 1 and int(page.planarconfig) == 2:
        values = np.moveaxis(values, 0, -1)  # one plane a channel
    if values.shape[:2] != (page.imagelength, page.imagewidth) or values.ndim > 3:
        raise ValueError(f"its values have the shape {values.shape}")
    return values


class Strips(NamedTuple):
    """Where the values of a page lie.

    Attributes
    ----------
    page
        The page as tifffile has parsed it, or another whose directory says the same of all but places.
    offsets, counts
        Places in the file, and bytes at each.
    in_one_piece
        Whether they follow one another.
    """

    page: Any
    offsets: tuple[int, ...]
    counts: tuple[int, ...]
    in_one_piece: bool

    @classmethod
    def of(cls, page: Any, offsets: tuple[int, ...], counts: tuple[int, ...]) -> Strips:
        """The places of a page, or of one like it."""
        if len(offsets) == 1:
            return cls(page, offsets, counts, True)
        ends = [at + count for at, count in zip(offsets, counts, strict=False)]
        whole = 0 not in counts and sum(counts) == page.nbytes
        return cls(page, offsets, counts, whole and ends[:-1] == list(offsets[1:]))


@dataclass(frozen=True)
class _Field:
    """Where a directory tells places or byte counts: position in it, form and number, whether it holds them."""

    at: int
    form: str
    inline: bool


@dataclass(frozen=True)
class _Pattern:
    """A directory that was parsed: its length, which of its bits must be the same, their values, and the two fields."""

    page: Any
    length: int
    mask: int
    fixed: int
    fields: tuple[_Field, _Field]
    in_one_piece: bool


class Directories:
    """The pages of an open TIFF file, by number.

    Attributes
    ----------
    damage
        Why the chain of pages ends before its time, in words; empty where it ends well.
    """

    def __init__(self, tif: Any, file: FileIO, path: Path) -> None:
        self._tif, self._file = tif, file
        self._size = path.stat().st_size
        self._order, self._small = tif.byteorder, tif.tiff.tagoffsetthreshold
        self._offsets = array("Q")
        self._pattern: _Pattern | None = None
        self.damage = self._walk()
        # In a few formats of microscopes and scanners tifffile itself mends the list of pages.
        self._mended = bool(tif.is_lsm or tif.is_scanimage or tif.is_ndpi)

    def __len__(self) -> int:
        return len(self._tif.pages) if self._mended else len(self._offsets)

    def furthest(self) -> int:
        """Where the directory furthest into the file begins."""
        return max(self._offsets)

    def whole(self, number: int) -> Any:
        """A page with all its tags parsed by tifffile; raises what tifffile raises where they are damaged."""
        import tifffile

        with np.errstate(all="ignore"):  # damaged lists of sample formats overflow
            if self._mended or number == 0:
                return self._tif.pages[number]
            self._tif.filehandle.seek(self._offsets[number])
            return tifffile.TiffPage(self._tif, index=number)

    def alike(self, number: int) -> Strips | None:
        """Where the values of a page lie whose directory is like the one remembered; None where it is not."""
        known = self._pattern
        if known is None or number == 0:
            return None
        data = self._bytes(self._offsets[number], known.length)
        if len(data) < known.length or int.from_bytes(data, "little") & known.mask != known.fixed:
            return None
        offsets = self._numbers(data, known.fields[0])
        counts = self._numbers(data, known.fields[1])
        if offsets is None or counts is None:
            return None
        strips = Strips.of(known.page, offsets, counts)
        # tifffile reads plain values in one piece or by strips as the page that was parsed has them.
        return strips if known.page.compression != 1 or strips.in_one_piece == known.in_one_piece else None

    def values(self, number: int, strips: Strips) -> NDArray[Any]:
        """Values of a page, as `pictures.page_values` gives them; raises what tifffile raises on damaged data."""
        import tifffile

        page = strips.page
        if page.index == number:
            return page_values(page)
        frame = tifffile.TiffFrame(
            self._tif, number, keyframe=page, dataoffsets=strips.offsets, databytecounts=strips.counts
        )
        return page_values(page, frame)

    def remember(self, number: int, page: Any) -> None:
        """Take a page that was parsed as the pattern of those to come, if its directory is of the usual kind.

        The first page is not: tifffile asks it alone whether the file is of some microscope's making.
        """
        self._pattern = None
        if self._mended or number == 0 or page.bitspersample == 32:
            return
        tiff, at = self._tif.tiff, self._offsets[number]
        head = self._bytes(at, tiff.tagnosize)
        if len(head) < tiff.tagnosize:
            return
        entries = struct.unpack(tiff.tagnoformat, head)[0]
        length = tiff.tagnosize + entries * tiff.tagsize
        data = self._bytes(at, length)
        if len(data) < length:
            return
        mask = bytearray(b"\xff" * length)
        fields: dict[int, _Field] = {}
        seen = set()
        value = tiff.tagsize - self._small
        head_form = f"{self._order}HH{'Q' if self._tif.is_bigtiff else 'I'}"
        for begin in range(tiff.tagnosize, length, tiff.tagsize):
            code, kind, count = struct.unpack_from(head_form, data, begin)
            if code in seen or code in _NOT_STRIPS:
                return
            seen.add(code)
            free = begin + tiff.tagsize
            if code in (_OFFSETS, _COUNTS):
                if kind not in _FORMS or not 0 < count <= self._size:
                    return
                form = f"{self._order}{count}{_FORMS[kind]}"
                fields[code] = _Field(begin + value, form, struct.calcsize(form) <= self._small)
                free = begin + value
            elif code in _WORDS:
                free = begin + 4
            mask[free : begin + tiff.tagsize] = bytes(begin + tiff.tagsize - free)
        if len(fields) < 2:
            return
        bits = int.from_bytes(mask, "little")
        places = fields[_OFFSETS], fields[_COUNTS]
        # Where tifffile has mended what the directory says, the directory is no pattern.
        if [self._numbers(data, field) for field in places] == [page.dataoffsets, page.databytecounts]:
            one = Strips.of(page, page.dataoffsets, page.databytecounts).in_one_piece
            self._pattern = _Pattern(page, length, bits, int.from_bytes(data, "little") & bits, places, one)

    def _numbers(self, data: bytes, field: _Field) -> tuple[int, ...] | None:
        """The numbers of a field, in the directory or where it points to; None where they are not in the file."""
        if field.inline:
            return struct.unpack_from(field.form, data, field.at)
        at = struct.unpack_from(self._tif.tiff.offsetformat, data, field.at)[0]
        size = struct.calcsize(field.form)
        if at < 8 or at + size > self._size:
            return None
        there = self._bytes(at, size)
        return struct.unpack(field.form, there) if len(there) == size else None

    def _bytes(self, at: int, count: int) -> bytes:
        """Bytes of the file, fewer where it ends."""
        data = np.empty(count, np.uint8)
        return data[: read_at(self._file, at, data)].tobytes()

    def _walk(self) -> str:
        """Go along the chain from page to page (TIFF 6.0, section 2); why it ends before its time, if it does."""
        tiff, places = self._tif.tiff, self._offsets
        at, highest, ahead = int(self._tif.pages.first.offset), -1, _FIRST_LOOK
        seen: set[int] | None = None
        while at:
            if at >= self._size:
                return "the chain of pages breaks off: the file was cut"
            if at <= highest:  # only a chain that leads back can be a circle
                seen = set(places) if seen is None else seen
                if at in seen:
                    return "the chain of pages runs in a circle"
            data = self._bytes(at, ahead)
            if len(data) < tiff.tagnosize:
                return "the chain of pages breaks off: the file was cut"
            entries = struct.unpack_from(tiff.tagnoformat, data)[0]
            if entries > _MOST_ENTRIES:
                return "the chain of pages leads to what is no page"
            pointer = tiff.tagnosize + entries * tiff.tagsize
            length = pointer + tiff.offsetsize
            if len(data) < length:
                data = self._bytes(at, length)
            places.append(at)
            highest, ahead = max(highest, at), length
            if seen is not None:
                seen.add(at)
            if len(data) < length:
                return "the chain of pages breaks off: the file was cut"
            at = struct.unpack_from(tiff.offsetformat, data, pointer)[0]
        return ""
