"""Sightings in a block of frames."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..model.pixels import by_depth
from ..model.together import shares, together
from .concluding import MARK, SIGNAL, Regions, conclude, longest
from .facts import FIT_PIXELS, SpatterLook, facts_of, work_arrays
from .fitting import PARAMETERS, blur_of
from .records import SATURATED, SIGHTING
from .searching import FitLimits, found_arrays, packed, search
from .settings import SpatterSettings

# Regions in a frame that there is room for at first.
_ROOM = 64
# Pixels for fits that are held before they are fitted, all at once.
_HELD = 100_000
# Times the detection level below which a fit is put off: clearer sightings hardly ever turn out to be none.
_FAINT = 2.0
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
    blur = blur_of(look.psf_sigma_px)
    read, shot = look.working_noise
    # Not left there: should the search fail, what it was in the middle of is gone with them.
    own, _kept.work = getattr(_kept, "work", None), None
    if own is None or own.owner.shape != (h, w):
        own = work_arrays(h, w)
    # No room for pixels, no fit.
    work = own if fitted else own._replace(values=own.values[:, :0].copy())
    limits = FitLimits(
        float(read), float(shot), float(blur), float(settings.max_diameter_px), float(longest(settings, blur))
    )
    facts = facts_of(look, settings.pool_margin_px + 3.0 * blur)
    around = packed(None if outlines is None else outlines[run.start : run.stop], len(run))
    found = found_arrays(_ROOM, _ROOM * FIT_PIXELS // 4)
    parts: list[Regions] = []
    numbers: list[int] = []
    done: list[tuple[NDArray[np.void], Waiting]] = []
    i = held = 0
    while i < len(run):
        i, n, used = search(pictures, i, around, facts, limits, work, found)
        if n > len(found[0]) or used > found[1].shape[1]:
            found = found_arrays(max(2 * n, len(found[0])), max(2 * used, found[1].shape[1]))
            continue
        if n:
            starts = np.append(0, np.cumsum(found[2][:n]))
            parts.append(Regions(found[0][:n].copy(), found[1][:, :used].copy(), starts))
            numbers += [run.start + i] * n
            held += used
        if held > _HELD:
            done.append(_concluded(parts, numbers, look, settings, faint))
            parts, numbers, held = [], [], 0
        i += 1
    _kept.work = own
    if parts:
        done.append(_concluded(parts, numbers, look, settings, faint))
    return done


def _concluded(
    parts: list[Regions], numbers: list[int], look: SpatterLook, settings: SpatterSettings, faint: float
) -> tuple[NDArray[np.void], Waiting]:
    """Sightings of some frames from their regions; those that stand out by less than `faint` and are whole wait."""
    regions = Regions.joined(parts)
    known = regions.known
    late = (known[:, SIGNAL] < faint) & (np.diff(regions.starts) > PARAMETERS)
    late &= (known[:, MARK].astype(np.int64) & SATURATED) == 0
    rows, fits = conclude(regions, ~late, look, settings)
    sightings, broken = records_of(rows[fits], np.array(numbers)[fits])
    # What is too large or not finite is left out, and those after it move up.
    fits[np.flatnonzero(fits)[broken]] = False
    late &= fits
    return sightings, Waiting((np.cumsum(fits) - 1)[late], regions.chosen(late))


def records_of(
    rows: NDArray[np.float64], frames: NDArray[np.integer] | list[int]
) -> tuple[NDArray[np.void], NDArray[np.bool_]]:
    """Records (dtype `records.SIGHTING`) of what the kernels found, and which rows are not finite and left out."""
    out = np.zeros(len(rows), dtype=SIGHTING)
    out["frame"] = frames
    for j, name in enumerate(SIGHTING.names[1:]):  # type: ignore[index]
        kind = SIGHTING[name]
        if kind == np.dtype("<f2"):
            out[name] = np.clip(rows[:, j], -60000.0, 60000.0)
        else:
            out[name] = rows[:, j]
    broken: NDArray[np.bool_] = ~np.all(np.isfinite(rows), axis=1)
    return out[~broken], broken
