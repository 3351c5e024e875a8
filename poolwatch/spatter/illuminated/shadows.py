"""Tracks of bright and of dark things, and which of them are shadows of others."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from ..linking import Tracks, link
from ..records import DARK, RIM, UNFITTED
from ..settings import SpatterSettings

# A shadow is seen in this share of the shorter track's frames beside what throws it, …
_TOGETHER = 0.6
# … moves as it does but for this share of its speed, for it runs away from what rises, …
_SPEED = 0.6
# … keeps to a straight line relative to it within so many px, is not unlike it in size beyond this ratio, …
_STRAIGHT, _ALIKE = 1.0, 1.8
# … and began within so many diameters of it, for at the rim it lies below it: so many px of the way may be hidden.
_BEGAN, _HIDDEN = 2.0, 25.0

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
    parts = [
        link(part, measured, size, settings) for part in (sightings[~dark], _without_streaks(sightings[dark]))
    ]
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
    out["streak_m"][long] = out["streak_n"][long] = 0
    return out


def shadows(tracks: Tracks) -> NDArray[np.bool_]:
    """Which tracks are dark things that run beside another: its shadow, or the dark side of it.

    Of two dark ones that run side by side the one with less light missing is the shadow, which is lit from the sides.

    Returns
    -------
    NDArray
        Shape (tracks,).
    """
    s, starts = tracks.sightings, tracks.starts
    n = len(tracks)
    out = np.zeros(n, dtype=np.bool_)
    first, last = s["frame"][starts[:-1]], s["frame"][starts[1:] - 1]
    is_dark = (s["mark"][starts[:-1]] & DARK) != 0
    depth = np.array([float(np.median(s["flux"][a:b])) for a, b in itertools.pairwise(starts)])
    for k in np.flatnonzero(is_dark):
        near = np.flatnonzero((first <= last[k]) & (last >= first[k]))
        for j in near:
            darker = is_dark[j] and (depth[j], -j) > (depth[k], -k)
            if j != k and (not is_dark[j] or darker) and _beside(tracks, int(k), int(j)):
                out[k] = True
                break
    return out


def _beside(tracks: Tracks, k: int, j: int) -> bool:
    """Whether track `k` runs beside track `j`."""
    s, starts = tracks.sightings, tracks.starts
    one, other = s[starts[k] : starts[k + 1]], s[starts[j] : starts[j + 1]]
    frames, a, b = np.intersect1d(one["frame"], other["frame"], assume_unique=True, return_indices=True)
    shared = max(3, int(np.ceil(_TOGETHER * min(len(one), len(other)))))
    if len(frames) < shared:
        return False
    t = frames - frames.mean()
    here = np.column_stack([one["x"][a], one["y"][a]]).astype(np.float64)
    there = np.column_stack([other["x"][b], other["y"][b]]).astype(np.float64)
    apart, way = here - there, there
    square = float((t**2).sum())
    drift, speed = (t @ apart) / square, (t @ way) / square
    if np.hypot(*drift) > _SPEED * np.hypot(*speed):
        return False
    off = apart - apart.mean(axis=0) - t[:, None] * drift
    sizes = [4.0 * np.sqrt(max(float(np.median(part["spread"])), 0.25)) for part in (one, other)]
    size = max(sizes)
    if float(np.sqrt((off**2).sum(axis=1).mean())) > _STRAIGHT + 0.1 * size or size > _ALIKE * min(sizes):
        return False
    # Nearest to each other on the little way from the pool to where both are seen first.
    middle, first = apart.mean(axis=0), float(t[0])
    before = first - _HIDDEN / max(float(np.hypot(*speed)), 0.1)
    when = min(max(-(middle @ drift) / max(float(drift @ drift), 1e-12), before), first)
    return bool(np.hypot(*(middle + when * drift)) < _BEGAN * size)
