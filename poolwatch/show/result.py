"""What a drawing needs of one measured clip, as plain values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..model.axes import PoolAxes

if TYPE_CHECKING:
    import pandas as pd


def no_outline(frame: int) -> NDArray[np.float64]:
    """The outline of a frame for which none is known: an empty (0, 2) array."""
    return np.empty((0, 2))


def circle(x: float, y: float, radius: float, vertices: int = 72) -> NDArray[np.float64]:
    """A round region as a polygon of image points, shape (vertices, 2), px."""
    angle = np.linspace(0, 2 * np.pi, vertices, endpoint=False)
    return np.stack([x + radius * np.cos(angle), y + radius * np.sin(angle)], axis=1)


@dataclass(frozen=True)
class ClipResult:
    """One measured clip, ready to be shown.

    Attributes
    ----------
    name
        Name of the clip as people know it; may hold any character.
    frames, spatter, spatter_rejected, tracks, spectra
        Tables of `poolwatch.model.tables` with those names.
    score
        Score table with one row.
    axes
        Pool axes in the image, with mm per pixel.
    record_rate_hz
        Rate at which the camera took the frames, Hz.
    full_scale
        Grey value that is brightness 1.
    outlines
        Gives the outline of a frame as image points, shape (k, 2), px; (0, 2) where there is none.
    keyhole
        Keyhole region in the image as a polygon, shape (k, 2), or several, shape (n, k, 2), px; None where it is not
        known.
    steady
        First frame of the steady part, and the first after it.
    run
        Settings, versions and warnings as in ``run.json``.
    brightness_sample
        Grey values of some frames across the clip, any shape, native depth: they set the tone curve.
    """

    name: str
    frames: pd.DataFrame
    spatter: pd.DataFrame
    spatter_rejected: pd.DataFrame
    tracks: pd.DataFrame
    spectra: pd.DataFrame
    score: pd.DataFrame
    axes: PoolAxes
    record_rate_hz: float
    full_scale: float
    steady: tuple[int, int]
    brightness_sample: NDArray[Any]
    outlines: Callable[[int], NDArray[np.float64]] = no_outline
    keyhole: NDArray[np.float64] | None = None
    run: dict[str, Any] = field(default_factory=dict)

    @cached_property
    def numbers(self) -> NDArray[np.int64]:
        """Frame numbers in order, one a row of `frames`."""
        return np.asarray(self.frames["frame"].to_numpy(dtype=np.int64))

    @cached_property
    def status(self) -> NDArray[np.str_]:
        """Status word of each row of `frames`."""
        return np.asarray(self.frames["status"].to_numpy(), dtype=np.str_)

    def series(self, column: str) -> NDArray[np.float64]:
        """One column of `frames` as floats, NaN where a frame was not measured; all NaN if there is none."""
        if column not in self._series:
            values = (
                self.frames[column].astype("float64").to_numpy()
                if column in self.frames
                else np.full(len(self.frames), np.nan)
            )
            self._series[column] = values
        return self._series[column]

    def row(self, frame: int) -> int | None:
        """Row of `frames` that holds a frame; None where it has none."""
        place = int(np.searchsorted(self.numbers, frame))
        return place if place < len(self.numbers) and self.numbers[place] == frame else None

    def score_of(self, column: str) -> Any:
        """A value of the score row; NaN where it is not there."""
        if column not in self.score or not len(self.score):
            return float("nan")
        value = self.score[column].iloc[0]
        return float("nan") if str(value) in ("<NA>", "nan", "NaT", "None") else value

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of the clip."""
        value = self.score_of("flags")
        return tuple(value.split()) if isinstance(value, str) else ()

    @property
    def spatter_sought(self) -> bool:
        """Whether particles were looked for: where not, none found does not mean that there were none."""
        return "spatter_not_sought" not in self.flags

    @property
    def unit(self) -> str:
        """Unit of lengths: mm, or px where no scale was given."""
        return "px" if "no_scale" in self.flags else "mm"

    @cached_property
    def _series(self) -> dict[str, NDArray[np.float64]]:
        return {}
