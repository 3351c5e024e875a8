"""The rim of the pool in what many frames show, laid on one another by its place: in tone, and in change with time.

The pool keeps its place there while metal passes by, so each place has its usual tone and its change: marks and ripples
are washed out of the one, and liquid that is calm but for glints stands out in the other. Light and plume are soft, the
rim is a step; the closed line of largest steps round a middle is found by dynamic programming.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from .alignment import Path, laid_out_frames
from .metal import Field, Grey
from .region import hull_of, middle_of

# Side of the square over which change is taken, and spread by which pictures are smoothed, px.
_SIDE, _SMOOTH_PX = 5, 1.0
# Directions in which the rim is sought, and pixels on either side of a place that make its step.
_RAYS, _STEP = 180, 4
# Pools are some twice as long as wide: distances along travel count so much less.
_LONG = 2.0
# Cost of a px by which neighbouring directions differ, and the most they may.
_BEND, _MOST = 1.0, 2
# A step of so many spreads is as clear as any: the sheet at a bead's side is no better a rim than a faint tail.
_CLEAR = 6.0
# Times the middle is moved into the middle of what was found.
_TURNS = 3
# The keyhole is brighter than metal by so many spreads of it, and by this share of what the brightest is.
_HOT, _OF_HOTTEST = 5.0, 0.5
# The rim is seen where four fifths of it have such a step or more: log1p of the square of a step in spreads of those of
# metal, that of tone and that of change added.
_SEEN = 3.0
# A pool is larger than this times its keyhole and what is hidden around it.
_OF_KEYHOLE = 3.0
# What lies beyond the picture, or in the keyhole, is no rim.
_NEVER = -6.0


class RimOverTime(NamedTuple):
    """Rim of the pool over time: contour (k, 2) as x, y px, and the step that four fifths of it have or more."""

    contour: NDArray[np.float64]
    step: float

    @property
    def seen(self) -> bool:
        """Whether the line found is a rim rather than the largest of the metal's marks."""
        return self.step > _SEEN


def usual_picture(windows: Grey, path: Path) -> tuple[Field, Field]:
    """Usual grey value of each place, and log of how far apart its quartiles are, in frames laid on one another.

    Parameters
    ----------
    windows
        Runs of consecutive frames, shape (m, k, h, w).
    path
        Where the pool is in each frame.
    """
    frames = laid_out_frames(windows, path)
    frames.sort(axis=0)
    n = len(frames)
    change = cv2.blur(frames[(3 * n) // 4].astype(np.float32) - frames[n // 4], (_SIDE, _SIDE))
    return frames[n // 2].astype(np.float32), np.log(change + 1.0)


def rim_over_time(
    tone: Field, change: Field, liquid: NDArray[np.bool_], forward: tuple[float, float]
) -> RimOverTime | None:
    """Closed line along which tone, or change, steps most; None where motion shows no liquid at all.

    Parameters
    ----------
    tone, change
        See `usual_picture`, shape (h, w).
    liquid
        Where motion shows parts of the pool, shape (h, w).
    forward
        Unit vector along travel in the image (x right, y down).
    """
    hull, area = hull_of(liquid)
    keyhole, middle = _keyhole(tone)
    if middle is None:
        if not area:
            return None
        middle = middle_of(hull)
    pictures = [cv2.GaussianBlur(_without(p, keyhole), (0, 0), _SMOOTH_PX) for p in (tone, change)]
    turn = np.arange(_RAYS) * (2 * math.pi / _RAYS)
    ahead, aside = np.array(forward), np.array((forward[1], -forward[0]))
    rays = _LONG * np.cos(turn)[:, None] * ahead + np.sin(turn)[:, None] * aside
    least = _STEP + 1
    for _ in range(_TURNS):
        step = _steps(pictures, middle, rays)
        step[:, :least] = _NEVER
        place = _closed_line(step)
        contour = middle + place[:, None] * rays
        moments = cv2.moments(contour.astype(np.float32))
        # What is left of a keyhole that was not laid on itself has a clear rim, too.
        if moments["m00"] <= _OF_KEYHOLE * keyhole.sum():
            return None
        middle = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    return RimOverTime(contour, float(np.percentile(step[np.arange(_RAYS), place], 20.0)))


def _keyhole(tone: Field) -> tuple[NDArray[np.uint8], NDArray[np.float64] | None]:
    """1 in the brightest thing that stays and around it, and its middle; None where nothing is bright."""
    usual = float(np.median(tone))
    spread = 1.4826 * float(np.median(np.abs(tone - usual)))
    above = max(_HOT * spread, _OF_HOTTEST * (float(tone.max()) - usual))
    hot = (tone > usual + above).astype(np.uint8)
    count, number, facts, middles = cv2.connectedComponentsWithStats(hot)
    if count < 2:
        return np.zeros_like(hot), None
    largest = 1 + int(np.argmax(facts[1:, cv2.CC_STAT_AREA]))
    grown = cv2.dilate((number == largest).astype(np.uint8), np.ones((9, 9), np.uint8))
    return np.asarray(grown, dtype=np.uint8), np.asarray(middles[largest], dtype=np.float64)


def _without(field: Field, hidden: NDArray[np.uint8]) -> Field:
    """A field in 8 bits, what is hidden filled from around it (Telea 2004, doi:10.1080/10867651.2004.10487596)."""
    low, high = np.percentile(field[hidden == 0], (0.2, 99.8))
    grey = np.clip((field - low) * (255.0 / max(float(high - low), 1e-6)), 0, 255).astype(np.uint8)
    return np.asarray(cv2.inpaint(grey, hidden, 5, cv2.INPAINT_TELEA), dtype=np.float32)


def _steps(
    pictures: list[Field], middle: NDArray[np.float64], rays: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How much each place on each ray looks like a rim, shape (rays, places)."""
    h, w = pictures[0].shape
    reach = np.arange(max(h, w))
    x = (middle[0] + reach * rays[:, :1]).astype(np.float32)
    y = (middle[1] + reach * rays[:, 1:]).astype(np.float32)
    seen = (x >= _STEP - 1) & (x <= w - _STEP) & (y >= _STEP - 1) & (y <= h - _STEP)
    total = np.zeros(x.shape)
    for picture in pictures:
        profile = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        sums = np.cumsum(np.pad(profile.astype(np.float64), ((0, 0), (1, 0))), axis=1)
        step = np.zeros(x.shape)
        inner = sums[:, _STEP : -_STEP - 1] - sums[:, : -2 * _STEP - 1]
        outer = sums[:, 2 * _STEP + 1 :] - sums[:, _STEP + 1 : -_STEP]
        step[:, _STEP:-_STEP] = outer - inner
        spread = 1.4826 * float(np.median(np.abs(step[seen])))
        total += np.log1p(np.minimum((step / max(spread, 1e-6)) ** 2, _CLEAR**2))
    total[~seen] = _NEVER
    return total


def _closed_line(gain: NDArray[np.float64]) -> NDArray[np.intp]:
    """Place on each ray of the closed line of largest gain; neighbours differ by 2 places at most."""
    rays, places = gain.shape
    # Twice round: what the middle of the way gives does not depend on where it begins.
    order = np.arange(2 * rays) % rays
    total = np.zeros(places)
    came = np.empty((2 * rays, places), dtype=np.intp)
    hops = np.arange(-_MOST, _MOST + 1)
    for i, ray in enumerate(order):
        padded = np.pad(total, _MOST, constant_values=-np.inf)
        options = np.array([padded[_MOST + k : _MOST + k + places] - _BEND * abs(k) for k in hops])
        best = options.argmax(axis=0)
        came[i] = np.arange(places) + hops[best]
        total = options[best, np.arange(places)] + gain[ray]
    place = int(total.argmax())
    line = np.empty(2 * rays, dtype=np.intp)
    for i in range(2 * rays - 1, -1, -1):
        line[i] = place
        place = int(came[i, place])
    half = rays // 2
    return np.roll(line[half : half + rays], half)
