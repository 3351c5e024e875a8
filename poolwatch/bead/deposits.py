"""Particles stuck to the sheet beside the bead: compact spots, told from what goes on along a line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from .facts import Deposits, Edges, Floats, Image, Mask, Strip

# A spot stands out by so many noise levels at its heart, and is as large as what stands out by so many.
_HEART, _RIM = 6.0, 2.6
# Least difference from the sheet, as a share of its light.
_LEAST_SHARE = 0.07
# Diameters told, px; the largest as a share of the belt.
_LEAST_PX, _MOST_SHARE = 3.0, 0.5
# Shortest over longest axis of a spot, and its area over that of its ellipse.
_ROUND, _SOLID = 0.45, 0.6
# What goes on beyond a spot on two opposite sides, over the spot itself, is a line.
_GOES_ON = 0.3


@dataclass(frozen=True)
class _Spot:
    column: float
    row: float
    area: float
    minor: float
    major: float
    turn: float
    strength: float


def find_deposits(strip: Strip, edges: Edges, *, belt: float) -> Deposits:
    """Find particles in a belt beside the bead, along the length judged.

    Parameters
    ----------
    strip
        Freed of uneven light.
    edges
        The bead's edges.
    belt
        How far from the edges to look, px.
    """
    rows = np.arange(strip.light.shape[0])[:, None]
    judged = np.flatnonzero(edges.judged)
    between = np.zeros(strip.light.shape[1], dtype=bool)
    between[judged[0] : judged[-1] + 1] = True
    away = np.maximum(strip.rows(edges.left.left) - rows, rows - strip.rows(edges.right.left))
    wanted = (away > 0) & (away < belt) & between
    sheet = (away > 2.0) & strip.inside
    residual, noise = _residual(strip, sheet, edges)
    covered = _covered(residual, sheet)
    sheet &= ~covered
    spots = [spot for spot in _spots(residual, noise, sheet) if _is_deposit(spot, residual, belt)]
    kept = [spot for spot in spots if wanted[round(spot.row), round(spot.column)]]
    column = np.array([spot.column for spot in kept])
    row = np.array([spot.row for spot in kept])
    places = strip.axis.picture(strip.first_along + column, strip.first_left - row).reshape(-1, 2)
    diameter = np.array([math.sqrt(4 * spot.area / math.pi) for spot in kept])
    # A belt that the strip does not reach counts as not seen.
    whole = 2 * belt * between.sum()
    seen = float((wanted & sheet).sum() / whole) if whole else 0.0
    return Deposits(places[:, 0], places[:, 1], diameter, belt, min(seen, 1.0))


def _residual(strip: Strip, sheet: Mask, edges: Edges) -> tuple[Image, Floats]:
    """Light over that around it, less 1, in grey; and its noise in each row's neighbourhood along the strip."""
    grey = np.where(sheet, strip.light.mean(axis=2), 1.0).astype(np.float32)
    size = int(min(61, max(31, 0.5 * np.median(edges.width)))) | 1
    low, high = np.percentile(grey[sheet], [0.2, 99.8]) if sheet.any() else (0.0, 1.0)
    scale = 255 / max(float(high - low), 1e-6)
    eight = np.clip((grey - low) * scale, 0, 255).astype(np.uint8)
    around = cv2.GaussianBlur(cv2.medianBlur(eight, size), (0, 0), size / 6).astype(np.float32) / scale + low
    residual = np.where(sheet, grey / np.maximum(around, 0.05) - 1, 0.0).astype(np.float32)
    tile = 64
    noise = np.ones(residual.shape)
    for top in range(0, residual.shape[0], tile):
        for start in range(0, residual.shape[1], 4 * tile):
            part = (slice(top, top + tile), slice(start, start + 4 * tile))
            values = np.abs(residual[part][sheet[part]])
            noise[part] = 1.4826 * np.median(values) if values.size > 50 else 0.05
    return residual, np.maximum(noise, 0.004)


def _covered(residual: Image, sheet: Mask) -> Mask:
    """Where something large lies on the sheet: clamp, ruler, table."""
    unlike = ((np.abs(residual) > 0.25) & sheet).astype(np.uint8)
    large = cv2.morphologyEx(unlike, cv2.MORPH_OPEN, np.ones((25, 25), np.uint8))
    return np.asarray(cv2.dilate(large, np.ones((9, 9), np.uint8)) > 0)


def _spots(residual: Image, noise: Floats, sheet: Mask) -> list[_Spot]:
    """Connected spots, darker or brighter, dark and bright parts of one together."""
    smooth = cv2.GaussianBlur(residual, (0, 0), 0.8)
    ratio = np.abs(smooth) / noise
    rim = ((ratio > _RIM) & (np.abs(smooth) > 0.5 * _LEAST_SHARE) & sheet).astype(np.uint8)
    rim = cv2.morphologyEx(rim, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3)))
    rim = cv2.morphologyEx(rim, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3)))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(rim, connectivity=4)
    found = []
    for label in range(1, count):
        x, y, w, h, area = stats[label].tolist()
        if area < 5 or max(w, h) > 200 or area < 0.12 * w * h:
            continue
        part = (slice(y, y + h), slice(x, x + w))
        mine = labels[part] == label
        peak = float(ratio[part][mine].max())
        height = float(np.abs(residual[part][mine]).max())
        if peak < _HEART or height < _LEAST_SHARE:
            continue
        spot = _measured(np.abs(smooth[part]), mine, (x, y))
        if spot is not None:
            found.append(spot)
    return found


def _measured(size: Image, mine: Mask, corner: tuple[int, int]) -> _Spot | None:
    """Place, area and axes of a spot at half of its height, holes filled."""
    height = float(np.percentile(size[mine], 85))
    core = np.pad((mine & (size > 0.45 * height)).astype(np.uint8), 1)
    outlines, _ = cv2.findContours(core, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not outlines:
        return None
    filled = np.zeros_like(core)
    cv2.drawContours(filled, [max(outlines, key=cv2.contourArea)], -1, 1, cv2.FILLED)
    row, column = np.nonzero(filled)
    area = float(len(row))
    if area < math.pi / 4 * _LEAST_PX**2:
        return None
    spread = np.cov(np.stack([column, row])) + np.eye(2) / 12
    values, vectors = np.linalg.eigh(spread)
    minor, major = 4 * math.sqrt(values[0]), 4 * math.sqrt(values[1])
    turn = math.atan2(vectors[1, 1], vectors[0, 1])
    x, y = corner
    return _Spot(float(column.mean()) - 1 + x, float(row.mean()) - 1 + y, area, minor, major, turn, height)


def _is_deposit(spot: _Spot, residual: Image, belt: float) -> bool:
    """Compact, not too large, and not a piece of a line that goes on."""
    if spot.major > _MOST_SHARE * belt or spot.minor < _ROUND * spot.major:
        return False
    if spot.area < _SOLID * math.pi / 4 * spot.minor * spot.major:
        return False
    # Beyond the spot on two opposite sides, in every direction.
    distance = np.linspace(0.5 * spot.major + 2.5, 0.5 * spot.major + 9.0, 8)
    angles = np.linspace(0, math.pi, 24, endpoint=False)
    ends = []
    for sign in (1, -1):
        x = spot.column + sign * distance[None, :] * np.cos(angles)[:, None]
        y = spot.row + sign * distance[None, :] * np.sin(angles)[:, None]
        values = cv2.remap(residual, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
        ends.append(np.abs(values.mean(axis=1)))
    goes_on = np.minimum(ends[0], ends[1]).max()
    return bool(goes_on < _GOES_ON * spot.strength)
