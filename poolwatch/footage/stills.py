"""Multi-page TIFF files and folders of numbered stills."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from ..model.errors import OutputError
from ..model.files import written_whole

_OURS = re.compile(r"frame_\d+\.(png|tif)")


def write_tiff(path: Path, frames: Iterable[NDArray[Any]], compression: str, *, big: bool) -> None:
    """Write one page a frame, page by page.

    Raises
    ------
    OutputError
        The place cannot be written, or the file would pass 4 GB without `big`.
    """
    import tifffile

    how: dict[str, Any] = {"compression": compression or None, "photometric": "minisblack", "metadata": None}
    if compression == "adobe_deflate":
        how["predictor"] = True  # Differences of neighbours: a sixth smaller on noisy footage.
    with written_whole(path) as beside, tifffile.TiffWriter(beside, bigtiff=big) as out:
        for frame in frames:
            try:
                out.write(frame, **how)
            except ValueError as error:
                raise OutputError(
                    f"{path}: a TIFF file cannot grow past 4 GB ({error}); set the option big_tiff"
                ) from error


def write_folder(path: Path, frames: Iterable[NDArray[Any]], ending: str) -> None:
    """Write `frame_000000` and so on into a folder that appears only when it is complete.

    Raises
    ------
    OutputError
        The place cannot be written, or the folder already holds other things.
    """
    import cv2
    import tifffile

    with folder_written_whole(path) as beside:
        for number, frame in enumerate(frames):
            file = beside / f"frame_{number:06d}{ending}"
            if ending == ".png":
                # Level 1 writes several times faster than the default and is no larger on noisy footage.
                done, data = cv2.imencode(".png", frame, [cv2.IMWRITE_PNG_COMPRESSION, 1])
                if not done:
                    raise OutputError(f"{file}: the picture could not be encoded; choose another format")
                file.write_bytes(data.tobytes())
            else:
                tifffile.imwrite(file, frame, photometric="minisblack", metadata=None)


@contextlib.contextmanager
def folder_written_whole(path: Path) -> Iterator[Path]:
    """Give a folder beside `path` to fill; rename it into place only if the block ends well.

    Raises
    ------
    OutputError
        The place cannot be written, or `path` exists and holds anything but stills that this room wrote.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        if path.exists():
            strangers = [name for name in os.listdir(path) if not _OURS.fullmatch(name)]
            if strangers:
                raise OutputError(
                    f"{path}: holds {strangers[0]!r}, which is no numbered still; choose an empty folder"
                )
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.mkdir()
        yield beside
        if path.exists():
            shutil.rmtree(path)
        beside.replace(path)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise OutputError(
            f"{path}: cannot be written ({error.strerror or error}); free some space or choose another folder"
        ) from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
