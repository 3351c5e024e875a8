"""What a file is, by its content: a container with moving pictures, or in words what else."""

from __future__ import annotations

import codecs
import functools
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from ..model.errors import ClipError

if TYPE_CHECKING:
    from av.container import InputContainer
    from av.video.stream import VideoStream

# FFmpeg's demuxers that must not be tried on a file. Those that open other files, or a device:
_ELSEWHERE = (
    "concat concatf hls dash webm_dash_manifest imf sdp rtp rtsp sap image2 vobsub lavfi ffmetadata "
    "alsa android_camera avfoundation bktr decklink dshow dvdvideo fbdev gdigrab iec61883 jack kmsgrab libcdio "
    "openal oss pulse sndio v4l2 vfwcap video4linux2 x11grab xcbgrab"
)
# Those that draw text, or take any bytes for pictures, for want of a mark to know them by:
_ANYTHING = (
    "tty bin xbin adf idf cdg tmv rawvideo bitpacked v210 v210x data image2pipe alias_pix brender_pix "
    "h261 h263 cavsvideo lrc"
)
# Single pictures (the readers of stills and TIFF take those), beside all named `…_pipe`:
_PICTURES = "fits ico txd"
# First bytes of what people give by mistake, and of what other readers take.
_MARKS: tuple[tuple[bytes, str], ...] = (
    (b"\x89PNG", "a single picture (PNG)"),
    (b"\xff\xd8\xff", "a single picture (JPEG)"),
    (b"BM", "a single picture (BMP)"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or an office document"),
    (b"\x1f\x8b", "a packed file (gzip)"),
    (b"7z\xbc\xaf", "a packed file (7z)"),
    (b"Rar!", "a packed file (RAR)"),
    (b"\xd0\xcf\x11\xe0", "an office document"),
    (b"SQLite format 3", "a database (SQLite)"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
)
_READERS: tuple[tuple[bytes, str], ...] = (
    *((mark, "tiff") for mark in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")),
    (b"\x93NUMPY", "npy"),
    (b"\x89HDF\r\n\x1a\n", "hdf5"),
)
_HEAD = 4096
UNKNOWN = "in no format that is known here"


class _Nameless:
    """A file without a name, so that its ending decides nothing."""

    def __init__(self, file: IO[bytes]) -> None:
        self.read, self.seek, self.tell = file.read, file.seek, file.tell


def reader_by_mark(path: Path) -> str | None:
    """Name of the reader whose files begin so; None where that says nothing."""
    head = _head(path)
    return next((name for mark, name in _READERS if head.startswith(mark)), None)


def opening_options() -> dict[str, Any]:
    """What `av.open` needs so that only demuxers for one file of moving pictures are tried, and metadata never stop it.

    From PyAV 19 on metadata in no known encoding are no error.
    """
    import av

    options: dict[str, Any] = {"options": {"format_whitelist": _demuxers()}}
    if int(av.__version__.split(".")[0]) < 19:
        options["metadata_errors"] = "replace"
    return options


def moving_pictures(container: InputContainer) -> list[VideoStream]:
    """Its video streams, without pictures of covers."""
    from av.stream import Disposition

    return [s for s in container.streams.video if not s.disposition & Disposition.attached_pic]


def holds_video(path: Path) -> bool:
    """Whether FFmpeg knows the file, by its content alone, for a container with moving pictures."""
    return _kind(path) == "video"


def words_for(path: Path) -> str:
    """What a file is that no reader takes: ``sound (wav)``, ``text``, ``a PDF document`` …"""
    head = _head(path)
    for mark, words in _MARKS:
        if head.startswith(mark):
            return words
    kind = _kind(path)
    if kind.startswith("sound"):
        return kind
    encodings = ("utf-16",) if head[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    return "text" if any(_is_text(head, encoding) for encoding in encodings) else UNKNOWN


def _is_text(head: bytes, encoding: str) -> bool:
    try:
        # Step by step, for the head may end within a letter.
        text = codecs.getincrementaldecoder(encoding)().decode(head)
    except UnicodeError:
        return False
    return all(letter.isprintable() or letter in "\t\r\n\f" for letter in text)


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_HEAD)
    except OSError as error:
        raise ClipError(
            f"{path}: cannot be read ({error.strerror or error}); check the disc or network, and that it was not moved"
        ) from None


def _kind(path: Path) -> str:
    """``video``, ``sound (…)`` or nothing, by what FFmpeg makes of the bytes."""
    import av

    try:
        with path.open("rb") as file, av.open(_Nameless(file), "r", **opening_options()) as container:
            if moving_pictures(container):
                return "video"
            return f"sound ({container.format.name.split(',')[0]})" if container.streams.audio else ""
    except (av.error.FFmpegError, OSError):
        return ""


@functools.cache
def _demuxers() -> str:
    import av

    refused = {*_ELSEWHERE.split(), *_ANYTHING.split(), *_PICTURES.split()}
    return ",".join(
        sorted(n for n in av.formats_available if not (refused & set(n.split(",")) or n.endswith("_pipe")))
    )
