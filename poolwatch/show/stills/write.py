"""All stills of a clip or a trial into a folder, as PNG for slides and as SVG."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ..result import ClipResult
from . import CLIP_STILLS
from .outline import SpaceTime, motion_figure, space_time_figure
from .series import series_figure, spectra_figure
from .spatter import spatter_figure
from .style import save_figure
from .trial import (
    effects_figure,
    factor_columns,
    factor_figure,
    outcome_columns,
    outcomes_figure,
    ranking_figure,
)

if TYPE_CHECKING:
    import pandas as pd


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


def write_trial_stills(
    folder: str | Path,
    ranking: pd.DataFrame,
    scores: pd.DataFrame,
    effects: pd.DataFrame | None = None,
) -> list[Path]:
    """Write ``ranking`` and, where there is something to show, ``factors``, ``effects`` and ``outcomes``.

    Returns
    -------
    list of pathlib.Path
        The files written, PNG and SVG.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    figures = {"ranking": ranking_figure(ranking, scores)}
    if factor_columns(scores):
        figures["factors"] = factor_figure(scores)
    if effects is not None and len(effects):
        figures["effects"] = effects_figure(effects)
    if outcome_columns(scores):
        figures["outcomes"] = outcomes_figure(scores)
    return [path for name, figure in figures.items() for path in save_figure(figure, Path(folder) / name)]
