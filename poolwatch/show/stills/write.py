"""All stills of a clip into a folder, as PNG for slides and as SVG."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ..result import ClipResult
from . import CLIP_STILLS
from .outline import SpaceTime, motion_figure, space_time_figure
from .series import series_figure, spectra_figure
from .spatter import spatter_figure
from .style import save_figure

if TYPE_CHECKING:
    pass


def write_clip_stills(
    folder: str | Path, result: ClipResult, space_time: SpaceTime | None = None
) -> list[Path]:
    """Write ``series``, ``spectra``, ``outline_motion``, ``spatter`` and, where given, ``middle_line``.

    One that stands there from another time and is not written now is removed.

    Returns
    -------
    list of pathlib.Path
        The files written, PNG and SVG.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    figures = {
        "series": series_figure(result),
        "spectra": spectra_figure(result),
        "outline_motion": motion_figure(result),
        "spatter": spatter_figure(result),
    }
    if space_time is not None:
        figures["middle_line"] = space_time_figure(result, space_time)
    written = [path for name, figure in figures.items() for path in save_figure(figure, Path(folder) / name)]
    for name in set(CLIP_STILLS) - set(figures):
        for kind in ("png", "svg"):
            (Path(folder) / f"{name}.{kind}").unlink(missing_ok=True)
    return written
