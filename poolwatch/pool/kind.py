"""Which kind of footage a clip is: the pool glows by itself, or it is lit from outside."""

from __future__ import annotations

import math
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from ..model.together import together

Kind = Literal["glowing", "illuminated"]
Grey = NDArray[np.uint8] | NDArray[np.uint16]

# Side of the tiles in which texture is followed, px.
_TILE = 32
# Largest motion of the metal looked for between the two pictures compared, px.
_RANGE_PX = 8
# Brightness of the surroundings and strength of their moving texture, both against the brightest of the picture,
# between what glowing and what lit metal shows. A glowing pool outshines its surroundings some twenty times and more,
# lit metal is of the order of the highlights on it. The level counts twice: in very dim footage the sensor's own
# pattern comes near the strength of texture.
_LEVEL = 0.1
_TEXTURE = 0.012
# From this distance of the score from 0 the verdict is clear: a factor of 3 in level, or of 9 in texture.
_CLEAR = 2.2


def footage_kind(windows: Grey) -> tuple[Kind, str, bool]:
    """Decide whether the pool glows by itself or is lit from outside.

    Parameters
    ----------
    windows
        Short runs of consecutive frames spread over the clip, shape (m, k, h, w), k at least 2; best cut to the
        region of interest.

    Returns
    -------
    tuple
        ``glowing`` or ``illuminated``, the reason in words, and whether the pictures leave no doubt.
    """
    level, texture, share = footage_features(windows)
    # What noise alone would show must not be taken for nothing.
    score = 2.0 * math.log(max(level, 1e-3) / _LEVEL) + math.log(max(texture, 1e-4) / _TEXTURE)
    # Texture that few of the surroundings show is chance or marks.
    score += 0.5 * math.log(max(share, 0.05))
    seen = (
        f"the surroundings have {level:.0%} of the brightness of the brightest of the picture, and texture of "
        f"{texture:.1%} of it moves as one sheet in {share:.0%} of them"
    )
    clear = abs(score) > _CLEAR
    if score > 0:
        return "illuminated", f"{seen}: metal lit from outside", clear
    return "glowing", f"{seen}: the pool outshines what is around it", clear


def footage_features(windows: Grey) -> tuple[float, float, float]:
    """What the decision rests on.

    Parameters
    ----------
    windows
        Short runs of consecutive frames, shape (m, k, h, w).

    Returns
    -------
    tuple of float
        Brightness of the surroundings over that of the brightest of the picture; standard deviation of texture that
        moves as one sheet, over the picture's range; share of the surroundings that show it.

    Notes
    -----
    Black lies somewhere between grey value 0 and the darkest of the picture. Evenly lit metal without anything darker
    seems black against the darkest, a glowing clip with a high black level seems lit against 0: the geometric mean of
    both errs least.
    """

    def features(run: Grey) -> tuple[float, NDArray[np.float64], NDArray[np.bool_]]:
        one, two = run[0].astype(np.float32), run[-1].astype(np.float32)
        # Means of tiles, so that noise does not part dark from bright.
        tiles = cv2.resize(
            one, (max(one.shape[1] // 10, 1), max(one.shape[0] // 10, 1)), interpolation=cv2.INTER_AREA
        )
        low, quarter, high = (float(v) for v in np.percentile(tiles, (1.0, 25.0, 99.5)))
        span = max(high - low, 1e-6)
        level = math.sqrt(max(quarter - low, 0.0) / span * max(quarter, 0.0) / max(high, 1e-6))
        common, own = _sheet(one, two, quarter + 0.35 * span)
        return level, common / span**2, common > 0.35 * own

    levels, commons, coherent = zip(*together(features, windows), strict=True)
    common = np.concatenate(commons)
    if len(common) == 0:
        return float(np.median(levels)), 0.0, 0.0
    texture = math.sqrt(max(float(np.median(common)), 0.0))
    return float(np.median(levels)), texture, float(np.mean(np.concatenate(coherent)))


def _sheet(
    one: NDArray[np.float32], two: NDArray[np.float32], bright: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Covariance of two pictures after one shift, tile by tile, and the first one's own variance."""
    # Neither noise of single pixels nor shading.
    fine = [cv2.GaussianBlur(p, (0, 0), 0.7) - cv2.GaussianBlur(p, (0, 0), 4.0) for p in (one, two)]
    h, w = one.shape
    reach = _RANGE_PX
    side = min(_TILE, h - 2 * reach, w - 2 * reach)
    if side < 12:
        return np.empty(0), np.empty(0)
    maps, own, shine = [], [], []
    for r in range(reach, h - reach - side + 1, side):
        for c in range(reach, w - reach - side + 1, side):
            tile = fine[0][r : r + side, c : c + side]
            around = fine[1][r - reach : r + side + reach, c - reach : c + side + reach]
            maps.append(cv2.matchTemplate(around, tile, cv2.TM_CCORR) / side**2)
            own.append(float(tile.var()))
            shine.append(float((one[r : r + side, c : c + side] > bright).mean()))
    # Surroundings only: a tile that holds much of what is bright belongs to the pool. At least half must speak.
    keep = np.array(shine) <= max(0.1, float(np.median(shine)))
    if keep.sum() < 2:
        return np.empty(0), np.empty(0)
    every, sizes = np.array(maps)[keep], np.maximum(np.array(own)[keep], 1e-9)
    # One shift for all tiles. Half of them choose it and the other half are measured there, so that the highest of
    # many chance correlations is not taken for texture.
    common = np.empty(len(every))
    for half in (0, 1):
        votes = np.median(every[half::2] / sizes[half::2, None, None], axis=0)
        row, column = np.unravel_index(int(np.argmax(votes)), votes.shape)
        common[1 - half :: 2] = every[1 - half :: 2, row, column]
    return common, sizes
