"""Every frame of a block measured by itself; blocks put together in order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.clip import Block
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


@dataclass(frozen=True)
class BlockResult:
    """What was measured in a block.

    Attributes
    ----------
    start
        Number of its first frame.
    status
        One word a frame.
    figures
        Shape (n, len(FIGURES)); NaN where not measured.
    outlines
        One (k, 2) array a frame, px in the view.
    sums
        Diagonal sums for agitation, shape (n, 2, m), float32; NaN where there is no outline.
    sightings
        What may be particles; field ``frame`` counts from the block's start.
    waiting
        Which of them wait for their fit.
    usable
        Frames that could show particles, counted from the block's start.
    """

    start: int
    status: list[str]
    figures: NDArray[np.float64]
    outlines: list[NDArray[np.float32]]
    sums: NDArray[np.float32]
    sightings: NDArray[np.void] | None
    waiting: Waiting | None
    usable: NDArray[np.int64]


def measure_block(
    block: Block,
    doubled: NDArray[np.bool_],
    look: ClipLook,
    settings: MeasureSettings,
    before: Grey | None = None,
    after: Grey | None = None,
) -> BlockResult:
    """Measure each frame of a block; a frame's result depends on its window and the first look alone.

    The window is the frame itself in glowing footage, and `ClipLook.context` frames on either side in illuminated.

    Parameters
    ----------
    block
        Frames of the clip.
    doubled
        Shape (n,): frames that repeat the one before.
    look
        The first look.
    settings
        The settings that `look` was made with.
    before, after
        Frames before and after the block, as many as the look's windows need and the clip has.
    """
    glowing = not isinstance(look.pool, IlluminatedLook)
    # Each step would copy scattered ones again.
    frames: Grey = np.ascontiguousarray(look.view.of(block.frames, noise=glowing))  # type: ignore[assignment]
    seen = block.decoded & ~doubled
    if isinstance(look.pool, IlluminatedLook):
        pools = Pools.of(_illuminated(frames, before, after, look, look.pool, settings))
    else:
        pools = find_pools(
            frames, look.pool, forward=look.along, across=look.across, settings=settings.pool, wanted=seen
        )
    n = len(frames)
    status, outlines, figures = pools.status, pools.outlines, pools.figures
    none = np.empty((0, 2), dtype=np.float32)
    for i in range(n):
        if not seen[i]:
            status[i] = "repeated" if block.decoded[i] else "undecodable"
        elif look.view.meets(outlines[i]):
            status[i] = "cut_off"
        else:
            continue
        gain = np.nan if not seen[i] else figures[i, _GAIN]
        outlines[i], figures[i], figures[i, _GAIN] = none, np.nan, gain
    ok = np.array([word == "ok" for word in status])
    sums = np.full((n, 2, len(look.places)), np.nan, dtype=np.float32)
    if len(look.places):
        agitation_sums(by_depth(frames), ok, look.places, _anchors(figures, ok, look), sums)
    sightings, waiting, usable = None, None, np.flatnonzero(~np.isin(status, BLIND))
    if look.spatter is not None:
        chosen = frames if len(usable) == n else frames[usable]
        around = [outlines[k] for k in usable]
        if look.view.hidden is None:
            sightings, waiting = detect_waiting(chosen, around, look.spatter, settings.spatter)
        else:
            sightings = _in_sight(detect(chosen, around, look.spatter, settings.spatter), look)
            waiting = Waiting.none()
        sightings["frame"] = usable[sightings["frame"]]
    return BlockResult(block.start, status, figures, outlines, sums, sightings, waiting, usable)


def _illuminated(
    frames: Grey,
    before: Grey | None,
    after: Grey | None,
    look: ClipLook,
    pool: IlluminatedLook,
    settings: MeasureSettings,
) -> list[Pool]:
    """The pool in each frame of illuminated footage."""
    from ..pool.illuminated import find_illuminated

    parts = [look.view.of(part, noise=False) for part in (before,) if part is not None]
    first = sum(len(part) for part in parts)
    parts.append(frames)
    if after is not None:
        parts.append(look.view.of(after, noise=False))
    window: Grey = np.concatenate(parts)  # type: ignore[assignment]
    return find_illuminated(
        window, first, len(frames), pool, forward=look.along, across=look.across, settings=settings.pool
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
