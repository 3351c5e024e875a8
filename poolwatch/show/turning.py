"""A clip turned in its picture so that travel points to the right: for people who compare clips by eye."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..model.axes import PoolAxes
from .result import ClipResult


@dataclass(frozen=True)
class Turn:
    """A rotation of the picture.

    Attributes
    ----------
    matrix
        Shape (2, 3): from px of the clip's picture to px of the turned one.
    shape
        Height and width of the turned picture, px: it holds the whole view.
    """

    matrix: NDArray[np.float64]
    shape: tuple[int, int]

    @classmethod
    def to_the_right(cls, axes: PoolAxes, shape: tuple[int, int]) -> Turn:
        """The rotation that turns travel to the right, for pictures of height and width `shape`, px."""
        angle = math.radians(axes.direction_deg)
        cos, sin = math.cos(angle), math.sin(angle)
        rotation = np.array([[cos, -sin], [sin, cos]])
        height, width = shape
        corners = np.array(
            [[-0.5, -0.5], [width - 0.5, -0.5], [-0.5, height - 0.5], [width - 0.5, height - 0.5]]
        )
        turned = corners @ rotation.T
        low, high = turned.min(axis=0), turned.max(axis=0)
        # Quarter turns come out whole: no pixel is then mixed with its neighbour.
        size = np.rint(high - low + 1e-9).astype(int)
        return cls(np.column_stack([rotation, -low - 0.5]), (int(size[1]), int(size[0])))

    def points(self, places: NDArray[np.floating]) -> NDArray[np.float64]:
        """Places (..., 2) px in the turned picture."""
        return np.asarray(np.asarray(places, dtype=np.float64) @ self.matrix[:, :2].T + self.matrix[:, 2])

    def picture(self, frame: NDArray[Any]) -> NDArray[Any]:
        """A frame turned; black where the clip shows nothing."""
        height, width = self.shape
        return np.asarray(cv2.warpAffine(frame, self.matrix, (width, height), flags=cv2.INTER_LINEAR))

    def result(self, result: ClipResult) -> ClipResult:
        """The clip's results in px of the turned picture."""
        tracks = result.tracks.copy()
        tracks[["x_px", "y_px"]] = self.points(tracks[["x_px", "y_px"]].to_numpy(dtype=np.float64))
        axes = result.axes
        origin = self.points(np.array([axes.origin_x, axes.origin_y]))
        outlines = result.outlines
        return replace(
            result,
            tracks=tracks,
            axes=replace(
                axes,
                origin_x=float(origin[0]),
                origin_y=float(origin[1]),
                direction_deg=0.0,
                stretch=self._stretch(axes),
            ),
            outlines=lambda frame: self.points(outlines(frame)),
            keyhole=None if result.keyhole is None else self.points(result.keyhole),
        )

    def _stretch(self, axes: PoolAxes) -> tuple[float, float, float, float] | None:
        """The matrix that sets the view upright, for px of the turned picture."""
        if axes.stretch is None:
            return None
        rotation = self.matrix[:, :2]
        upright = rotation @ np.array(axes.stretch).reshape(2, 2) @ rotation.T
        first, second, third, fourth = (float(value) for value in upright.ravel())
        return first, second, third, fourth
