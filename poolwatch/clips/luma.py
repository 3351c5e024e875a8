"""From a decoded picture to grey values: luma plane, its range expanded, colour to luma, rotation.

Ranges (ITU-R BT.709, 3.4 and BT.2100): limited luma runs from 16 to 235 of 8 bits, times 4 for 10, 16 for 12.
"""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from av.video.frame import VideoFrame
    from av.video.plane import VideoPlane

_LIMITED, _FULL = 1, 2  # AVCOL_RANGE_MPEG, AVCOL_RANGE_JPEG
_PLANAR_LUMA = ("gray", "yuv", "yuvj", "yuva", "nv", "ya")
# Packed 4:2:2 formats: place of the first luma byte; luma is every second byte.
_PACKED_LUMA = {"yuyv422": 0, "yvyu422": 0, "uyvy422": 1}
_HIGH_ALIGNED = {"p010": 10, "p012": 12, "p210": 10, "p212": 12, "p410": 10, "p412": 12}


class Luma:
    """Turns pictures of one pixel format into grey values; built once, not per frame.

    Parameters
    ----------
    picture
        A picture of the stream.
    video_range
        ``limited``, ``full``, or ``auto``: by the stream's tag; untagged means full for grey, RGB and
        motion JPEG, limited for other YUV.
    codec
        FFmpeg's name of the codec.

    Attributes
    ----------
    bits, dtype
        Depth and type of the values given.
    notes
        What is done to the values, in words.
    """

    def __init__(
        self, picture: VideoFrame, video_range: Literal["auto", "limited", "full"], codec: str
    ) -> None:
        layout = picture.format
        self.name = layout.name
        self.notes: tuple[str, ...] = ()
        self._table: NDArray[Any] | None = None
        self._shift = 0
        self._reformatter: Any = None
        base = self.name.removesuffix("le").removesuffix("be")
        self._big_endian = self.name.endswith("be")
        bits = int(layout.components[0].bits)
        self._step, self._first = 1, 0
        rgb = False
        if base in _PACKED_LUMA:
            self._step, self._first = 2, _PACKED_LUMA[base]
        elif base in _HIGH_ALIGNED:
            self._shift = 16 - _HIGH_ALIGNED[base]
        elif base.startswith("ya"):
            self._step = 2
        elif not base.startswith(_PLANAR_LUMA) or "f16" in base or "f32" in base:
            rgb = True
            self._become_rgb(bits)
        self.bits = 16 if rgb and bits > 8 else max(bits, 8)
        self.dtype = np.dtype(np.uint8 if self.bits <= 8 else np.uint16)
        self._stored = (
            np.dtype(np.uint8) if self.bits <= 8 else np.dtype(">u2" if self._big_endian else "<u2")
        )
        self.limited = False
        if not rgb:
            self.limited = self._is_limited(picture, video_range, codec)
            if self.limited:
                self._table = expansion_table(self.bits)
                self.notes += (f"limited range expanded to 0 to {(1 << self.bits) - 1}",)
            if not base.startswith(("gray", "ya")):
                self.notes += ("luma plane of colour video",)

    def _become_rgb(self, bits: int) -> None:
        from av.video.reformatter import VideoReformatter

        self._reformatter = VideoReformatter()
        self._target = "rgb24" if bits <= 8 else "rgb48le"
        self.notes += ("colour to luma (ITU-R BT.601 weights)",)

    def _is_limited(self, picture: VideoFrame, video_range: str, codec: str) -> bool:
        if video_range != "auto":
            return video_range == "limited"
        tag = int(picture.color_range)
        if tag in (_LIMITED, _FULL):
            return tag == _LIMITED
        return not (self.name.startswith(("gray", "ya", "yuvj")) or codec == "mjpeg")

    def doubts(self, picture: VideoFrame) -> tuple[str, ...]:
        """Words where a picture taken as limited range has more codes outside it than coding can explain."""
        if not self.limited:
            return ()
        plain = np.empty((picture.height, picture.width), self.dtype)
        table, self._table = self._table, None
        self.into(plain, picture)
        self._table = table
        step = 1 << (self.bits - 8)
        outside = float(np.mean((plain < 13 * step) | (plain > 238 * step)))
        if outside < 0.001:
            return ()
        return (
            f"{100 * outside:.2g} % of the first picture is outside limited range and is clipped: "
            "if the camera wrote full range, set video_range to full",
        )

    def into(self, out: NDArray[Any], picture: VideoFrame, turns: int = 0) -> None:
        """Write the grey values of `picture` into `out`, turned by `turns` quarter turns counter-clockwise."""
        if self._reformatter is not None:
            values = self._from_rgb(picture)
        else:
            row = _rows(picture.planes[0], self._stored)
            values = row[:, self._first : self._first + picture.width * self._step : self._step]
            if self._shift:
                values = np.right_shift(values, self._shift)
        if turns:
            values = np.rot90(values, turns)
        if self._table is None:
            out[...] = values
        elif self.bits == 8:
            import cv2

            cv2.LUT(values, self._table, dst=out)
        else:
            np.take(self._table, values, out=out, mode="clip")

    def _from_rgb(self, picture: VideoFrame) -> NDArray[Any]:
        import cv2

        flat = self._reformatter.reformat(picture, format=self._target)
        plane = flat.planes[0]
        dtype = np.uint8 if self._target == "rgb24" else np.uint16
        rows = np.frombuffer(memoryview(plane), dtype=dtype).reshape(plane.height, -1)
        colours = np.ascontiguousarray(rows[:, : 3 * picture.width]).reshape(picture.height, picture.width, 3)
        return np.asarray(cv2.cvtColor(colours, cv2.COLOR_RGB2GRAY))


def _rows(plane: VideoPlane, stored: np.dtype[Any]) -> NDArray[Any]:
    """Rows of a plane from the top of the picture down; good while its picture lives.

    A plane that is stored from the bottom up has a negative step from row to row, and begins at its last row in memory.
    """
    step = plane.line_size
    if step >= 0:
        return np.frombuffer(memoryview(plane), dtype=stored).reshape(plane.height, -1)
    begin: int = plane.buffer_ptr + step * (plane.height - 1)
    whole = (ctypes.c_uint8 * (-step * plane.height)).from_address(begin)
    rows: NDArray[Any] = np.frombuffer(memoryview(whole), dtype=stored).reshape(plane.height, -1)
    return rows[::-1]


def expansion_table(bits: int) -> NDArray[Any]:
    """Grey value 0 to 2^bits − 1 of every limited-range luma code; codes beyond black and white are clipped."""
    step = 1 << (bits - 8)
    top = (1 << bits) - 1
    values = np.rint((np.arange(top + 1) - 16 * step) * (top / (219 * step))).clip(0, top)
    return np.asarray(values, dtype=np.uint8 if bits == 8 else np.uint16)
