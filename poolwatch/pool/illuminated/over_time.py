"""The rim of the pool in what many frames show, laid on one another by its place: in tone, and in change with time.

The pool keeps its place there while metal passes by, so each place has its usual tone and its change: marks and ripples
are washed out of the one, and liquid that is calm but for glints stands out in the other. Light and plume are soft, the
rim is a step; the closed line of largest steps round a middle is found by dynamic programming. Where their tones differ
each place inside it has that of liquid, each beyond it that of metal.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from .alignment import Path, laid_out_frames
from .metal import Field, Grey
from .region import filled, hull_of, middle_of

# Side of the square over which change is taken, and spread by which pictures are smoothed, px.
_SIDE, _SMOOTH_PX = 5, 1.0
# Directions in which the rim is sought, and pixels on either side of a place that make its step.
_RAYS, _STEP = 360, 4
# Pools are some twice as long as wide: distances along travel count so much less.
_LONG = 2.0
# Cost of a px by which neighbouring directions differ, and the most they may.
_BEND, _MOST = 1.0, 2
# A step of so many spreads is as clear as any: the sheet at a bead's side is no better a rim than a faint tail. Where
# metal hardly scatters, light and plume would be as clear, too: not unless they step by this share of the largest ones.
_CLEAR, _OF_LARGEST = 6.0, 0.5
# Tone is metal's in the outermost share of a strip along travel. What a place with the tone of either counts for, and
# by how many spreads of metal the two differ where they can be separated.
_OUTERMOST, _PLACE, _APART = 0.25, 0.2, 3.0
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
    inside = pictures[0][filled(hull, tone.shape) > 0] if area else pictures[0]
    low, high = (float(v) for v in np.percentile(inside, (25.0, 75.0)))
    rims = (
        _closed_rim(pictures, middle, forward, usual, float(keyhole.sum())) for usual in ((low, high), None)
    )
    # Where liquid and metal are as bright, tone leads astray: then by its steps alone.
    found = None
    for rim in rims:
        found = rim or found
        if rim is not None and rim.seen:
            break
    return found


def _closed_rim(
    pictures: list[Field],
    middle: NDArray[np.float64],
    forward: tuple[float, float],
    liquid: tuple[float, float] | None,
    keyhole_px: float,
) -> RimOverTime | None:
    """The rim round a middle; `liquid` is the quartiles of its tone, where that counts. None if it holds a keyhole."""
    turn = np.arange(_RAYS) * (2 * math.pi / _RAYS)
    ahead, aside = np.array(forward), np.array((forward[1], -forward[0]))
    rays = _LONG * np.cos(turn)[:, None] * ahead + np.sin(turn)[:, None] * aside
    for _ in range(_TURNS):
        views = [_across(p, middle, rays) for p in pictures]
        steps = [np.abs(v.step) for v in views]
        wet = np.zeros_like(steps[0])
        if liquid is not None:
            way, wet = _wet(
                views[0], _strips(pictures[0], middle, ahead, aside), liquid, (rays @ ahead, rays @ aside)
            )
            steps[0] = np.where(way == 0.0, steps[0], way * views[0].step)
        gain = wet + sum(_clear(s / v.unit) for s, v in zip(steps, views, strict=True))
        gain[~views[0].seen] = _NEVER
        gain[:, : _STEP + 1] = _NEVER
        place = _closed_line(gain)
        contour = middle + place[:, None] * rays
        moments = cv2.moments(contour.astype(np.float32))
        # What is left of a keyhole that was not laid on itself has a clear rim, too.
        if moments["m00"] <= _OF_KEYHOLE * keyhole_px:
            return None
        middle = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    step = sum(_clear(np.abs(v.step[np.arange(_RAYS), place]) / v.spread) for v in views)
    return RimOverTime(contour, float(np.percentile(step, 20.0)))


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


class _Across(NamedTuple):
    """A picture along rays, shape (rays, places): its value, steps outward, and which places are in view.

    `spread` is the steps' usual size, that of metal's; `unit` is what a step counts in.
    """

    profile: Field
    step: NDArray[np.float64]
    seen: NDArray[np.bool_]
    spread: float
    unit: float


def _across(picture: Field, middle: NDArray[np.float64], rays: NDArray[np.float64]) -> _Across:
    h, w = picture.shape
    reach = np.arange(max(h, w))
    x = (middle[0] + reach * rays[:, :1]).astype(np.float32)
    y = (middle[1] + reach * rays[:, 1:]).astype(np.float32)
    seen = (x >= _STEP - 1) & (x <= w - _STEP) & (y >= _STEP - 1) & (y <= h - _STEP)
    profile = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    sums = np.cumsum(np.pad(profile.astype(np.float64), ((0, 0), (1, 0))), axis=1)
    step = np.zeros(x.shape)
    inner = sums[:, _STEP : -_STEP - 1] - sums[:, : -2 * _STEP - 1]
    outer = sums[:, 2 * _STEP + 1 :] - sums[:, _STEP + 1 : -_STEP]
    step[:, _STEP:-_STEP] = outer - inner
    step[~seen] = 0.0
    spread = max(1.4826 * float(np.median(np.abs(step[seen]))), 1e-6)
    # Every ray crosses the rim: its largest step is usually about as large as that.
    largest = float(np.median(np.abs(step).max(axis=1)))
    return _Across(profile, step, seen, spread, max(spread, _OF_LARGEST * largest / _CLEAR))


def _clear(step: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.log1p(np.clip(step, 0.0, _CLEAR) ** 2))


def _wet(
    view: _Across,
    strips: tuple[NDArray[np.float64], float],
    liquid: tuple[float, float],
    turned: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Which way tone steps from liquid to metal, 0 where they are alike; and what the places inside say; by place.

    `turned` is how far along travel and across it each ray goes with each place.
    """
    (ahead, behind), spread = strips
    along, across = turned
    reach = np.arange(view.step.shape[1])
    strip = np.clip(np.round(reach * across[:, None]).astype(int) + len(ahead) // 2, 0, len(ahead) - 1)
    metal = np.where(along[:, None] > 0.0, ahead[strip], behind[strip])
    # Glints and plume brighten liquid: the quartile that is further from metal is its own tone.
    usual = float(np.median(metal))
    own = max(liquid, key=lambda v: abs(v - usual))
    apart = metal - own
    most = math.copysign(1.0, usual - own)
    way = np.where(most * apart > max(_APART * spread, liquid[1] - liquid[0]), most, 0.0)
    like = np.clip((metal + own - 2.0 * view.profile) / np.maximum(np.abs(apart), 1e-6), -1.0, 1.0) * way
    return way, _PLACE * np.cumsum(np.where(view.seen, like, 0.0), axis=1)


def _strips(
    picture: Field, middle: NDArray[np.float64], ahead: NDArray[np.float64], aside: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """Tone of metal ahead and behind in each strip along travel, shape (2, strips), and its spread in a strip.

    The middle's strip is in the middle; neighbours are a px apart.
    """
    h, w = picture.shape
    far = max(h, w)
    along, across = np.arange(1, far), np.arange(-far, far + 1)
    found = []
    spreads = []
    for way in (1.0, -1.0):
        x = (middle[0] + way * along * ahead[0] + across[:, None] * aside[0]).astype(np.float32)
        y = (middle[1] + way * along * ahead[1] + across[:, None] * aside[1]).astype(np.float32)
        seen = (x >= 0) & (x <= w - 1) & (y >= 0) & (y <= h - 1)
        tone = cv2.remap(picture, x, y, cv2.INTER_LINEAR)
        before = np.cumsum(seen, axis=1)
        outer = seen & (before > (1.0 - _OUTERMOST) * before[:, -1:])
        usual = float(np.median(tone[outer])) if outer.any() else float(np.median(picture))
        level = np.full(len(across), usual)
        for k in np.flatnonzero(outer.any(axis=1)):
            level[k] = np.median(tone[k, outer[k]])
        found.append(level)
        spreads.append(np.abs(tone - level[:, None])[outer])
    return np.array(found), 1.4826 * float(np.median(np.concatenate(spreads)))


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
