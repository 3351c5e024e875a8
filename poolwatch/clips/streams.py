"""A video file opened to its first stream, or what is wrong with it in one line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ..model.errors import ClipError
from .content import UNKNOWN, moving_pictures, opening_options, words_for

if TYPE_CHECKING:
    from av.container import InputContainer
    from av.video.codeccontext import VideoCodecContext
    from av.video.stream import VideoStream


def open_stream(path: Path) -> tuple[InputContainer, VideoStream]:
    """Open a file and its first video stream.

    Raises
    ------
    ClipError
        It cannot be opened, or has no video.
    """
    import av

    try:
        container = av.open(str(path), "r", **opening_options())
    except av.error.FFmpegError as error:
        raise ClipError(f"{path}: {_cure(path, error)}") from None
    streams = moving_pictures(container)
    if not streams:
        container.close()
        raise ClipError(f"{path}: has no video stream; give the recording itself")
    context: object | None = streams[0].codec_context  # None where FFmpeg knows no such codec
    if context is None:
        container.close()
        raise ClipError(
            f"{path}: nothing here can decode its video; its header may be damaged: copy it again, or convert it"
        )
    return container, streams[0]


def throws_detail_away(context: VideoCodecContext) -> bool:
    """Whether the codec is lossy, or may be: of those that can be either, H.264 alone tells by its profile."""
    return context.codec.lossy and not (context.name == "h264" and "4:4:4" in (context.profile or ""))


def _cure(path: Path, error: Exception) -> str:
    try:
        with path.open("rb") as file:
            head = file.read(64)
    except OSError as gone:
        return (
            f"cannot be read any more ({gone.strerror}); check the disc or network, and that it was not moved"
        )
    if path.suffix.lower() in (".mp4", ".m4v", ".mov") and (b"ftyp" in head or b"mdat" in head):
        return (
            "its index (moov) is missing, so no frame can be found: the recording was cut off or never finished; "
            "copy it again from the camera, or record to Matroska or AVI, which survive a cut"
        )
    words = words_for(path)
    if words != UNKNOWN:
        return f"is {words}, not video; give the recording itself"
    reason = getattr(error, "strerror", None) or str(error)
    return f"is no video that can be read ({reason}); copy it again, or check that it plays"
