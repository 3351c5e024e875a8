"""Frames measured, each by itself and those that it needs around it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..model.flags import STATUSES
from ..model.pixels import by_depth
from ..pool import FIGURES, Pool, Pools, agitation_sums, find_pools
from ..pool.coarse import Grey
from ..pool.illuminated import IlluminatedLook
from ..spatter import Waiting, detect, detect_waiting
from .look import ClipLook
from .settings import MeasureSettings

# Words for frames that show nothing.
BLIND = ("undecodable", "repeated", "dark", "blown")
_GAIN = FIGURES.index("gain")
_PLACE = [FIGURES.index("y"), FIGURES.index("x")]


# Place of each word in `Measured.codes`.
CODES = {word: code for code, word in enumerate(STATUSES)}
WORDS = np.array(list(STATUSES), dtype=object)
_BLIND_CODES = [CODES[word] for word in BLIND]


class FrameWindow(NamedTuple):
    """Consecutive frames to be measured, and those around that it takes.

    Attributes
    ----------
    frames
        Cut to the view, shape (m, h, w).
    first
        Place in `frames` of the first that is to be measured.
    decoded, doubled
        Shape (n,), of those to be measured: whether each could be decoded, and repeats the one before.
    """

    frames: Grey
    first: int
    decoded: NDArray[np.bool_]
    doubled: NDArray[np.bool_]


class Measured(NamedTuple):
    """What was measured in the frames of a window.

    Attributes
    ----------
    codes
        Status, one of `CODES` a frame, shape (n,).
    figures
        Shape (n, len(FIGURES)); NaN where not measured.
    outlines
        One (k, 2) array a frame, px in the view.
    sums
        Diagonal sums for agitation, shape (n, 2, m), float32; NaN where there is no outline.
    sightings
        What may be particles; field ``frame`` counts from the first frame measured.
    waiting
        Which of them wait for their fit.
    usable
        Frames that could show particles, counted from the first frame measured.
    """

    codes: NDArray[np.uint8]
    figures: NDArray[np.float64]
    outlines: list[NDArray[np.float32]]
    sums: NDArray[np.float32]
    sightings: NDArray[np.void] | None
    waiting: Waiting
    usable: NDArray[np.int64]


def measure_frames(window: FrameWindow, look: ClipLook, settings: MeasureSettings) -> Measured:
    """Measure each frame of a window; its result depends on the frames around it and on the first look alone.

    Those are none in glowing footage, and `ClipLook.context` frames on either side in illuminated.

    Parameters
    ----------
    window
        Frames of the clip.
    look
        The first look.
    settings
        The settings that `look` was made with.
    """
    n, seen = len(window.decoded), window.decoded & ~window.doubled
    frames: Grey = window.frames[window.first : window.first + n]
    if isinstance(look.pool, IlluminatedLook):
        pools = Pools.of(_illuminated(window, look, look.pool, settings))
    else:
        pools = find_pools(
            frames, look.pool, forward=look.along, across=look.across, settings=settings.pool, wanted=seen
        )
    status, outlines, figures = pools.status, pools.outlines, pools.figures
    none = np.empty((0, 2), dtype=np.float32)
    for i in range(n):
        if not seen[i]:
            status[i] = "repeated" if window.decoded[i] else "undecodable"
        elif look.view.meets(outlines[i]):
            status[i] = "cut_off"
        else:
            continue
        gain = np.nan if not seen[i] else figures[i, _GAIN]
        outlines[i], figures[i], figures[i, _GAIN] = none, np.nan, gain
    codes = np.array([CODES[word] for word in status], dtype=np.uint8)
    sums = np.full((n, 2, len(look.places)), np.nan, dtype=np.float32)
    if len(look.places):
        ok = codes == CODES["ok"]
        agitation_sums(by_depth(frames), ok, look.places, _anchors(figures, ok, look), sums)
    sightings, waiting, usable = None, Waiting.none(), np.flatnonzero(~np.isin(codes, _BLIND_CODES))
    if look.residual is not None:
        # Where the pool is not known it would be full of sightings.
        usable = np.flatnonzero(codes == CODES["ok"])
        sightings = _sightings_in_residuals(window, usable, outlines, look, settings)
    elif look.spatter is not None:
        chosen = frames if len(usable) == n else frames[usable]
        around = [outlines[k] for k in usable]
        if look.view.hidden is None:
            sightings, waiting = detect_waiting(chosen, around, look.spatter, settings.spatter)
        else:
            sightings = _in_sight(detect(chosen, around, look.spatter, settings.spatter), look)
        sightings["frame"] = usable[sightings["frame"]]
    return Measured(codes, figures, outlines, sums, sightings, waiting, usable)


def _sightings_in_residuals(
    window: FrameWindow,
    usable: NDArray[np.int64],
    outlines: list[NDArray[np.float32]],
    look: ClipLook,
    settings: MeasureSettings,
) -> NDArray[np.void]:
    """What may be particles in frames of illuminated footage, all fitted; field ``frame`` as in `Measured`."""
    from ..spatter.illuminated import detect_both
    from .residuals import residuals_of

    assert look.residual is not None
    how, contrast, ways = look.residual.how, look.residual.contrast, look.residual.ways
    seen, behind = residuals_of(window.frames, usable + window.first, how, contrast)
    found = detect_both(seen, [outlines[k] for k in usable], ways, settings.spatter, behind)
    found["frame"] = usable[found["frame"]]
    return _in_sight(found, look)


def _illuminated(
    window: FrameWindow, look: ClipLook, pool: IlluminatedLook, settings: MeasureSettings
) -> list[Pool]:
    """The pool in each frame of illuminated footage."""
    from ..pool.illuminated import find_illuminated

    frames, first = window.frames, window.first
    return find_illuminated(
        frames,
        first,
        len(window.decoded),
        pool,
        forward=look.along,
        across=look.across,
        settings=settings.pool,
    )


def _anchors(figures: NDArray[np.float64], ok: NDArray[np.bool_], look: ClipLook) -> NDArray[np.int64]:
    """Place that agitation is taken around, row and column: fixed in the picture, or the pool's own when it wanders."""
    anchors = np.tile((look.pool.y, look.pool.x), (len(figures), 1))
    if look.pool.moves:
        anchors[ok] = figures[ok][:, _PLACE]
    return np.round(anchors).astype(np.int64)


def _in_sight(sightings: NDArray[np.void], look: ClipLook) -> NDArray[np.void]:
    """Sightings without those in a hidden part, where there is nothing but fill."""
    hidden = look.view.hidden
    if hidden is None or not len(sightings):
        return sightings
    h, w = hidden.shape
    row = np.clip(np.round(sightings["y"]).astype(np.intp), 0, h - 1)
    col = np.clip(np.round(sightings["x"]).astype(np.intp), 0, w - 1)
    return sightings[~hidden[row, col]]
