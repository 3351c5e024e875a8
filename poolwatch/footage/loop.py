"""A short moving picture that repeats, for slides: GIF or WebP, which need no player."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ..model.errors import OutputError, UsageError
from ..model.files import written_whole

ENDINGS = (".gif", ".webp")
"""Endings of the files that `open_loop` writes."""
# Pictures are held packed until the file is written whole.
_PACKED = [cv2.IMWRITE_PNG_COMPRESSION, 1]
_COLOURS = 255
# Pictures from which a palette is made.
_FOR_PALETTE = 4


class Loop:
    """Takes colour pictures one after the other; made by `open_loop`."""

    def __init__(self) -> None:
        self._packed: list[NDArray[np.uint8]] = []

    def write(self, picture: NDArray[np.uint8]) -> None:
        """Add one picture (height, width, 3), uint8, BGR."""
        self._packed.append(np.asarray(cv2.imencode(".png", picture, _PACKED)[1], np.uint8))

    @property
    def pictures_written(self) -> int:
        """How many pictures there are."""
        return len(self._packed)

    def pictures(self, step: int = 1) -> Iterator[Image.Image]:
        """The pictures in order, or every so many of them."""
        for packed in self._packed[::step]:
            picture = cv2.imdecode(packed, cv2.IMREAD_COLOR)
            yield Image.fromarray(cv2.cvtColor(np.asarray(picture), cv2.COLOR_BGR2RGB))

    def palette(self) -> Image.Image:
        """Colours that suit pictures from all over the loop: palettes of their own would make marks flicker."""
        some = list(self.pictures(max(1, self.pictures_written // _FOR_PALETTE)))
        sheet = Image.fromarray(np.vstack([np.asarray(picture) for picture in some]))
        return sheet.quantize(_COLOURS, method=Image.Quantize.MEDIANCUT)


def is_loop(path: str | Path) -> bool:
    """Whether a file's ending asks for a loop."""
    return Path(path).suffix.lower() in ENDINGS


@contextlib.contextmanager
def open_loop(path: str | Path, playback_rate_hz: float) -> Iterator[Loop]:
    """Open a GIF or WebP that repeats for ever; it appears at `path` only when the block ends well.

    Parameters
    ----------
    path
        File to write, ending ``.gif`` or ``.webp``.
    playback_rate_hz
        Pictures per second, up to 50: faster ones are slowed down by many programs. GIF keeps hundredths of a second.

    Raises
    ------
    UsageError
        The name has another ending, the rate is no good, or no picture was written.
    OutputError
        The place cannot be written.
    """
    path = Path(path)
    if path.suffix.lower() not in ENDINGS:
        raise UsageError(f"{path}: a loop is a GIF or WebP; give a name that ends in {' or '.join(ENDINGS)}")
    if not 0 < playback_rate_hz <= 50:
        raise UsageError(
            f"{path}: the playback rate of a loop must be above 0 and up to 50 Hz, got {playback_rate_hz!r}"
        )
    loop = Loop()
    yield loop
    if not loop.pictures_written:
        raise UsageError(f"{path}: no picture was written; write at least one")
    with written_whole(path) as beside:
        try:
            _save(loop, beside, path.suffix.lower(), round(1000 / playback_rate_hz))
        except OSError as error:
            raise OutputError(f"{path}: the loop cannot be written ({error}); free some space") from error


def _save(loop: Loop, path: Path, ending: str, each_ms: int) -> None:
    pictures = loop.pictures()
    first = next(pictures)
    how = {"save_all": True, "duration": each_ms, "loop": 0}
    if ending == ".webp":
        first.save(path, "WEBP", append_images=pictures, quality=80, method=2, **how)
        return
    palette = loop.palette()
    packed = (one.quantize(palette=palette, dither=Image.Dither.NONE) for one in pictures)
    first.quantize(palette=palette, dither=Image.Dither.NONE).save(
        path, "GIF", append_images=packed, optimize=False, **how
    )
