"""Particles stuck to the sheet beside the bead: compact spots, told from what goes on along a line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from .facts import Deposits, Edges, Floats, Image, Mask, Strip

# A spot stands out by so many noise levels at its heart, and is as large as what stands out by so many.
_HEART, _RIM = 7.0, 2.6
# Averaging before that, standard deviation in px.
_SMOOTH = 1.0
# Share of its height down to which a spot is measured: with the averaging, half of what is flat.
_HALF = 0.45
# Least difference from the sheet, as a share of its light.
_LEAST_SHARE = 0.07
# Diameters told, px; the largest as a share of the belt.
_LEAST_PX, _MOST_SHARE = 3.6, 0.5
# Shortest over longest axis of a spot, and its area over that of its ellipse.
_ROUND, _SOLID = 0.45, 0.6
# Area over that of the tightest outline without dents, of spots larger than so many px: letters have dents, and holes.
_NO_DENTS, _NO_HOLES, _LETTERS_PX = 0.86, 0.72, 8.0
# Metal has about the colour of the sheet: one colour differs from another by no more than this. Ink does.
_COLOURED = 0.3
# Clear sheet between a spot and the bead, px: what touches the bead is its edge.
_CLEAR = 1.5
# What goes on beyond a spot on two opposite sides, over the spot itself, is a line.
_GOES_ON = 0.3


@dataclass(frozen=True)
class _Spot:
    column: float
    row: float
    area: float
    minor: float
    major: float
    full: float
    holes: float
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
    residual = _residual(strip, sheet, edges)
    sheet &= ~_covered(residual, sheet)
    residual = np.where(sheet, residual, 0.0).astype(np.float32)
    residual = cv2.GaussianBlur(residual - _streaks(residual, sheet), (0, 0), _SMOOTH)
    noise = _noise(residual, sheet)
    # What is no particle as a whole may hold some: two that touch, one on a scratch.
    spots = []
    for whole, pieces in _spots(residual, noise, sheet):
        for tried in (whole, pieces):
            if good := [spot for spot in tried if _is_deposit(spot, residual, belt)]:
                spots += good
                break
    kept = [
        spot
        for spot in spots
        if wanted[round(spot.row), round(spot.column)]
        and away[round(spot.row), round(spot.column)] > math.sqrt(spot.area / math.pi) + _CLEAR
        and _colour(strip.light, spot) < _COLOURED
    ]
    column = np.array([spot.column for spot in kept])
    row = np.array([spot.row for spot in kept])
    places = strip.axis.picture(strip.first_along + column, strip.first_left - row).reshape(-1, 2)
    diameter = np.array([math.sqrt(4 * spot.area / math.pi) for spot in kept])
    # A belt that the strip does not reach counts as not seen.
    whole = 2 * belt * between.sum()
    seen = float((wanted & sheet).sum() / whole) if whole else 0.0
    return Deposits(places[:, 0], places[:, 1], diameter, belt, min(seen, 1.0))


def _residual(strip: Strip, sheet: Mask, edges: Edges) -> Image:
    """Light over that around it, less 1, in grey."""
    grey = np.where(sheet, strip.light.mean(axis=2), 1.0).astype(np.float32)
    size = int(min(61, max(31, 0.5 * np.median(edges.width)))) | 1
    low, high = np.percentile(grey[sheet], [0.2, 99.8]) if sheet.any() else (0.0, 1.0)
    scale = 255 / max(float(high - low), 1e-6)
    eight = np.clip((grey - low) * scale, 0, 255).astype(np.uint8)
    around = cv2.GaussianBlur(cv2.medianBlur(eight, size), (0, 0), size / 6).astype(np.float32) / scale + low
    return np.where(sheet, np.clip(grey / np.maximum(around, 0.05) - 1, -1, 2), 0.0).astype(np.float32)


def _streaks(residual: Image, sheet: Mask) -> Image:
    """What goes on along the direction of the rolling marks: a mean along it, without the middle itself."""
    dy, dx = np.gradient(cv2.GaussianBlur(np.clip(residual, -0.2, 0.2), (0, 0), 1.0))
    # Structure tensor: streaks run across the direction of most change.
    dx, dy = dx[sheet], dy[sheet]
    angle = 0.5 * math.atan2(2 * float((dx * dy).mean()), float((dx * dx - dy * dy).mean())) + math.pi / 2
    reach = 45
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    along, across = x * math.cos(angle) + y * math.sin(angle), y * math.cos(angle) - x * math.sin(angle)
    kernel = np.exp(-0.5 * (along / 18.0) ** 2 - 0.5 * (across / 0.7) ** 2) * (np.abs(along) > 8)
    kernel = (kernel / kernel.sum()).astype(np.float32)
    # A particle nearby must not draw a streak: what stands out far is cut.
    limit = 3 * 1.4826 * float(np.median(np.abs(residual[sheet]))) if sheet.any() else 0.1
    return np.asarray(cv2.filter2D(np.clip(residual, -limit, limit), cv2.CV_32F, kernel))


def _noise(residual: Image, sheet: Mask) -> Floats:
    """Standard deviation of the sheet's grain in tiles."""
    tile = 64
    noise = np.full(residual.shape, 0.05)
    for top in range(0, residual.shape[0], tile):
        for start in range(0, residual.shape[1], 4 * tile):
            part = (slice(top, top + tile), slice(start, start + 4 * tile))
            values = np.abs(residual[part][sheet[part]])
            if values.size > 50:
                noise[part] = 1.4826 * np.median(values)
    return np.asarray(np.maximum(noise, 0.004))


def _covered(residual: Image, sheet: Mask) -> Mask:
    """Where something large lies on the sheet: clamp, ruler, table."""
    unlike = ((np.abs(residual) > 0.25) & sheet).astype(np.uint8)
    large = cv2.morphologyEx(unlike, cv2.MORPH_OPEN, np.ones((25, 25), np.uint8))
    return np.asarray(cv2.dilate(large, np.ones((9, 9), np.uint8)) > 0)


def _spots(residual: Image, noise: Floats, sheet: Mask) -> list[tuple[list[_Spot], list[_Spot]]]:
    """Connected spots, darker or brighter, dark and bright parts of one together; each whole, and in its high parts."""
    ratio = np.abs(residual) / noise
    rim = ((ratio > _RIM) & (np.abs(residual) > 0.5 * _LEAST_SHARE) & sheet).astype(np.uint8)
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
        # A spot of light on a particle is no measure of it.
        size = np.abs(residual[part])
        level = _HALF * float(np.percentile(size[mine], 60))
        high = max(_HALF * float(np.percentile(size[mine], 97)), 1.2 * level)
        found.append(
            (
                _measured(size, mine & (size > level), (x, y))[:1],
                _measured(size, mine & (size > high), (x, y)),
            )
        )
    return found


def _measured(size: Image, core: Mask, corner: tuple[int, int]) -> list[_Spot]:
    """Place, area and axes of the pieces of a spot, holes filled, the largest first."""
    padded = np.pad(core.astype(np.uint8), 1)
    outlines, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    spots = []
    for outline in outlines:
        filled = np.zeros_like(padded)
        cv2.drawContours(filled, [outline], -1, 1, cv2.FILLED)
        row, column = np.nonzero(filled)
        area = float(len(row))
        if area < math.pi / 4 * _LEAST_PX**2:
            continue
        values = np.linalg.eigvalsh(np.cov(np.stack([column, row])) + np.eye(2) / 12)
        minor, major = 4 * math.sqrt(values[0]), 4 * math.sqrt(values[1])
        hull = cv2.convexHull(outline)
        # The outline runs through pixel centres: half a pixel is missing all around.
        full = cv2.contourArea(hull) + cv2.arcLength(hull, True) / 2 + 1
        x, y = float(column.mean()) - 1 + corner[0], float(row.mean()) - 1 + corner[1]
        height = float(np.median(size[(filled * padded)[1:-1, 1:-1] > 0]))
        spots.append(
            _Spot(x, y, area, minor, major, area / full, float((filled * padded).sum()) / full, height)
        )
    return sorted(spots, key=lambda spot: -spot.area)


def _colour(light: Image, spot: _Spot) -> float:
    """How far the colour of a spot is from that of the sheet (1, 1, 1); 0 in grey."""
    reach = max(1, int(0.3 * spot.minor))
    row, column = round(spot.row), round(spot.column)
    part = light[max(row - reach, 0) : row + reach + 1, max(column - reach, 0) : column + reach + 1]
    mean = part.reshape(-1, light.shape[2]).mean(axis=0)
    return float(np.ptp(mean) / max(float(mean.max()), 1e-6))


def _is_deposit(spot: _Spot, residual: Image, belt: float) -> bool:
    """Compact, not too large, and not a piece of a line that goes on."""
    if spot.major > _MOST_SHARE * belt or spot.minor < _ROUND * spot.major:
        return False
    if spot.area < _SOLID * math.pi / 4 * spot.minor * spot.major:
        return False
    if spot.major > _LETTERS_PX and (spot.full < _NO_DENTS or spot.holes < _NO_HOLES):
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
