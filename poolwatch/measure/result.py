"""The result of measuring one clip: tables, outlines, provenance; written whole and read back."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..model.axes import PoolAxes
from ..model.errors import OutputError
from ..model.files import remove, write_text
from ..model.table import read_csv, write_csv
from ..model.tables import FRAMES, SCORE, SPATTER, SPATTER_REJECTED, SPECTRA, TRACKS
from .outlines import Outlines

if TYPE_CHECKING:
    import pandas as pd

    from ..show.segments import Segment

_OUTLINES = "outlines.bin"
_CHECK_PAGE = "handcheck.html"
CHECKED_PICTURES = "handcheck"
"""Folder in a clip's folder that holds the pictures of a check by hand."""
STALE_CHECK = (
    "an earlier measurement in this folder was checked by hand; that check does not hold for this one: write the page "
    "again with `poolwatch handcheck`, or give the marks again where clip and settings are the same"
)
"""Warning in ``run.json`` of a measurement that replaced a checked one."""
_TABLES = {
    "frames": FRAMES,
    "spatter": SPATTER,
    "spatter_rejected": SPATTER_REJECTED,
    "tracks": TRACKS,
    "spectra": SPECTRA,
    "score": SCORE,
}


@dataclass(frozen=True)
class Measurement:
    """One measured clip.

    Attributes
    ----------
    frames, spatter, spatter_rejected, tracks, spectra, score
        DataFrames; columns, units and meanings in `poolwatch.model.tables`. `score` has one row.
    outlines
        ``outlines(frame)`` gives the outline, shape (k, 2), image x and y in px; (0, 2) where there is none.
    run
        What stands in ``run.json``: versions, settings as resolved, input, first look, warnings; read
        back from a folder with a video, ``overlay_segments`` as `poolwatch.show.segments.pack_segments` gives them.
    """

    frames: pd.DataFrame
    spatter: pd.DataFrame
    spatter_rejected: pd.DataFrame
    tracks: pd.DataFrame
    spectra: pd.DataFrame
    score: pd.DataFrame
    outlines: Outlines
    run: dict[str, Any]

    @property
    def axes(self) -> PoolAxes:
        """Pool axes in the picture."""
        return _axes(self.run["axes"])

    @property
    def row(self) -> pd.Series[Any]:
        """The row of `score`."""
        return self.score.iloc[0]

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of the clip."""
        return tuple(str(self.row["flags"]).split())

    def write(
        self,
        folder: str | Path,
        *,
        draw: Callable[[Path], Sequence[Segment]] | None = None,
    ) -> Path:
        """Write every table, the outlines and ``run.json`` (last: its presence says that the rest is whole).

        Parameters
        ----------
        folder
            The clip's folder; made if it is not there.
        draw
            Writes the annotated video to the path that it is given, and returns what it shows; see `write_measurement`.

        Returns
        -------
        Path
            The folder.

        Raises
        ------
        OutputError
            The folder cannot be written.
        """
        from ..show.stills import CLIP_STILLS

        folder = Path(folder)
        # A video, page or still of an earlier measurement must not stand beside new figures.
        stills = (f"stills/{name}.{kind}" for name in CLIP_STILLS for kind in ("png", "svg"))
        if "handcheck" not in self.run and _was_checked(folder):
            self.run.setdefault("warnings", []).append(STALE_CHECK)
        for name in ("run.json", "overlay.mp4", "report.html", _CHECK_PAGE, *stills):
            remove(folder / name)
        remove_check(folder)
        for name, table in _TABLES.items():
            write_csv(folder / table.name, getattr(self, name))
        self.outlines.save(folder / _OUTLINES)
        segments = () if draw is None else draw(folder / "overlay.mp4")
        write_run(folder, self.run, segments)
        return folder


def read_measurement(folder: str | Path) -> Measurement:
    """Read a measured clip back from its folder.

    Raises
    ------
    OutputError
        The folder holds no finished measurement, or a file of it is damaged.
    """
    folder = Path(folder)
    run = read_run(folder)
    tables = {name: read_csv(folder / table.name, table) for name, table in _TABLES.items()}
    return Measurement(**tables, outlines=Outlines.load(folder / _OUTLINES), run=run)


def read_run(folder: Path) -> dict[str, Any]:
    """Read ``run.json`` of a measured clip.

    Raises
    ------
    OutputError
        The folder holds no finished measurement.
    """
    path = folder / "run.json"
    try:
        run: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        _axes(run["axes"])
        _drop_foreign_check(run)
    except FileNotFoundError:
        raise OutputError(
            f"{folder}: no finished measurement here (run.json is missing); run `poolwatch measure` first"
        ) from None
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise OutputError(f"{path}: cannot be read ({error}); measure the clip again") from None
    return run


def remove_check(folder: Path) -> None:
    """Remove the pictures of a check by hand, which no longer fit what is written beside them.

    Raises
    ------
    OutputError
        One cannot be removed.
    """
    for picture in sorted((folder / CHECKED_PICTURES).glob("*.png")):
        remove(picture)


def _was_checked(folder: Path) -> bool:
    """Whether the measurement that stands in a folder was checked by hand, or replaced one that was."""
    try:
        run = read_run(folder)
    except OutputError:
        return False
    return "handcheck" in run or STALE_CHECK in run.get("warnings", [])


def _drop_foreign_check(run: dict[str, Any]) -> None:
    """A check by hand holds for one recording, measured with one set of settings by one version."""
    check = run.get("handcheck")
    if check is None:
        return
    own = (run["input"]["fingerprint"], run["settings_id"], run["poolwatch"])
    if tuple(check.get(name) for name in ("clip_id", "settings_id", "poolwatch")) != own:
        del run["handcheck"]


def _axes(values: Mapping[str, Any]) -> PoolAxes:
    stretch = values.get("stretch")
    return PoolAxes(**{**values, "stretch": None if stretch is None else tuple(stretch)})


def write_run(folder: Path, run: Mapping[str, Any], segments: Sequence[Segment] = ()) -> None:
    """Write ``run.json`` of a measured clip.

    Parameters
    ----------
    folder
        The clip's folder.
    run
        As in `Measurement.run`.
    segments
        What the video beside it shows, for ``overlay_segments``; empty where there is none.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    from ..show.segments import pack_segments

    values = {name: value for name, value in run.items() if name != "overlay_segments"}
    if segments:
        values["overlay_segments"] = pack_segments(segments)
    text = json.dumps(_plain(values), indent=2, ensure_ascii=False, allow_nan=False)
    write_text(folder / "run.json", text + "\n")


def _plain(value: Any) -> Any:
    """Values that JSON knows; numbers that are not finite become null."""
    if isinstance(value, dict):
        return {str(name): _plain(part) for name, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    if isinstance(value, (bool, int, str)) or value is None:
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if hasattr(value, "item"):
        return _plain(value.item())
    return str(value)
