"""Annotated video that plays in a browser: H.264 in MP4, colours tagged so that they show right."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from ..model.clip import DRAWN
from ..model.errors import OutputError, UsageError
from ..model.files import written_whole

if TYPE_CHECKING:
    from av.container import OutputContainer
    from av.video.stream import VideoStream

_LIMITED, _BT601 = 1, 6  # AVCOL_RANGE_MPEG, AVCOL_SPC_SMPTE170M
_PRIMARIES_BT709, _TRANSFER_BT709 = 1, 1


class BrowserVideo:
    """Takes colour frames one after the other; made by `open_browser_video`."""

    def __init__(
        self, out: OutputContainer, stream: VideoStream, width: int, height: int, order: str
    ) -> None:
        import av

        self._out = out
        self._stream = stream
        self._size = (height, width)
        self._order = order
        rows, columns = height + height % 2, width + width % 2
        self._padded = np.zeros((rows, columns, 3), np.uint8)
        # One frame for all pictures: fresh memory of this size costs as much as the conversion into it, and the
        # encoder copies a frame before it returns.
        self._yuv = np.empty((rows * 3 // 2, columns), np.uint8)
        self._frame = av.VideoFrame(columns, rows, "yuv420p")
        self._frame.color_range, self._frame.colorspace = _LIMITED, _BT601
        self._planes = [
            np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)[
                : plane.height, : plane.width
            ]
            for plane in self._frame.planes
        ]
        self.frames_written = 0

    def write(self, picture: NDArray[np.uint8]) -> None:
        """Add one frame (height, width, 3), uint8, in the channel order that was opened.

        Raises
        ------
        UsageError
            The picture has another shape or type.
        """
        import cv2

        if picture.shape != (*self._size, 3) or picture.dtype != np.uint8:
            raise UsageError(
                f"frame {self.frames_written}: expected uint8 {(*self._size, 3)}, got {picture.dtype} {picture.shape}"
            )
        height, width = self._size
        if self._padded.shape != picture.shape:
            # 4:2:0 needs even sizes: repeat the last row and column, so that no seam shows.
            self._padded[:height, :width] = picture
            self._padded[height:, :width] = picture[-1:]
            self._padded[:, width:] = self._padded[:, width - 1 : width]
            picture = self._padded
        code = cv2.COLOR_BGR2YUV_I420 if self._order == "bgr" else cv2.COLOR_RGB2YUV_I420
        cv2.cvtColor(picture, code, dst=self._yuv)
        rows = len(self._padded)
        luma, blue, red = self._planes
        luma[:] = self._yuv[:rows]
        blue[:], red[:] = self._yuv[rows:].reshape(2, rows // 2, -1)
        self._frame.pts = self.frames_written
        self._out.mux(self._stream.encode(self._frame))
        self.frames_written += 1


@dataclass(frozen=True)
class BrowserEncoding:
    """How a browser video is coded.

    Attributes
    ----------
    order
        Channel order of the frames that will be written.
    crf
        Constant rate factor of libx264, 0 (best) to 51.
    qp
        Constant quantiser, 0 (best) to 51, instead of a rate factor. No frame is then looked at before it is
        coded, which takes a third off the cost of the quickest presets.
    preset
        Speed preset of libx264.
    keyframe_every
        Frames from one keyframe to the next at most. A jump in a player decodes up to this many frames, so
        fewer make jumps quick and the file larger.
    """

    order: Literal["bgr", "rgb"] = "bgr"
    crf: int = 23
    qp: int | None = None
    preset: str = "veryfast"
    keyframe_every: int = 30


@contextlib.contextmanager
def open_browser_video(
    path: str | Path,
    width: int,
    height: int,
    playback_rate_hz: float = 25.0,
    *,
    encoding: BrowserEncoding | None = None,
) -> Iterator[BrowserVideo]:
    """Open an H.264 MP4 for writing colour frames; it appears at `path` only when the block ends well.

    Parameters
    ----------
    path
        File to write, ending ``.mp4``.
    width, height
        Size of the frames, px; an odd size is padded by one repeated column or row.
    playback_rate_hz
        Rate at which a player shows them, Hz.
    encoding
        How it is coded.

    Raises
    ------
    UsageError
        A size, the rate or the preset is no good, or the name does not end in ``.mp4``.
    OutputError
        The place cannot be written.

    Notes
    -----
    OpenCV's conversion to planar YUV uses ITU-R BT.601 coefficients in limited range, so the stream is tagged
    with that matrix, limited range, and BT.709 primaries and transfer (those of sRGB screens). The index
    goes to the front of the file, so that a page shows the first frame before all is loaded.
    """
    import av

    from .video import quiet_ffmpeg

    path, encoding = Path(path), encoding or BrowserEncoding()
    _check(path, width, height, playback_rate_hz, encoding)
    quiet_ffmpeg()
    with written_whole(path) as beside:
        try:
            with av.open(str(beside), "w", format="mp4", options={"movflags": "+faststart"}) as out:
                out.metadata["comment"] = DRAWN
                stream = _stream(out, width, height, playback_rate_hz, encoding)
                video = BrowserVideo(out, stream, width, height, encoding.order)
                yield video
                if video.frames_written == 0:
                    raise UsageError(f"{path}: no frame was written; write at least one")
                out.mux(stream.encode(None))
        except av.error.FFmpegError as error:
            raise OutputError(
                f"{path}: the video cannot be written ({error.strerror}); free some space, or check preset and crf"
            ) from error


def _check(path: Path, width: int, height: int, playback_rate_hz: float, encoding: BrowserEncoding) -> None:
    if path.suffix.lower() != ".mp4":
        raise UsageError(f"{path}: the video is an MP4; give a name that ends in .mp4")
    if width < 1 or height < 1 or width > 16384 or height > 16384:
        raise UsageError(f"{path}: a video of {width} x {height} px cannot be written; use 1 to 16384 px")
    if not 0 < playback_rate_hz <= 1000:
        raise UsageError(
            f"{path}: the playback rate must be above 0 and up to 1000 Hz, got {playback_rate_hz!r}"
        )
    if encoding.order not in ("bgr", "rgb"):
        raise UsageError(f"{path}: channel order must be 'bgr' or 'rgb', got {encoding.order!r}")
    if encoding.keyframe_every < 1:
        raise UsageError(f"{path}: a keyframe is due every 1 or more frames, got {encoding.keyframe_every!r}")


def _stream(
    out: OutputContainer, width: int, height: int, playback_rate_hz: float, encoding: BrowserEncoding
) -> VideoStream:
    """The stream of a video, tagged with its colours."""
    quality = {"crf": str(encoding.crf)} if encoding.qp is None else {"qp": str(encoding.qp)}
    rate = Fraction(playback_rate_hz).limit_denominator(10_000)
    stream = out.add_stream("libx264", rate=rate, options=quality | {"preset": encoding.preset})
    stream.width, stream.height = width + width % 2, height + height % 2
    stream.pix_fmt = "yuv420p"
    context = stream.codec_context
    context.time_base = 1 / rate
    context.gop_size = encoding.keyframe_every
    context.color_range, context.colorspace = _LIMITED, _BT601
    context.color_primaries, context.color_trc = _PRIMARIES_BT709, _TRANSFER_BT709
    return stream
