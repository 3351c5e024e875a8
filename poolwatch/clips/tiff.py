"""Multi-page TIFF, page by page."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..model.clip import ClipFacts
from ..model.errors import ClipError
from .pictures import luma
from .reader import BaseReader, check_size, check_type, read_at, reason_of
from .settings import ClipSettings
from .tiff_pages import TIFF_DAMAGE, Directories, Strips, quiet_tifffile

# So far behind the last page's directory another is looked for, in bytes: several large frames.
_SEARCHED = 1 << 26
# Numbers of compressions with loss: JPEG and lossy JPEG 2000; JPEG of more than 8 bits is its lossless kind.
_LOSSY = (6, 7, 99, 22610, 33003, 33004, 33005, 33007, 34892)


class _Stack(NamedTuple):
    """Frames without pages of their own: where their values begin in the file, their type, and how many there are."""

    at: int
    dtype: np.dtype[Any]
    frames: int


class _Layout(NamedTuple):
    """How a page's values are stored, by its tags: how they are packed, and all else."""

    packing: Any
    values: tuple[Any, ...]


class TiffReader(BaseReader):
    """Reads TIFF and BigTIFF; pages that lie in one piece come straight from the file."""

    def __init__(self, path: Path, *, settings: ClipSettings) -> None:
        super().__init__()
        import tifffile

        quiet_tifffile()
        self._stack: _Stack | None = None
        self._layout: _Layout | None = None
        self._file = path.open("rb", buffering=0)
        try:
            self._tif = tifffile.TiffFile(path)
        except TIFF_DAMAGE as error:
            self._file.close()
            raise ClipError(
                f"{path}: is no readable TIFF file ({reason_of(error)}); copy it again, or give it the right ending"
            ) from None
        try:
            self._open(path, settings)
        except TIFF_DAMAGE as error:
            self._release()
            if isinstance(error, ClipError):
                raise
            raise ClipError(
                f"{path}: its TIFF tags are damaged ({reason_of(error)}); copy it again"
            ) from None
        except BaseException:
            self._release()
            raise

    def _open(self, path: Path, settings: ClipSettings) -> None:
        import tifffile

        first = self._tif.pages.first
        width, height = int(first.imagewidth), int(first.imagelength)
        check_size(path, width, height, settings)
        if first.dtype is None:
            raise ClipError(
                f"{path}: its values ({first.bitspersample} bits) cannot be read; save it as 8 or 16 bits"
            )
        kind = check_type(path, np.dtype(first.dtype))
        if first.photometric == tifffile.PHOTOMETRIC.PALETTE:
            raise ClipError(f"{path}: holds palette colours, not grey values; save it as greyscale")
        self._size = path.stat().st_size
        self._pages = Directories(self._tif, self._file, path)
        self._inverted = first.photometric == tifffile.PHOTOMETRIC.MINISWHITE
        colour = first.samplesperpixel > 2
        self._stack = self._one_page_stack(first, width, height)
        count, promised, cut, notes = self._counted(first, width * height)
        flags = {"truncated"} if cut else set()
        if count < 1:
            raise ClipError(f"{path}: not one whole page is there; copy it again")
        if colour:
            notes.append("colour to luma (ITU-R BT.601 weights)")
        if self._inverted:
            notes.append("white-is-zero values turned round")
        bits = (
            first.bitspersample
            if isinstance(first.bitspersample, int)
            else 8 * np.dtype(first.dtype).itemsize
        )
        if first.compression in _LOSSY and bits <= 8:
            flags.add("lossy_video")
        packing = tifffile.COMPRESSION(first.compression).name.lower().replace("_", " ")
        form = "BigTIFF" if self._tif.is_bigtiff else "TIFF"
        facts = ClipFacts(
            path,
            "tiff",
            f"{form}, {bits} bits, compression {packing}",
            width,
            height,
            kind,
            bits,
            0.0,
            count,
            promised,
            notes=tuple(notes),
            flags=tuple(flags),
        )
        self._settle(facts, settings, stated_bits=bits if bits not in (8, 16) else None)

    def _counted(self, first: Any, pixels: int) -> tuple[int, int | None, bool, list[str]]:
        """Frames that are there, that the file promises, whether it is cut short, and why."""
        if self._stack is not None:
            count, promised = self._stack.frames, int(self._tif.series[0].size) // pixels
            return count, promised, count < promised, []
        count, damage = self._count_pages()
        if damage:
            return count, None, True, [damage]
        if self._pages_behind(first):
            return (
                count,
                None,
                True,
                ["the chain of pages ends too early: others are stored behind its last one"],
            )
        return count, None, False, []

    def _one_page_stack(self, first: Any, width: int, height: int) -> _Stack | None:
        """Frames behind a single page, as some programs write large stacks; None where there are pages."""
        if len(self._pages) != 1 or first.samplesperpixel != 1 or first.compression != 1:
            return None
        if len(self._tif.pages) != 1:  # asked for, so that tifffile too knows where the chain ends
            return None
        series = self._tif.series[0]
        total = int(series.size) // (width * height)
        if total <= 1 or series.dataoffset is None:
            return None
        dtype = np.dtype(first.dtype).newbyteorder(self._tif.byteorder)
        size = width * height * dtype.itemsize
        return _Stack(int(series.dataoffset), dtype, min(total, (self._size - series.dataoffset) // size))

    def _count_pages(self) -> tuple[int, str]:
        """Pages whose data are inside the file, and what is wrong with the chain of pages, if anything."""
        count, damage = len(self._pages), self._pages.damage
        end = self._size
        while count:
            try:
                page = self._pages.whole(count - 1)
                inside = all(a + n <= end for a, n in zip(page.dataoffsets, page.databytecounts, strict=True))
            except TIFF_DAMAGE:
                inside = False
            if inside:
                break
            count -= 1
            damage = damage or "the chain of pages breaks off: the file was cut"
        return count, damage

    def _pages_behind(self, first: Any) -> bool:
        """Whether the directory of a page of the same size lies behind all of them: a zero in the chain cut it short.

        A writer puts data of the page there, and may be a few words; directories begin alike, width and height.
        """
        width, height = first.tags.get(256), first.tags.get(257)
        if width is None or height is None:
            return False
        begin, end = width.offset, height.offset + (20 if self._tif.is_bigtiff else 12)
        alike, behind = np.zeros(max(end - begin, 1), np.uint8), self._pages.furthest() + end - first.offset
        data = np.zeros(max(min(self._size - behind, _SEARCHED), 0), np.uint8)
        read_at(self._file, begin, alike)
        read_at(self._file, behind, data)
        return bool(end > begin) and data.tobytes().find(alike.tobytes()) >= 0

    def _values(self, at: int, dtype: np.dtype[Any], count: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        """`count` frames that lie one after the other from a place on, and which of them are there."""
        facts = self.facts
        size = facts.height * facts.width * dtype.itemsize
        data = np.empty((count, size), np.uint8)
        decoded = np.arange(1, count + 1) * size <= read_at(self._file, at, data)
        frames = data.view(dtype).reshape(count, facts.height, facts.width)
        return frames.astype(facts.dtype, copy=False), decoded

    def _read(self, start: int, stop: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        facts = self.facts
        if self._stack is not None:
            at, dtype, _ = self._stack
            frame_size = facts.height * facts.width * dtype.itemsize
            frames, there = self._values(at + start * frame_size, dtype, stop - start)
            frames = self._turned(frames)
            frames[~there] = 0
            return frames, there
        out = np.empty((stop - start, facts.height, facts.width), facts.dtype)
        decoded = np.array([self._page(start + place, out[place]) for place in range(stop - start)], np.bool_)
        out[~decoded] = 0
        return out, decoded

    def _reads_alike(self, page: Any) -> bool:
        """Whether a page's tags say to read it as the others are; where they do not, a tag is damaged."""
        if self._layout is None:
            first = [_layout(self._pages.whole(number)) for number in range(min(3, len(self._pages)))]
            self._layout = max(first, key=first.count)
        own = _layout(page)
        same = own.values == self._layout.values
        if not same or not isinstance(page.imagewidth + page.imagelength, int):
            return False
        # A writer may leave a page plain that cannot be packed; then it is as long as its values.
        plain = page.imagewidth * page.imagelength * page.samplesperpixel * np.dtype(page.dtype).itemsize
        return bool(
            own.packing == self._layout.packing or (own.packing == 1 and sum(page.databytecounts) == plain)
        )

    def _page(self, number: int, out: NDArray[Any]) -> bool:
        """Set `out` to the grey values of a page; whether its data were whole."""
        try:
            strips = self._pages.alike(number) or self._parsed(number)
            if strips is None:
                return False
            dtype = self._plain(strips)
            if dtype is not None:
                return self._fill(out, strips.offsets[0], dtype)
            out[...] = self._turned(luma(self._pages.values(number, strips)))
            return True
        except ClipError:
            raise
        except TIFF_DAMAGE:
            return False

    def _parsed(self, number: int) -> Strips | None:
        """A page by all of its tags; None where they do not say to read it as the others are."""
        facts = self.facts
        page = self._pages.whole(number)
        if not self._reads_alike(page):
            return None
        if (page.imagelength, page.imagewidth) != (facts.height, facts.width):
            raise ClipError(
                f"{facts.path}: page {number} is {page.imagewidth} x {page.imagelength} px, the first is "
                f"{facts.width} x {facts.height} px; keep one size in a file"
            )
        if self._layout is not None and page.compression == self._layout.packing:
            self._pages.remember(number, page)
        return Strips.of(page, page.dataoffsets, page.databytecounts)

    def _plain(self, strips: Strips) -> np.dtype[Any] | None:
        """Type of the values of a page that stand in the file in one piece, as they are; None where they do not."""
        page = strips.page
        if page.compression != 1 or page.samplesperpixel != 1 or not strips.in_one_piece:
            return None
        dtype = np.dtype(page.dtype).newbyteorder(self._tif.byteorder)
        as_they_are = page.bitspersample == 8 * dtype.itemsize and page.fillorder == page.predictor == 1
        return dtype if as_they_are else None

    def _fill(self, out: NDArray[Any], at: int, dtype: np.dtype[Any]) -> bool:
        """Set `out` to values that begin at a place in the file; whether all are there."""
        if (dtype.kind, dtype.itemsize) != (out.dtype.kind, out.dtype.itemsize):
            (frame,), (whole,) = self._values(at, dtype, 1)
            out[...] = self._turned(frame)
        else:
            whole = read_at(self._file, at, out.view(np.uint8)) == out.nbytes
            if not dtype.isnative:
                out.byteswap(inplace=True)
            if self._inverted:
                out[...] = self._turned(out)
        return bool(whole)

    def _turned(self, frames: NDArray[Any]) -> NDArray[Any]:
        if not self._inverted:
            return frames
        top = (1 << self.facts.depth_bits) - 1
        return np.asarray(top - frames, dtype=self.facts.dtype)

    def _release(self) -> None:
        self._file.close()
        self._tif.close()


def _layout(page: Any) -> _Layout:
    return _Layout(
        page.compression, (page.predictor, page.photometric, page.bitspersample, page.samplesperpixel)
    )
