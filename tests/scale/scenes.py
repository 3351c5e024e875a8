"""Scenes drawn for the tests of this room: rough metal that moves as one sheet, a restless pool, targets."""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates


class Sheet:
    """Rough metal as a sum of many plane waves: exact at any sub-pixel place, no interpolation."""

    def __init__(self, seed: int, waves: int = 120, finest_px: float = 4.0, coarsest_px: float = 24.0):
        rng = np.random.default_rng(seed)
        angle = rng.uniform(0, 2 * np.pi, waves)
        wavelength = np.exp(rng.uniform(math.log(finest_px), math.log(coarsest_px), waves))
        self.kx = 2 * np.pi * np.cos(angle) / wavelength
        self.ky = 2 * np.pi * np.sin(angle) / wavelength
        self.phase = rng.uniform(0, 2 * np.pi, waves)
        self.amplitude = math.sqrt(2 / waves)
        self.size = (0, 0)

    def at(self, height: int, width: int, dx: float = 0.0, dy: float = 0.0) -> np.ndarray:
        """Texture of unit scatter whose content has moved by (dx, dy)."""
        # exp(i k (x - dx)) = exp(i k x) exp(-i k dx): what does not move is worked out once.
        if (height, width) != self.size:
            self.size = (height, width)
            self.along = np.exp(1j * np.outer(self.kx, np.arange(width)))
            self.down = np.exp(1j * (np.outer(self.ky, np.arange(height)) + self.phase[:, None]))
        moved = self.along * np.exp(-1j * (self.kx * dx + self.ky * dy))[:, None]
        return self.amplitude * (self.down.real.T @ moved.real - self.down.imag.T @ moved.imag)


def weld_clip(
    seed: int,
    *,
    n: int,
    height: int,
    width: int,
    speed_px: float,
    direction_deg: float,
    noise: float = 0.02,
    contrast: float = 0.08,
    pool: bool = True,
    flicker: float = 0.05,
    shake_px: float = 0.0,
    dirt: float = 0.0,
) -> np.ndarray:
    """8-bit frames of a riding camera: the metal moves along `direction_deg`, the pool stays and churns."""
    rng = np.random.default_rng(seed)
    sheet = Sheet(seed + 1)
    liquid = Sheet(seed + 2, waves=60, finest_px=5.0)
    y, x = np.mgrid[:height, :width]
    angle = math.radians(direction_deg)
    ux, uy = speed_px * math.cos(angle), -speed_px * math.sin(angle)
    lamp = 0.45 + 0.15 * np.exp(-(((x - 0.4 * width) / width) ** 2 + ((y - 0.5 * height) / height) ** 2) * 3)
    # The pool: an ellipse in the middle, a quarter of the view long, its inside moved by swirling currents.
    u, v = (x - 0.5 * width) / (0.22 * width), (y - 0.5 * height) / (0.2 * height)
    inside = gaussian_filter((u * u + v * v < 1).astype(float), 1.0)
    frames = np.empty((n, height, width), dtype=np.uint8)
    spots = Sheet(seed + 3, finest_px=3.0, coarsest_px=8.0).at(height, width)
    swirl = rng.uniform(0, 2 * np.pi, 4)
    for i in range(n):
        shake = shake_px * rng.standard_normal(2)
        metal = lamp * (1 + contrast / 0.45 * sheet.at(height, width, ux * i + shake[0], uy * i + shake[1]))
        grey = metal
        if pool:
            t = 0.31 * i
            flow_x = 3 * np.sin(v * 2 + t + swirl[0]) + 2 * np.sin(u * 3 - 1.7 * t + swirl[1])
            flow_y = 3 * np.sin(u * 2 - 1.3 * t + swirl[2]) + 2 * np.sin(v * 3 + 0.7 * t + swirl[3])
            churn = map_coordinates(
                liquid.at(height, width), [y + flow_y, x + flow_x], order=1, mode="reflect"
            )
            grey = metal * (1 - inside) + inside * (0.35 + 0.12 * churn)
        grey = grey * (1 + dirt * spots) * (
            1 + flicker * rng.standard_normal()
        ) + noise * rng.standard_normal((height, width))
        frames[i] = np.clip(np.rint(255 * grey), 0, 255)
    return frames


def camera(
    tilt_deg: float, turn_deg: float, *, focal_px: float, px_per_mm: float, view: tuple[int, int]
) -> np.ndarray:
    """Homography plane (mm, origin seen at the middle of the view) to image (px) of a tilted pinhole camera.

    The plane is tilted by `tilt_deg` about an axis that makes `turn_deg` with the image's x.
    """
    width, height = view
    distance = focal_px / px_per_mm
    a, t = math.radians(turn_deg), math.radians(tilt_deg)
    axis = np.array([math.cos(a), math.sin(a), 0.0])
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    rotation = np.eye(3) + math.sin(t) * k + (1 - math.cos(t)) * k @ k
    intrinsics = np.array([[focal_px, 0, (width - 1) / 2], [0, focal_px, (height - 1) / 2], [0, 0, 1]])
    pose = np.column_stack([rotation[:, 0], rotation[:, 1], [0, 0, distance]])
    homography = intrinsics @ pose
    return homography / homography[2, 2]


def target_photo(
    to_image: np.ndarray,
    view: tuple[int, int],
    pattern: str,
    columns: int,
    rows: int,
    pitch_mm: float,
    *,
    seed: int,
    blur_px: float = 0.8,
    noise: float = 4.0,
    diameter_mm: float = 0.0,
    oversample: int = 5,
) -> np.ndarray:
    """8-bit photo of a flat target, its middle at the plane's origin, uneven light, blur and noise."""
    width, height = view
    rng = np.random.default_rng(seed)
    back = np.linalg.inv(to_image)
    offsets = (np.arange(oversample) + 0.5) / oversample - 0.5
    total = np.zeros((height, width))
    y, x = np.mgrid[:height, :width].astype(float)
    for oy in offsets:
        for ox in offsets:
            px = np.stack([x + ox, y + oy, np.ones_like(x)])
            mm = np.einsum("ij,jhw->ihw", back, px)
            u, v = mm[0] / mm[2], mm[1] / mm[2]
            # Grid numbers: 0 at the first corner or centre.
            i, j = u / pitch_mm + (columns - 1) / 2, v / pitch_mm + (rows - 1) / 2
            if pattern == "checkerboard":
                inside = (i > -1) & (i < columns) & (j > -1) & (j < rows)
                dark = inside & ((np.floor(i) + np.floor(j)) % 2 == 0)
            else:
                ni, nj = np.clip(np.rint(i), 0, columns - 1), np.clip(np.rint(j), 0, rows - 1)
                dark = np.hypot(i - ni, j - nj) * pitch_mm < diameter_mm / 2
            total += np.where(dark, 0.12, 0.8)
    grey = 255 * total / oversample**2 * (0.8 + 0.2 * x / width)
    grey = gaussian_filter(grey, blur_px) + noise * rng.standard_normal(grey.shape)
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def ruler_photo(
    period_px: float, angle_deg: float, *, seed: int, side: int = 400, noise: float = 4.0, change: float = 0.0
) -> np.ndarray:
    """Photo of a ruler through the middle of the view, longer marks at each fifth and tenth.

    `angle_deg` is that of the ruler, counter-clockwise as seen; `change` the relative change of the period over
    `side` px.
    """
    rng = np.random.default_rng(seed)
    oversample, total = 5, np.zeros((side, side))
    y, x = np.mgrid[:side, :side].astype(float)
    a = math.radians(angle_deg)
    for oy in (np.arange(oversample) + 0.5) / oversample - 0.5:
        for ox in (np.arange(oversample) + 0.5) / oversample - 0.5:
            u, v = x + ox - side / 2, y + oy - side / 2
            along = u * math.cos(a) - v * math.sin(a)
            across = u * math.sin(a) + v * math.cos(a)
            mark = (along - change * along**2 / 2 / side) / period_px + 0.37
            number = np.rint(mark)
            length = np.where(number % 10 == 0, 60, np.where(number % 5 == 0, 45, 30))
            dark = (np.abs(mark - number) < 0.15) & (across > -15) & (across < length - 15)
            dark &= np.abs(along) < 0.43 * side
            total += np.where(dark, 0.15, np.where((across > -30) & (across < 60), 0.75, 0.3))
    grey = gaussian_filter(255 * total / oversample**2, 0.8) + noise * rng.standard_normal((side, side))
    return np.clip(np.rint(grey), 0, 255)
