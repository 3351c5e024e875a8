"""Grey or colour frames out into files: the only writer of video.

`write_frames` writes grey footage in any format of `FORMATS`; `open_browser_video` writes the annotated videos.
"""

from .browser import BrowserEncoding, BrowserVideo, open_browser_video
from .formats import FORMATS, FootageOptions, Format, footage_format
from .write import write_frames

__all__ = [
    "FORMATS",
    "BrowserEncoding",
    "BrowserVideo",
    "FootageOptions",
    "Format",
    "footage_format",
    "open_browser_video",
    "write_frames",
]
