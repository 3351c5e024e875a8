"""The picture around a bead, turned upright and freed of uneven light."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d

from .facts import Axis, Floats, Image, Mask, Strip

# The strip reaches so many bead widths beyond the edges, and at least so many px.
_BESIDE, _BESIDE_PX = 1.1, 24


def cut_strip(light: Image, axis: Axis, *, beside: float = 0.0) -> Strip:
    """Cut the strip along an axis out of the picture, one px a px, bicubic.

    Parameters
    ----------
    light
        Shape (height, width, channels), linear in light.
    axis
        The line; the strip goes on beyond its ends by two widths, as far as the picture does.
    beside
        How far it must reach beyond the edges at least, px.
    """
    reach = axis.width / 2 + max(_BESIDE * axis.width, _BESIDE_PX, beside)
    first_along = np.floor(axis.start - 2 * axis.width)
    columns = int(np.ceil(axis.stop + 2 * axis.width) - first_along) + 1
    first_left = np.ceil(reach)
    rows = int(2 * first_left) + 1
    origin = axis.picture(np.array(first_along), np.array(first_left))
    matrix = np.column_stack([axis.along, -axis.left, origin])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    strip = cv2.warpAffine(light, matrix, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    corners = axis.picture(first_along + np.arange(columns)[None, :], first_left - np.arange(rows)[:, None])
    height, width = light.shape[:2]
    inside = (corners >= 1).all(axis=2) & (corners[..., 0] <= width - 2) & (corners[..., 1] <= height - 2)
    return Strip(strip.reshape(rows, columns, -1), axis, float(first_along), float(first_left), inside)


def even_light(strip: Strip, centre: Floats, half: Floats) -> Strip:
    """The strip over the light of the sheet beside the bead, which changes slowly along it and straight across.

    Parameters
    ----------
    strip
        As cut.
    centre, half
        Shape (columns,): middle of the bead and half its width, px to the left of the axis.
    """
    rows = np.arange(strip.light.shape[0])[:, None]
    away = np.abs(rows - strip.rows(centre)) - half
    reach = max(6.0, 0.5 * float(np.median(half)))
    light = np.empty_like(strip.light)
    for side_channel in range(strip.light.shape[2]):
        part = strip.light[..., side_channel]
        levels = []
        for upper in (True, False):
            beside = (away > 3) & (away < 3 + reach) & ((rows < strip.rows(centre)) == upper) & strip.inside
            levels.append(_slow(part, beside, window=max(31, int(3 * np.median(half)))))
        share = np.clip((rows - strip.rows(centre) + half + reach / 2) / (2 * half + reach), 0, 1)
        light[..., side_channel] = part / (levels[0] * (1 - share) + levels[1] * share)
    return Strip(light, strip.axis, strip.first_along, strip.first_left, strip.inside)


def _slow(part: Image, where: Mask, *, window: int) -> Floats:
    """Mean of each column where it counts, freed of what is short along the strip, then smoothed."""
    count = where.sum(axis=0)
    level = np.where(count > 0, (part * where).sum(axis=0) / np.maximum(count, 1), np.nan)
    good = np.isfinite(level)
    if not good.any():
        return np.full(part.shape[1], max(float(part.mean()), 1e-4))
    filled = np.interp(np.arange(len(level)), np.flatnonzero(good), level[good])
    window = min(window | 1, (len(level) // 2) | 1)
    return np.asarray(
        np.maximum(uniform_filter1d(median_filter(filled, window, mode="nearest"), window), 1e-4)
    )
