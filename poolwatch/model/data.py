"""Where the files that come with poolwatch lie, installed or in a checkout."""

from __future__ import annotations

from pathlib import Path

from .errors import OutputError


def data_folder(name: str) -> Path:
    """Folder `configs` or `demo_clips`: inside the installed package, or beside it in a checkout.

    Raises
    ------
    OutputError
        The installation lacks the folder.
    """
    package = Path(__file__).resolve().parents[1]
    for place in (package / "_data" / name, package.parent / name):
        if place.is_dir():
            return place
    raise OutputError(
        f"{package}: the folder {name!r} is missing from this installation; install poolwatch again"
    )
