"""The keyhole region: a disc fixed for the clip at the keyhole's mean place in the pool, or one around each spot."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

# Two maxima are two spots where the brightness between them falls by this share of the fainter one's.
_DIP = 0.15
# A spot is no fainter than this share of the brightest, above the pool.
_FAINTEST = 0.4
# Brightness is averaged over the inner part of what is brighter than this share of the spot's height: farther out the
# pool's own glow and the blur dilute its fluctuation.
_CORE_HEIGHT = 0.8
_CORE = 0.4
# A spot darker than the pool is one if it lies this share of the pool's brightness below it, away from the rim.
_DARKER = 0.15
# Share of full scale from which the pool counts as blown out: no keyhole can be seen in it.
_BLOWN = 0.98
# Half-width of the level in a keyhole over its height above the pool.
_SOFT = 0.1
# Least radius, px: a disc smaller than a pixel is one pixel with all its noise.
_LEAST = 1.0


@dataclass(frozen=True)
class Keyhole:
    """The keyhole region.

    Attributes
    ----------
    x, y
        Mean place in the image (pool at its reference place), px.
    radius_px
        Radius of the disc, around each spot, in which brightness is averaged, px.
    extent_px
        Radius of a disc as large as a spot at half its height, px.
    spots
        Place of each spot, shape (k, 2), px: one, or several where the beam makes several.
    reach_px
        Radius around the mean place within which area is counted, px.
    level
        Grey value, halfway from the pool to the keyhole's brightest, above which area counts; of a dark keyhole
        its darkest, below which it does.
    soft
        Half-width of that level's transition, grey values; below 0 for a dark keyhole.
    seen
        Whether a spot stands out of the pool; otherwise the region is a place by convention.
    saturated
        Share of the region at full scale in the clip's mean picture.
    """

    x: float
    y: float
    radius_px: float
    level: float
    soft: float
    seen: bool
    saturated: float
    spots: NDArray[np.float64]
    reach_px: float
    extent_px: float

    @property
    def contrast(self) -> float:
        """How far the keyhole stands out of the pool, up or down, over the pool's brightness; NaN: none seen."""
        height = self.soft / _SOFT
        return abs(height) / max(self.level - 0.5 * height, 1e-9)

    @property
    def region(self) -> tuple[float, float, float, float, float, float]:
        """What `keyhole_over_spots` takes: x, y, radius, level, soft and reach."""
        return (
            float(self.x), float(self.y), float(self.radius_px), float(self.level), float(self.soft),
            float(self.reach_px),
        )  # fmt: skip


def learn_keyhole(
    mean_image: NDArray[np.floating],
    inside: NDArray[np.bool_],
    full_scale: float,
    *,
    forward: tuple[float, float],
    radius_px: float | None = None,
    dark: bool = True,
) -> Keyhole:
    """Find the keyhole in the mean picture of the pool.

    Parameters
    ----------
    mean_image
        Mean grey values, pool at its reference place, shape (h, w).
    inside
        Pixels inside the mean outline, shape (h, w).
    full_scale
        Grey value of brightness 1.
    forward
        Unit vector along travel in the image.
    radius_px
        Radius of the region, px; None: found.
    dark
        Whether a spot darker than the pool is looked for too.

    Returns
    -------
    Keyhole
        Where no spot stands out by 10 % of the pool's brightness, half of the pool is blown out, or what stands out is
        the flank of something that reaches in from beyond the rim, the region lies on the middle line, a
        third of the pool's length behind its front, and `seen` is False.
    """
    area = float(inside.sum())
    size = math.sqrt(area)
    image = cv2.GaussianBlur(mean_image.astype(np.float32), (0, 0), max(0.02 * size, 0.8))
    core = core_of(inside, 0.05 * size)
    base = float(np.median(image[core]))
    peak = float(image[core].max())
    blown = base >= _BLOWN * full_scale
    turned = dark and not blown and _darker_inside(image, core, base, peak, size)
    if turned:
        image = np.where(core, 2.0 * base - image, base).astype(np.float32)
        peak = float(image[core].max())
    spots = np.empty((0, 2))
    if not blown and peak - base > 0.1 * base:
        spots, areas, cores = _spots(image, np.where(core, image, base), inside, base, peak)
    if len(spots):
        half = base + 0.5 * (peak - base)
        x, y = (float(v) for v in spots.mean(axis=0))
        radius = radius_px or max(_CORE * math.sqrt(cores.mean() / math.pi), _LEAST)
        extent = max(math.sqrt(areas.mean() / math.pi), radius)
        seen = True
    else:
        x, y = _assumed_place(inside, forward)
        radius = radius_px or max(0.1 * size, 1.5)
        extent = max(0.2 * size, radius)
        half = float("nan")
        seen = False
        spots = np.array([[x, y]])
    region = _discs(image.shape, spots, radius)
    saturated = float((mean_image[region] >= _BLOWN * full_scale).mean()) if region.any() else 0.0
    reach = max(1.4 * extent, 1.5 * radius) + float(np.hypot(*(spots - (x, y)).T).max())
    soft = max(_SOFT * (peak - base), 1e-9)
    if turned and seen:
        half, soft = 2.0 * base - half, -soft
    return Keyhole(x, y, float(radius), half, soft, seen, saturated, spots, reach, extent)


def core_of(inside: NDArray[np.bool_], rim_px: float) -> NDArray[np.bool_]:
    """A region without its rim, of 2 px at least; the whole region where nothing else is left."""
    core = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=max(int(rim_px), 2)) > 0
    return core if core.any() else inside


def _assumed_place(inside: NDArray[np.bool_], forward: tuple[float, float]) -> tuple[float, float]:
    """On the middle line, a third of the pool's length behind its front, px."""
    forward_x, forward_y = forward
    rows, cols = np.nonzero(inside)
    along = cols * forward_x + rows * forward_y
    across = -cols * forward_y + rows * forward_x
    place = along.max() - (along.max() - along.min()) / 3.0
    middle = 0.5 * (across.max() + across.min())
    return float(place * forward_x - middle * forward_y), float(place * forward_y + middle * forward_x)


def _discs(shape: tuple[int, ...], spots: NDArray[np.float64], radius: float) -> NDArray[np.bool_]:
    """Pixels of a picture within `radius` px of a spot (x, y)."""
    height, width = shape
    yy, xx = np.mgrid[:height, :width]
    region = np.zeros(shape, dtype=np.bool_)
    for x, y in spots:
        region |= (xx - x) ** 2 + (yy - y) ** 2 <= radius**2
    return region


def _darker_inside(
    image: NDArray[np.float32], core: NDArray[np.bool_], base: float, peak: float, size: float
) -> bool:
    """Whether the pool has a dark spot that stands out more than any bright one, and is no shade of the rim."""
    wide = max(int(0.08 * size), 2)
    deep = cv2.erode(core.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=wide) > 0
    rim = core & ~deep
    if not deep.any() or not rim.any():
        return False
    low = float(image[deep].min())
    return base - low > max(peak - base, _DARKER * base) and low < float(image[rim].min())


def _spots(
    image: NDArray[np.float32],
    shown: NDArray[np.floating],
    inside: NDArray[np.bool_],
    base: float,
    peak: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Places of the bright spots, shape (k, 2), and the area of each above half its height and of its core, px².

    None (k = 0) where no brightest place lies inside.
    """
    tops = (shown >= cv2.dilate(image, np.ones((3, 3), np.uint8))) & (
        shown > base + _FAINTEST * (peak - base)
    )
    rows, cols = np.nonzero(tops)
    kept: list[tuple[int, int]] = []
    for k in np.argsort(-shown[rows, cols], kind="stable"):
        row, col = int(rows[k]), int(cols[k])
        height = float(shown[row, col]) - base
        if all(_lowest(image, (row, col), one) - base < (1.0 - _DIP) * height for one in kept):
            kept.append((row, col))
    if not kept:
        return np.empty((0, 2)), np.empty(0), np.empty(0)
    grid = np.indices(image.shape)
    nearest = np.argmin([np.hypot(grid[0] - row, grid[1] - col) for row, col in kept], axis=0)
    spots, areas, cores = [], [], []
    for k, (row, col) in enumerate(kept):
        height = float(shown[row, col]) - base
        half = base + 0.5 * height
        bright = ((image > half) & inside & (nearest == k)).astype(np.uint8)
        _, labels = cv2.connectedComponents(bright)
        weight = np.where(labels == labels[row, col], image - half, 0.0)
        spots.append([(weight * grid[1]).sum() / weight.sum(), (weight * grid[0]).sum() / weight.sum()])
        areas.append(float((weight > 0).sum()))
        cores.append(float((weight > (_CORE_HEIGHT - 0.5) * height).sum()))
    return np.array(spots), np.array(areas), np.array(cores)


def _lowest(image: NDArray[np.float32], a: tuple[int, int], b: tuple[int, int]) -> float:
    """Lowest brightness on the straight line between two pixels."""
    n = max(abs(a[0] - b[0]), abs(a[1] - b[1])) + 1
    rows, cols = (np.rint(np.linspace(a[i], b[i], n)).astype(np.intp) for i in (0, 1))
    return float(image[rows, cols].min())


@njit(cache=True, nogil=True)
def measure_keyhole(
    frame: NDArray[np.generic],
    x: float,
    y: float,
    radius: float,
    level: float,
    soft: float,
    reach: float,
    full_scale: float,
) -> tuple[float, float, float]:
    """Mean grey value, area above the level and share at full scale of the keyhole region in one frame.

    Parameters
    ----------
    frame
        Grey values, shape (h, w).
    x, y, radius
        The region's disc, px; its border pixels count by how far they reach in.
    level, soft
        See `Keyhole`; a NaN level gives a NaN area.
    reach
        Radius within which area is counted, px, at least `radius`.
    full_scale
        Grey value at which the sensor clips.

    Returns
    -------
    tuple of float
        Mean grey value; area, px²; share at full scale.
    """
    h, w = frame.shape
    total = 0.0
    weight = 0.0
    area = 0.0
    clipped = 0.0
    for i in range(max(int(y - reach), 0), min(int(y + reach) + 2, h)):
        for j in range(max(int(x - reach), 0), min(int(x + reach) + 2, w)):
            d = math.sqrt((j - x) * (j - x) + (i - y) * (i - y))
            v = float(frame[i, j])
            if d <= reach:
                part = (v - level) / (2.0 * soft) + 0.5
                area += min(max(part, 0.0), 1.0)
            f = radius + 0.5 - d
            if f > 0.0:
                f = min(f, 1.0)
                total += f * v
                weight += f
                if v >= 0.998 * full_scale:
                    clipped += f
    if weight == 0.0:
        return np.nan, np.nan, np.nan
    return total / weight, (np.nan if level != level else area), clipped / weight


@njit(cache=True, nogil=True)
def keyhole_over_spots(
    frame: NDArray[np.generic],
    region: tuple[float, float, float, float, float, float],
    spots: NDArray[np.float64],
    dx: float,
    dy: float,
    full_scale: float,
) -> tuple[float, float, float]:
    """`measure_keyhole` over all spots of a keyhole that is moved by (dx, dy) px: mean brightness, area, share full.

    `region` is that of the `Keyhole`.
    """
    x, y, radius, level, soft, reach = region
    mean, area, clipped = measure_keyhole(frame, x + dx, y + dy, radius, level, soft, reach, full_scale)
    if spots.shape[0] == 1:
        return mean, area, clipped
    mean, clipped = 0.0, 0.0
    for k in range(spots.shape[0]):
        one, _, full = measure_keyhole(
            frame, spots[k, 0] + dx, spots[k, 1] + dy, radius, np.nan, 1.0, radius + 1.0, full_scale
        )
        mean += one / spots.shape[0]
        clipped += full / spots.shape[0]
    return mean, area, clipped


def keyhole_in(
    frame: NDArray[np.generic], keyhole: Keyhole, dx: float, dy: float, full_scale: float
) -> tuple[float, float, float]:
    """`keyhole_over_spots` of a `Keyhole`."""
    found: tuple[float, float, float] = keyhole_over_spots(
        frame,
        keyhole.region,
        np.ascontiguousarray(keyhole.spots, dtype=np.float64),
        float(dx),
        float(dy),
        full_scale,
    )
    return found
