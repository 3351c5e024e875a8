"""Sightings in a block of frames."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.pixels import by_depth
from ..model.together import shares, together
from .estimates import ESTIMATE, Regions, conclude, imaging_of, limits_of
from .facts import FIT_PIXELS, SpatterLook, facts_of, work_arrays
from .parameters import PARAMETERS, pixels_at, pixels_for
from .records import SATURATED, SIGHTING
from .searching import SearchScene, found_arrays, packed, search
from .settings import SpatterSettings

# Regions that a search has room for at first.
_ROOM = 256
# Pixels for fits that are held before they are fitted, all at once.
_HELD = 100_000
# Times the detection level below which a fit is put off: clearer sightings hardly ever turn out to be none.
_FAINT = 2.0
# What fits into half precision, rounded down.
_HALF_MOST = 60_000.0
# Arrays of this thread, for its next block: to get them from the system costs a twentieth of the search.
_kept = threading.local()


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
    return _detect(frames, outlines, look, settings or SpatterSettings(), fitted, 0.0, threads)[0]


@dataclass(frozen=True)
class Waiting:
    """Sightings whose fit was put off.

    Attributes
    ----------
    rows
        Their places in the table of sightings, shape (m,).
    regions
        What their fits need.
    """

    rows: NDArray[np.int64]
    regions: Regions

    @classmethod
    def none(cls) -> Waiting:
        """No sighting that waits."""
        return cls(np.zeros(0, dtype=np.int64), Regions.none())

    def __len__(self) -> int:
        return len(self.rows)


def detect_waiting(
    frames: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    settings: SpatterSettings | None = None,
) -> tuple[NDArray[np.void], Waiting]:
    """As `detect`, but fits of faint sightings are put off until it is known whether they are wanted (see `late`).

    Their rows are those of sightings that could not be fitted. Dark ones and those on an even ground are all fitted.
    """
    faint = 0.0 if look.even or look.sign < 0 else _FAINT * look.detection_level
    return _detect(frames, outlines, look, settings or SpatterSettings(), True, faint, threads=False)


def _detect(
    frames: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    settings: SpatterSettings,
    fitted: bool,
    faint: float,
    threads: bool,
) -> tuple[NDArray[np.void], Waiting]:
    if frames.ndim != 3 or frames.shape[1:] != look.background.shape:
        raise ValueError(
            f"frames must have shape (n, {look.background.shape[0]}, {look.background.shape[1]}) as in the "
            f"sample that was learned from, got {frames.shape}"
        )
    if outlines is not None and len(outlines) != len(frames):
        raise ValueError(f"one outline a frame is needed: {len(frames)} frames, {len(outlines)} outlines")
    runs = shares(len(frames)) if threads else [range(len(frames))]
    parts = together(lambda run: _of_run(frames, outlines, run, look, settings, fitted, faint), runs)
    done = [(np.zeros(0, dtype=SIGHTING), Waiting.none()), *(one for part in parts for one in part)]
    before = np.cumsum([len(sightings) for sightings, _ in done[:-1]])
    rows = [waiting.rows + first for (_, waiting), first in zip(done[1:], before, strict=True)]
    return np.concatenate([sightings for sightings, _ in done]), Waiting(
        np.concatenate([done[0][1].rows, *rows]), Regions.joined([waiting.regions for _, waiting in done])
    )


def _of_run(
    frames: NDArray[np.unsignedinteger],
    outlines: Sequence[NDArray[np.floating]] | None,
    run: range,
    look: SpatterLook,
    settings: SpatterSettings,
    fitted: bool,
    faint: float,
) -> list[tuple[NDArray[np.void], Waiting]]:
    """Sightings in the frames of a run, some frames at a time, and which of them wait for their fit."""
    h, w = frames.shape[1:]
    pictures = by_depth(frames[run.start : run.stop])
    imaging = imaging_of(look)
    # Not left there: should the search fail, what it was in the middle of is gone with them.
    own, _kept.work = getattr(_kept, "work", None), None
    if own is None or own.owner.shape != (h, w):
        own = work_arrays(h, w)
    # No room for pixels, no fit.
    work = own if fitted else own._replace(values=pixels_for(0))
    facts = facts_of(look, settings.pool_margin_px + 3.0 * imaging.blur)
    scene = SearchScene(facts, imaging, limits_of(settings, imaging.blur))
    around = packed(None if outlines is None else outlines[run.start : run.stop], len(run))
    found = found_arrays(_ROOM, _ROOM * FIT_PIXELS // 4)
    parts: list[Regions] = []
    numbers: list[NDArray[np.int64]] = []
    done: list[tuple[NDArray[np.void], Waiting]] = []
    i = held = 0
    while i < len(run):
        i, n, used = search(pictures, i, around, scene, work, found)
        if n:
            starts = np.append(0, np.cumsum(found.counts[:n]))
            parts.append(Regions(found.known[:n].copy(), pixels_at(found.pixels, slice(used)), starts))
            numbers.append(run.start + found.frames[:n])
            held += used
        elif i < len(run):
            # One frame holds more than there is room for.
            found = found_arrays(2 * found.counts.size, 2 * found.pixels.x.size)
        if held > _HELD:
            done.append(_concluded(parts, np.concatenate(numbers), look, settings, faint))
            parts, numbers, held = [], [], 0
    _kept.work = own
    if parts:
        done.append(_concluded(parts, np.concatenate(numbers), look, settings, faint))
    return done


def _concluded(
    parts: list[Regions],
    numbers: NDArray[np.int64],
    look: SpatterLook,
    settings: SpatterSettings,
    faint: float,
) -> tuple[NDArray[np.void], Waiting]:
    """Sightings of some frames from their regions; those that stand out by less than `faint` and are whole wait."""
    regions = Regions.joined(parts)
    known = regions.known
    late = (known["signal"] < faint) & (np.diff(regions.starts) > PARAMETERS)
    late &= (known["mark"] & SATURATED) == 0
    rows, fits = conclude(regions, ~late, look, settings)
    sightings, broken = records_of(rows[fits], numbers[fits])
    # What is too large or not finite is left out, and those after it move up.
    fits[np.flatnonzero(fits)[broken]] = False
    late &= fits
    return sightings, Waiting((np.cumsum(fits) - 1)[late], regions.chosen(late))


def records_of(
    rows: NDArray[np.void], frames: NDArray[np.integer] | list[int]
) -> tuple[NDArray[np.void], NDArray[np.bool_]]:
    """Records (dtype `records.SIGHTING`) of estimates (`estimates.ESTIMATE`), and which are not finite and left out."""
    out = np.zeros(len(rows), dtype=SIGHTING)
    out["frame"] = frames
    broken = np.zeros(len(rows), dtype=np.bool_)
    for name in ESTIMATE.names:  # type: ignore[union-attr]
        values = rows[name]
        broken |= ~np.isfinite(values)
        out[name] = np.clip(values, -_HALF_MOST, _HALF_MOST) if SIGHTING[name] == np.float16 else values
    return out[~broken], broken
