"""Which reader takes a recording: a table by ending, then readers that a plug-in brings, then the file's content."""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path
from typing import cast

from ..model.errors import ClipError
from .content import holds_video, reader_by_mark, words_for
from .reader import Reader
from .settings import ClipSettings

# Name: (module, class, endings). Modules are imported when a clip needs them.
READERS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "video": (
        "video",
        "VideoReader",
        (".avi", ".mp4", ".m4v", ".mkv", ".mov", ".nut", ".webm", ".mj2", ".ts", ".mpg", ".mpeg", ".wmv"),
    ),
    "tiff": ("tiff", "TiffReader", (".tif", ".tiff", ".btf", ".tf8")),
    "npy": ("npy", "NpyReader", (".npy",)),
    "hdf5": ("hdf5", "Hdf5Reader", (".h5", ".hdf5", ".hdf", ".he5")),
    "raw": ("raw", "RawReader", (".raw", ".bin", ".dat", ".img")),
    "stills": ("stills", "StillsReader", ()),
}
_GROUP = "poolwatch.readers"


def open_clip(path: str | Path, *, settings: ClipSettings | None = None) -> Reader:
    """Open a recording for reading.

    Parameters
    ----------
    path
        A file, or a folder of numbered stills.
    settings
        What is known of the values beyond what the file tells.

    Returns
    -------
    Reader
        Use it in a ``with`` block.

    Raises
    ------
    ClipError
        There is nothing there, or no reader takes it; the message says what to do.
    """
    path = Path(path)
    settings = settings or ClipSettings()
    name = reader_name(path)
    if name in READERS:
        module, kind, _ = READERS[name]
        make = cast(
            "Callable[..., Reader]", getattr(importlib.import_module(f"{__package__}.{module}"), kind)
        )
    else:
        make = _plugins()[name]
    try:
        return make(path, settings=settings)
    except ClipError:
        raise
    except OSError as error:
        raise ClipError(
            f"{path}: cannot be read ({error.strerror or error}); check the disc or network, and that it was not moved"
        ) from None


def reader_name(path: Path) -> str:
    """Name of the reader for a path, by what is there, by the ending and by the content.

    An ending that a plug-in claims decides; of the others the content does, where it has a mark that is known.

    Raises
    ------
    ClipError
        Nothing is there, it cannot be read, or no reader takes it.
    """
    if not path.exists():
        raise ClipError(f"{path}: no such file or folder; check the path")
    if not os.access(path, os.R_OK | (os.X_OK if path.is_dir() else 0)):
        raise ClipError(f"{path}: may not be read (permission denied); change its permissions or copy it")
    if path.is_dir():
        return "stills"
    if not path.is_file():
        raise ClipError(f"{path}: is neither a file nor a folder; give a recording")
    if path.stat().st_size == 0:
        raise ClipError(f"{path}: is empty (0 bytes); copy it again from the camera")
    ending = path.suffix.lower()
    if path.with_name(path.name + ".toml").is_file():
        return "raw"
    claimed = next((name for name, (_, _, endings) in READERS.items() if ending in endings), None)
    if claimed is None:
        for name, make in _plugins().items():
            if ending in tuple(getattr(make, "endings", ())):
                return name
    marked = reader_by_mark(path)
    if marked is not None or claimed == "video":
        return marked or "video"
    if holds_video(path):
        return "video"
    if claimed is not None:
        return claimed
    raise ClipError(
        f"{path}: is {words_for(path)}, no recording; give a video in any container, TIFF, NPY, HDF5 or a folder of "
        f"stills, or describe headerless values in {path.name}.toml"
    )


def _plugins() -> dict[str, Callable[..., Reader]]:
    """Readers of the entry-point group, by name; those of the table cannot be replaced."""
    found = {}
    for entry in entry_points(group=_GROUP):
        if entry.name not in READERS:
            found[entry.name] = entry.load()
    return found
