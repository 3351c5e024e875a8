"""Grey or colour frames out into files: the only writer of video.

`write_frames` writes grey footage in any format of `FORMATS`; `open_browser_video` writes the annotated videos,
`open_loop` short ones for slides.
"""

from .browser import BrowserEncoding, BrowserVideo, open_browser_video
from .formats import FORMATS, FootageOptions, Format, footage_format
from .loop import Loop, is_loop, open_loop
from .write import write_frames

__all__ = [
    "FORMATS",
    "BrowserEncoding",
    "BrowserVideo",
    "FootageOptions",
    "Format",
    "Loop",
    "footage_format",
    "is_loop",
    "open_browser_video",
    "open_loop",
    "write_frames",
]
