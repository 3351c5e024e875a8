"""Grey frames as video."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from ..model.errors import OutputError, UsageError
from ..model.files import written_whole
from .formats import FootageOptions, Format

if TYPE_CHECKING:
    from av.video.frame import VideoFrame
    from av.video.stream import VideoStream

LIMITED, FULL = 1, 2  # AVCOL_RANGE_MPEG, AVCOL_RANGE_JPEG
BT709 = 1
# The encoder's largest coding block; below it libx265 at 10 and 12 bits writes past its memory.
_HEVC_SMALLEST = 64


def write_video(
    path: Path,
    frames: Iterable[NDArray[Any]],
    shape: tuple[int, int],
    entry: Format,
    depth_bits: int,
    playback_rate_hz: float,
    options: FootageOptions,
) -> None:
    """Encode frames of one size into the container and codec of `entry`.

    Raises
    ------
    UsageError
        The codec refuses such frames.
    OutputError
        The place cannot be written.
    """
    import av

    height, width = shape
    codec, exact = entry.how["codec"], entry.how["way"] == "exact"
    if codec == "libx265" and min(shape) < _HEVC_SMALLEST:
        raise UsageError(
            f"{path}: HEVC needs at least {_HEVC_SMALLEST} px on each side, got {width} x {height} px; "
            "choose another format"
        )
    bits = max(depth_bits, 8)
    shift = 0
    if codec == "ffv1" and options.align == "high" and bits < 16:
        shift, bits = (16 - bits if bits > 8 else 0), (16 if bits > 8 else 8)
    pixel_format = _pixel_format(codec, bits, shape, exact=exact)
    table = None
    if codec in ("libx264", "libx265") and not exact:
        table = limited_range_table(bits)
    rate = Fraction(playback_rate_hz).limit_denominator(100_000)
    quiet_ffmpeg()
    with written_whole(path) as beside:
        try:
            with av.open(str(beside), "w", format=_container(entry.ending)) as out:
                stream = cast("VideoStream", out.add_stream(codec, rate=rate))
                _set_up(stream, shape, pixel_format, exact=exact, options=options)
                for number, frame in enumerate(frames):
                    values = np.left_shift(frame, shift) if shift else frame
                    picture = grey_picture(values if table is None else table[values], pixel_format)
                    picture.pts = number
                    picture.time_base = 1 / rate
                    picture.color_range = FULL if table is None else LIMITED
                    out.mux(stream.encode(picture))
                out.mux(stream.encode(None))
        except av.error.FFmpegError as error:
            if isinstance(error, OSError) and error.errno in (28, 13, 30, 5):
                raise OutputError(
                    f"{path}: cannot be written ({error.strerror}); free some space or choose another folder"
                ) from error
            raise UsageError(
                f"{path}: {entry.words} cannot be written at {width} x {height} px ({error.strerror}); "
                "choose another format"
            ) from error


def limited_range_table(bits: int) -> NDArray[Any]:
    """Luma code of every grey value: black at 16, white at 235 of 255, scaled by 4 for 10 bits (ITU-R BT.709)."""
    step = 1 << (bits - 8)
    top = (1 << bits) - 1
    codes = np.rint(16 * step + np.arange(top + 1) * (219 * step / top))
    return np.asarray(codes, dtype=np.uint8 if bits == 8 else np.uint16)


def grey_picture(values: NDArray[Any], pixel_format: str) -> VideoFrame:
    """A picture whose luma is `values` and whose colour is none."""
    from av.video.frame import VideoFrame

    height, width = values.shape
    picture = VideoFrame(width, height, pixel_format)
    for number, plane in enumerate(picture.planes):
        pixels = np.frombuffer(memoryview(plane), dtype=values.dtype).reshape(plane.height, -1)
        if number == 0:
            pixels[:, :width] = values
        else:
            pixels[:] = 1 << (picture.format.components[number].bits - 1)
    return picture


def quiet_ffmpeg() -> None:
    """Keep FFmpeg's own log off standard error: what matters comes back as an error."""
    import av.logging

    av.logging.set_level(None)


def _container(ending: str) -> str:
    return {".avi": "avi", ".mkv": "matroska", ".mp4": "mp4", ".mov": "mov", ".nut": "nut"}[ending]


def _pixel_format(codec: str, bits: int, shape: tuple[int, int], *, exact: bool) -> str:
    if codec == "mjpeg":
        return "yuvj420p"
    suffix = "" if bits == 8 else f"{bits}le"
    if codec in ("ffv1", "rawvideo") or exact:
        return f"gray{suffix}"
    odd = any(side % 2 for side in shape)
    return f"{'yuv444p' if odd else 'yuv420p'}{suffix}"


def _set_up(
    stream: VideoStream, shape: tuple[int, int], pixel_format: str, *, exact: bool, options: FootageOptions
) -> None:
    codec = stream.codec_context.name
    stream.height, stream.width = shape
    stream.pix_fmt = pixel_format
    context = stream.codec_context
    if codec in ("libx264", "libx265"):
        context.gop_size = options.keyframe_interval
        context.max_b_frames = options.b_frames
        context.color_range = FULL if exact else LIMITED
        context.colorspace = context.color_primaries = context.color_trc = BT709
        context.options = {"preset": options.preset}
        if codec == "libx264":
            context.options |= {"qp": "0"} if exact else {"crf": str(options.quality)}
        else:
            context.options |= {
                "crf": str(options.quality),
                "x265-params": f"log-level=none:keyint={options.keyframe_interval}:bframes={options.b_frames}",
            }
    elif codec == "ffv1":
        # Version 3 (RFC 9043), every frame a keyframe, each slice with its checksum: damage shows and stays local.
        context.gop_size = 1
        context.options = {"level": "3", "slices": "4", "slicecrc": "1"}
    elif codec == "mjpeg":
        context.color_range = FULL
        context.qmin = context.qmax = options.jpeg_quality
    if options.rotation_deg:
        stream.set_display_rotation(options.rotation_deg)
