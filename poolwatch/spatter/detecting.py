"""Sightings in a block of frames."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..model.pixels import by_depth
from ..model.together import shares, together
from .facts import facts_of, work_arrays
from .fitting import blur_of
from .look import SpatterLook
from .records import SIGHTING, UNFITTED
from .searching import COLUMNS, FitLimits, packed, search
from .settings import SpatterSettings

_ROOM = 256


def detect(
    frames: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    settings: SpatterSettings | None = None,
    *,
    fitted: bool = True,
    threads: bool = False,
) -> NDArray[np.void]:
    """Find and fit the particles in each frame by itself.

    Parameters
    ----------
    frames
        Grey values, shape (n, height, width), native depth.
    outlines
        For each frame the pool's outline, shape (k, 2), x and y in px; shape (0, 2) where there is none.
        None: no pool in any frame.
    look
        What `learn` learned of the clip.
    settings
        As given to `learn`.
    fitted
        False: only find them, which is much quicker; places and fluxes are rough then, and all are marked `UNFITTED`.

    threads
        Whether to use several threads, which changes no digit.

    Returns
    -------
    NDArray
        Sightings (dtype `records.SIGHTING`, fields in `records.SIGHTING_FIELDS`), `frame` counted from the
        start of `frames`, by frame and then brightest region first found from the top.

    Raises
    ------
    ValueError
        The frames have another size than those that were learned from, or outlines are missing.
    """
    settings = settings or SpatterSettings()
    if frames.ndim != 3 or frames.shape[1:] != look.background.shape:
        raise ValueError(
            f"frames must have shape (n, {look.background.shape[0]}, {look.background.shape[1]}) as in the "
            f"sample that was learned from, got {frames.shape}"
        )
    if outlines is not None and len(outlines) != len(frames):
        raise ValueError(f"one outline a frame is needed: {len(frames)} frames, {len(outlines)} outlines")
    runs = shares(len(frames)) if threads else [range(len(frames))]
    parts = together(lambda run: _of_run(frames, outlines, run, look, settings, fitted), runs)
    rows = np.concatenate([rows for rows, _ in parts]) if parts else np.zeros((0, COLUMNS))
    return _records(rows, [number for _, numbers in parts for number in numbers])


def _of_run(
    frames: NDArray[np.unsignedinteger],
    outlines: Sequence[NDArray[np.floating]] | None,
    run: range,
    look: SpatterLook,
    settings: SpatterSettings,
    fitted: bool,
) -> tuple[NDArray[np.float64], list[int]]:
    """Rows of `search` for the frames of a run, and the number of the frame of each."""
    h, w = frames.shape[1:]
    pictures = by_depth(frames[run.start : run.stop])
    blur = blur_of(look.psf_sigma_px)
    shot, read = look.shot, look.read
    if look.sign < 0:
        # The noise goes by the native grey value, which is full scale less the working one.
        read, shot = read + shot * look.full_scale, -shot
    work = work_arrays(h, w)
    if not fitted:
        # No room for pixels, no fit.
        work = work._replace(values=work.values[:, :0].copy())
    found = np.zeros((_ROOM, COLUMNS))
    limits = FitLimits(
        float(read),
        float(shot),
        float(blur),
        float(settings.max_diameter_px),
        float(settings.max_diameter_px + settings.max_step_px + 4 * blur),
    )
    facts = facts_of(look, settings.pool_margin_px + 3.0 * blur)
    around = packed(None if outlines is None else outlines[run.start : run.stop], len(run))
    kept: list[NDArray[np.float64]] = [np.zeros((0, COLUMNS))]
    numbers: list[int] = []
    i = 0
    while i < len(run):
        i, n = search(pictures, i, around, facts, limits, work, found)
        if n > len(found):
            found = np.zeros((2 * n, COLUMNS))
            continue
        if n:
            kept.append(found[:n].copy())
            numbers += [run.start + i] * n
        i += 1
    return np.concatenate(kept), numbers


def _records(rows: NDArray[np.float64], frames: list[int]) -> NDArray[np.void]:
    out = np.zeros(len(rows), dtype=SIGHTING)
    out["frame"] = frames
    for j, name in enumerate(SIGHTING.names[1:]):  # type: ignore[index]
        kind = SIGHTING[name]
        if kind == np.dtype("<f2"):
            out[name] = np.clip(rows[:, j], -60000.0, 60000.0)
        else:
            out[name] = rows[:, j]
    broken = ~np.isfinite(rows).all(axis=1)
    out["mark"][broken] |= UNFITTED
    return out[~broken]
