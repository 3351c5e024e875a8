"""A flat calibration target in a photo: where its corners or circle centres are, to a part of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..model.errors import MeasurementError, UsageError
from .photo import eight_bit

Pattern = Literal["checkerboard", "circles"]


@dataclass(frozen=True)
class Target:
    """A flat target of known pitch.

    Attributes
    ----------
    pattern
        ``checkerboard`` or ``circles`` (rectangular grid).
    columns, rows
        Inner corners, or circles, along and across.
    pitch_mm
        Distance of neighbouring corners or centres, mm.
    u_pitch_mm
        Its standard uncertainty, the same error for all, mm.
    """

    pattern: Pattern
    columns: int
    rows: int
    pitch_mm: float
    u_pitch_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.pattern not in ("checkerboard", "circles"):
            raise UsageError(f"pattern must be checkerboard or circles, got {self.pattern!r}")
        if min(self.columns, self.rows) < 3:
            raise UsageError(
                f"a target needs at least 3 columns and 3 rows of inner corners or circles, got {self.columns} x "
                f"{self.rows}"
            )
        if not (math.isfinite(self.pitch_mm) and self.pitch_mm > 0):
            raise UsageError(f"the pitch must be above 0 mm, got {self.pitch_mm!r}")
        if not (math.isfinite(self.u_pitch_mm) and self.u_pitch_mm >= 0):
            raise UsageError(
                f"the pitch's uncertainty must be a finite number of at least 0 mm, got {self.u_pitch_mm!r}"
            )

    @property
    def points_mm(self) -> NDArray[np.float64]:
        """Corners or centres in the target's plane, mm from its middle, shape (rows * columns, 2), row by row."""
        y, x = np.mgrid[: self.rows, : self.columns]
        middle = np.array([self.columns - 1, self.rows - 1]) / 2
        return np.asarray((np.stack([x.ravel(), y.ravel()], axis=1) - middle) * self.pitch_mm)


@dataclass(frozen=True)
class Sighting:
    """A target found in a photo.

    Attributes
    ----------
    points
        Image (x, y) px of the corners or circle centres in the order of `Target.points_mm`. A circle's centre
        is that of its picture, which perspective moves off the picture of its centre.
    areas
        Area of each circle's picture, px²; empty for a checkerboard.
    """

    points: NDArray[np.float64]
    areas: NDArray[np.float64]


def find_target(photo: NDArray[np.floating], target: Target) -> Sighting:
    """Find a target.

    Parameters
    ----------
    photo
        Grey values, shape (h, w).
    target
        What to look for.

    Raises
    ------
    MeasurementError
        It is not there, or not whole; the message says what to do.
    """
    found = _corners(photo, target) if target.pattern == "checkerboard" else _circles(photo, target)
    if found is None:
        what = "inner corners" if target.pattern == "checkerboard" else "circles"
        raise MeasurementError(
            f"no {target.pattern} of {target.columns} x {target.rows} {what} found in the photo."
            " Check the counts: inner corners are between squares, one fewer than squares. All of it must be in view,"
            " with a bright margin, sharp, evenly lit and not blown out"
        )
    return found


def _corners(photo: NDArray[np.floating], target: Target) -> Sighting | None:
    import cv2

    grey = eight_bit(photo)
    size = (target.columns, target.rows)
    flags = cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_EXHAUSTIVE | cv2.CALIB_CB_ACCURACY
    ok, corners = cv2.findChessboardCornersSB(grey, size, flags=flags)
    if not ok:
        flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
        ok, corners = cv2.findChessboardCorners(grey, size, flags=flags)
        if not ok:
            return None
    # A window of no more than a third of the closest corners, so that only one corner is in it.
    grid = corners.reshape(target.rows, target.columns, 2)
    closest = min(np.linalg.norm(np.diff(grid, axis=axis), axis=2).min() for axis in (0, 1))
    half = max(2, min(11, round(closest / 3)))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-3)
    corners = cv2.cornerSubPix(grey, corners, (half, half), (-1, -1), criteria)
    return Sighting(np.asarray(corners, dtype=np.float64).reshape(-1, 2), np.empty(0))


def _circles(photo: NDArray[np.floating], target: Target) -> Sighting | None:
    for sign in (-1.0, 1.0):  # dark on bright first
        centres, areas = blobs(sign * photo)
        if len(centres) < target.columns * target.rows:
            continue
        order = _grid_order(centres, target)
        if order is not None:
            return Sighting(centres[order], areas[order])
    return None


def blobs(photo: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bright elliptic spots: centres (n, 2) px by brightness-weighted moments, and areas (n,) px².

    Spots that touch the border, are no ellipses, or differ much in size from most others are left out.
    """
    import cv2

    grey = eight_bit(photo)
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.0)
    _, binary = cv2.threshold(smooth, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(binary, connectivity=4)
    height, width = grey.shape
    found = []
    for label in range(1, count):
        x, y, w, h, pixels = (int(v) for v in stats[label])
        if pixels < 20 or x < 4 or y < 4 or x + w > width - 4 or y + h > height - 4:
            continue
        window = labels[y : y + h, x : x + w] == label
        rows, columns = np.nonzero(window)
        spread = np.cov(np.stack([columns, rows])) + np.eye(2) / 12
        minor, major = 2 * np.sqrt(np.linalg.eigvalsh(spread))
        # A filled ellipse has area pi a b; anything else has less.
        if major > 3 * minor or not 0.9 < pixels / (math.pi * minor * major) < 1.1:
            continue
        found.append((label, x, y, w, h, pixels))
    if not found:
        return np.empty((0, 2)), np.empty(0)
    typical = float(np.median([pixels for *_, pixels in found]))
    centres, areas = [], []
    for label, x, y, w, h, pixels in found:
        if not typical / 3 < pixels < typical * 3:
            continue
        margin = 6
        top, left = max(0, y - margin), max(0, x - margin)
        box = np.s_[top : y + h + margin, left : x + w + margin]
        mine = (labels[box] == label).astype(np.uint8)
        others = ((labels[box] != label) & (labels[box] != 0)).astype(np.uint8)
        near = cv2.dilate(mine, np.ones((7, 7), np.uint8)).astype(bool)
        free = ~near & ~cv2.dilate(others, np.ones((7, 7), np.uint8)).astype(bool)
        core = cv2.erode(mine, np.ones((5, 5), np.uint8)).astype(bool)
        values = np.asarray(photo[box], dtype=np.float64)
        if free.sum() < 8 or not near.any():
            continue
        ground = float(np.median(values[free]))
        weight = np.where(near & ~(others.astype(bool)), values - ground, 0.0)
        total = float(weight.sum())
        plateau = float(np.median(values[core])) - ground if core.any() else float(weight.max())
        if total <= 0 or plateau <= 0:
            continue
        down, along = np.indices(weight.shape)
        centres.append(
            (left + float((weight * along).sum()) / total, top + float((weight * down).sum()) / total)
        )
        areas.append(total / plateau)
    return np.array(centres).reshape(-1, 2), np.array(areas)


def _grid_order(centres: NDArray[np.float64], target: Target) -> NDArray[np.int64] | None:
    """Which spot stands for which circle of the grid; None where they form no such grid.

    Walks from spot to spot, predicting each neighbour from the local steps, so that perspective may change them.
    """
    middle = np.median(centres, axis=0)
    for seed in np.argsort(np.linalg.norm(centres - middle, axis=1))[:5]:
        places = _walk(centres, int(seed))
        order = _window(places, target.columns, target.rows)
        if order is not None:
            return order
    return None


def _walk(centres: NDArray[np.float64], seed: int) -> dict[tuple[int, int], int]:
    """Grid numbers of the spots that hang together with a seed."""
    offset = centres - centres[seed]
    near = np.argsort(np.linalg.norm(offset, axis=1))[1:]
    if not len(near):
        return {}
    first = offset[near[0]]
    aside = [
        k for k in near if abs(_cross(first, offset[k])) > 0.5 * math.hypot(*first) * math.hypot(*offset[k])
    ]
    if not aside:
        return {}
    second = offset[aside[0]]
    dx, dy = first
    if abs(dy) > abs(dx):
        first, second = second, first
    places = {(0, 0): seed}
    steps = {(0, 0): (first, second)}
    queue = [(0, 0)]
    while queue:
        i, j = queue.pop(0)
        at = centres[places[i, j]]
        for axis, (di, dj) in enumerate(((1, 0), (0, 1), (-1, 0), (0, -1))):
            there = (i + di, j + dj)
            if there in places:
                continue
            step = steps[i, j][axis % 2] * (1 if axis < 2 else -1)
            distance = np.linalg.norm(centres - (at + step), axis=1)
            k = int(distance.argmin())
            if distance[k] > 0.3 * math.hypot(*step):
                continue
            places[there] = k
            own = (centres[k] - at) * (1 if axis < 2 else -1)
            u, v = steps[i, j]
            steps[there] = (own, v) if axis % 2 == 0 else (u, own)
            queue.append(there)
    return places


def _window(places: dict[tuple[int, int], int], columns: int, rows: int) -> NDArray[np.int64] | None:
    """The only full window of columns by rows, either way round, in the order of `Target.points_mm`."""
    if len(places) < columns * rows:
        return None
    keys = np.array(list(places))
    (left, top), (right, bottom) = keys.min(axis=0), keys.max(axis=0)
    for across, down, turned in ((columns, rows, False), (rows, columns, True)):
        found = []
        for i0 in range(left, right - across + 2):
            for j0 in range(top, bottom - down + 2):
                cells = [(i0 + i, j0 + j) for j in range(down) for i in range(across)]
                if all(cell in places for cell in cells):
                    found.append(np.array([places[cell] for cell in cells]).reshape(down, across))
        if len(found) == 1:
            (grid,) = found
            return np.asarray((grid.T if turned else grid).ravel(), dtype=np.int64)
    return None


def _cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    (ax, ay), (bx, by) = a, b
    return float(ax * by - ay * bx)
