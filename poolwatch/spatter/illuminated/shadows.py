"""Tracks of bright and of dark things, and which of them are shadows of others."""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from ..linking import Tracks, link
from ..records import BORDER, DARK, RIM, SHADED, UNFITTED
from ..settings import SpatterSettings

# A shadow is seen in this share of the shorter track's frames beside what throws it, …
_TOGETHER = 0.6
# … moves as it does but for this share of its speed, for it runs away from what rises, …
_SPEED = 0.6
# … and is shallower than a dark one that throws it: at most this share of its peak.
_SHALLOW = 0.95
# Before the lamp is known it must keep to a straight line relative to what throws it within so many px and a tenth of
# its size, not be unlike it in size beyond this ratio, …
_STRAIGHT, _ALIKE = 1.0, 1.8
# … and have begun within so many diameters of it, for at the rim it lies below it: so many px of the way may be hidden.
_BEGAN, _HIDDEN = 2.0, 25.0
# There is a lamp if so many shadows for each particle lie toward one side, within this angle of their middle, …
_SHARE, _SIDE = 0.25, np.radians(40.0)
# … or of so many pairs this share toward the same within a smaller one: by chance three in four would not.
_SEVERAL, _MOST, _SAME_SIDE = 3, 0.75, np.radians(20.0)
# From the lamp's side on it must only lie within so many diameters and keep to a line within this share of its size.
_WITHIN, _ABOUT = 3.0, 0.3

# A bright sighting and a dark one touch if their rims are no more than so many px apart.
_TOUCH = 3.0
# A dark sighting is drawn out if its length squared is so many standard uncertainties above 0, and it is longer than
# this, px.
_DRAWN_OUT, _SHORT = 3.0, 1.5


def link_both(
    sightings: NDArray[np.void],
    measured: NDArray[np.bool_],
    size: tuple[int, int],
    settings: SpatterSettings,
) -> tuple[Tracks, NDArray[np.bool_]]:
    """Link bright and dark sightings, each among themselves.

    A track needs as many sightings as a particle does that do not touch the pool's rim, for what the liquid does there
    stands out, too, and on either side of the pool makes straight lines by chance.

    Parameters
    ----------
    sightings, measured, size, settings
        As for `link`; dark sightings are marked `DARK`.

    Returns
    -------
    tuple
        The tracks of both, and which of them are shadows, shape (tracks,).
    """
    dark = (sightings["mark"] & DARK) != 0
    both = _untold_streaks(sightings[~dark], sightings[dark]), _without_streaks(sightings[dark])
    parts = [link(part, measured, size, settings) for part in both]
    joined = np.concatenate([one.sightings for one in parts])
    counts = np.concatenate([np.diff(one.starts) for one in parts])
    begin = np.append(0, np.cumsum(counts))
    clear = np.append(0, np.cumsum((joined["mark"] & RIM) == 0))
    enough = np.flatnonzero(clear[begin[1:]] - clear[begin[:-1]] >= settings.min_sightings)
    # By first frame, as tracks always are; bright before dark.
    order = enough[np.argsort(joined["frame"][begin[enough]], kind="stable")]
    rows = [joined[begin[k] : begin[k + 1]] for k in order]
    kept = np.concatenate(rows) if rows else joined[:0]
    tracks = Tracks(
        kept,
        np.append(0, np.cumsum(counts[order])).astype(np.int64),
        parts[0].measured,
        len(sightings) - len(kept),
    )
    return tracks, shadows(tracks)


def _without_streaks(dark: NDArray[np.void]) -> NDArray[np.void]:
    """Dark sightings, for which what looks like a streak tells nothing of their motion.

    A dark particle over its own shadow is drawn out toward the lamp. A disc that is drawn out fits it, so its diameter
    is right once the whole length is taken off.
    """
    out = dark.copy()
    length2 = np.hypot(dark["streak_m"], dark["streak_n"]).astype(np.float64)
    told = _DRAWN_OUT * dark["u_streak"].astype(np.float64)
    long = (length2 > np.maximum(told, _SHORT**2)) & ((dark["mark"] & UNFITTED) == 0)
    some = dark[long]
    out["spread"][long] = np.maximum(some["spread"] - length2[long] / 24, 0)
    out["u_spread"][long] = np.hypot(some["u_spread"], some["u_streak"] / 24)
    out["u_streak"][long] = np.minimum(np.hypot(some["u_streak"], length2[long]), 6e4)
    out["slope"][long] = 1 / 24
    out["mark"][long] |= SHADED
    out["streak_m"][long] = out["streak_n"][long] = 0
    return out


def _untold_streaks(bright: NDArray[np.void], dark: NDArray[np.void]) -> NDArray[np.void]:
    """Bright sightings; for those that touch a dark one it is not known how much of what looks like a streak is none.

    A shadow, or the dark side of a particle, takes a piece off its picture.
    """
    if not len(bright) or not len(dark):
        return bright
    out = bright.copy()
    # Frames are further apart than any picture is wide.
    here, there = (np.column_stack([some["x"], some["y"], 1e5 * some["frame"]]) for some in (bright, dark))
    apart, nearest = KDTree(there).query(here)
    radii = [2.0 * np.sqrt(np.maximum(some, 0)) for some in (bright["spread"], dark["spread"][nearest])]
    touched = apart < radii[0] + radii[1] + _TOUCH
    length2 = np.hypot(bright["streak_m"], bright["streak_n"])
    out["u_streak"][touched] = np.minimum(np.hypot(bright["u_streak"], length2), 6e4)[touched]
    return out


class _Pair(NamedTuple):
    """A dark track beside another: where it lies from there, how that changes, and how far it is from a line, px.

    A track is `shallow` if the other is bright, or deeper than it.
    """

    track: int
    other: int
    shallow: bool
    apart: NDArray[np.float64]
    drift: NDArray[np.float64]
    speed: float
    scatter: float
    first: float
    sizes: tuple[float, float]

    @property
    def side(self) -> complex:
        """The direction in which it lies, as a number of size 1."""
        x, y = self.apart
        return complex(x, y) / max(float(np.hypot(x, y)), 1e-9)


def shadows(tracks: Tracks) -> NDArray[np.bool_]:
    """Which tracks are dark things that run beside another: its shadow, or the dark side of it.

    Of two dark ones the shallower one is the shadow, which is lit from the sides. All shadows of a clip lie toward one
    side, away from the lamp, and if one particle has a shadow most have: two that happen to fly beside each other
    are no shadow and its particle. Once the side is known, those that look less like their particle, or are as deep
    as it, are known, too.

    Returns
    -------
    NDArray
        Shape (tracks,).
    """
    out = np.zeros(len(tracks), dtype=np.bool_)
    pairs = _pairs(tracks)
    sure = [pair for pair in pairs if _like_its_shadow(pair)]
    if not sure:
        return out
    sides = np.array([pair.side for pair in sure])
    near = np.abs(np.angle(sides[:, None] / sides[None])) < _SIDE
    shallow = np.array([pair.shallow for pair in sure])
    middle = sides[near[np.argmax(near @ (1.0 + shallow))]].mean()
    there = [pair for pair in sure if abs(np.angle(pair.side / middle)) < _SIDE]
    toward = {pair.track for pair in there}
    # Of two alike either may be the shadow: they count once.
    alike = sum(abs(np.angle(pair.side / middle)) < _SAME_SIDE for pair in there)
    several = alike >= max(_SEVERAL, _MOST * len({frozenset(pair[:2]) for pair in sure}))
    paler = len({pair.track for pair in there if pair.shallow})
    if not several and paler < _SHARE * (len(tracks) - paler):
        return out
    for pair in pairs:
        size = max(pair.sizes)
        close = float(np.hypot(*pair.apart)) < _WITHIN * size and pair.scatter < _STRAIGHT + _ABOUT * size
        out[pair.track] |= pair.track in toward or (close and abs(np.angle(pair.side / middle)) < _SIDE)
    return out


def _pairs(tracks: Tracks) -> list[_Pair]:
    """Dark tracks beside others that may throw them as shadows."""
    s, starts = tracks.sightings, tracks.starts
    first, last = s["frame"][starts[:-1]], s["frame"][starts[1:] - 1]
    is_dark = (s["mark"][starts[:-1]] & DARK) != 0
    peak = np.array([float(np.median(s["peak"][a:b])) for a, b in itertools.pairwise(starts)])
    pairs = []
    for k in np.flatnonzero(is_dark):
        for j in np.flatnonzero((first <= last[k]) & (last >= first[k])):
            if j != k:
                shallow = bool(not is_dark[j] or peak[k] < _SHALLOW * peak[j])
                pair = _pair(tracks, int(k), int(j), shallow)
                if pair is not None:
                    pairs.append(pair)
    return pairs


def _pair(tracks: Tracks, k: int, j: int, shallow: bool) -> _Pair | None:
    """How track `k` runs beside track `j`; None where it does not."""
    parts = [tracks.sightings[tracks.starts[n] : tracks.starts[n + 1]] for n in (k, j)]
    # What the border or the rim cuts off has its centre elsewhere.
    clear = [part[(part["mark"] & (BORDER | RIM)) == 0] for part in parts]
    one, other = clear
    frames, a, b = np.intersect1d(one["frame"], other["frame"], assume_unique=True, return_indices=True)
    if len(frames) < max(3, int(np.ceil(_TOGETHER * min(len(one), len(other))))):
        return None
    t = frames - frames.mean()
    here = np.column_stack([one["x"][a], one["y"][a]]).astype(np.float64)
    there = np.column_stack([other["x"][b], other["y"][b]]).astype(np.float64)
    apart, square = here - there, float((t**2).sum())
    drift, speed = (t @ apart) / square, float(np.hypot(*(t @ there)) / square)
    if np.hypot(*drift) > _SPEED * speed:
        return None
    off = np.hypot(*(apart - apart.mean(axis=0) - t[:, None] * drift).T)
    sizes = [4.0 * float(np.sqrt(max(float(np.median(part["spread"])), 0.25))) for part in (one, other)]
    scatter, first = float(np.median(off)), float(t[0])
    return _Pair(k, j, shallow, np.median(apart, axis=0), drift, speed, scatter, first, (sizes[0], sizes[1]))


def _like_its_shadow(pair: _Pair) -> bool:
    """Whether a pair must be a particle and its shadow, the lamp unknown."""
    size = max(pair.sizes)
    if pair.scatter > _STRAIGHT + 0.1 * size or size > _ALIKE * min(pair.sizes):
        return False
    # Nearest to each other on the little way from the pool to where both are seen first.
    before = pair.first - _HIDDEN / max(pair.speed, 0.1)
    drift2 = max(float(pair.drift @ pair.drift), 1e-12)
    when = min(max(-float(pair.apart @ pair.drift) / drift2, before), pair.first)
    return bool(np.hypot(*(pair.apart + when * pair.drift)) < _BEGAN * size)
