"""The first look: a sparse sample of the clip, from which all that a frame needs is learned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..clips import Reader, repeated
from ..model.errors import UsageError
from ..model.recording import Recording
from ..pool import PoolLook, agitation_places, find_pool, learn_pool
from ..spatter import SpatterLook, learn, smallest_diameter
from .settings import MeasureSettings

# The sample is held in memory at once.
_SAMPLE_BYTES = 96e6


@dataclass(frozen=True)
class ClipLook:
    """What the first look learned.

    Attributes
    ----------
    region
        Left, top, right, bottom of the view, px in the picture; all looks below are in the view's pixels.
    forward
        Unit vector along travel in the image (x right, y down).
    pool
        What is known of the pool.
    spatter
        What is known of ground, noise and point spread; None where particles are not looked for.
    places
        Where agitation is taken, rows and columns relative to the pool's centroid.
    sample
        Numbers of the frames that were looked at.
    lag
        Frames between the moments compared for agitation.
    min_diameter_px
        Smallest particle that the clip could show, px; NaN where not known.
    """

    region: tuple[int, int, int, int]
    forward: tuple[float, float]
    pool: PoolLook
    spatter: SpatterLook | None
    places: NDArray[np.int64]
    sample: tuple[int, ...]
    lag: int
    min_diameter_px: float


def region_of(reader: Reader, settings: MeasureSettings) -> tuple[int, int, int, int]:
    """The view within the picture.

    Raises
    ------
    UsageError
        The region of interest reaches out of the picture.
    """
    facts = reader.facts
    region = settings.view.region
    if region is None:
        return 0, 0, facts.width, facts.height
    if region[2] > facts.width or region[3] > facts.height:
        raise UsageError(
            f"view.region {region} reaches out of the picture of {facts.width} x {facts.height} px; "
            "give left, top, right, bottom within it"
        )
    return region


def sample_of(
    reader: Reader, settings: MeasureSettings
) -> tuple[tuple[int, ...], NDArray[np.uint8] | NDArray[np.uint16]]:
    """Frames spread over the clip, cut to the view, and their numbers; damaged and doubled ones left out."""
    left, top, right, bottom = region_of(reader, settings)
    frame_bytes = (right - left) * (bottom - top) * np.dtype(reader.facts.dtype).itemsize
    count = int(min(settings.view.sample_frames, max(_SAMPLE_BYTES / frame_bytes, 12)))
    numbers = reader.cheap_frames(count)
    frames = reader.frames(numbers)[:, top:bottom, left:right]
    keep = ~repeated(frames)
    blank = frames.reshape(len(frames), -1)[:, ::7].max(axis=1) == 0
    if (~blank & keep).any():
        keep &= ~blank
    kept: NDArray[np.uint8] | NDArray[np.uint16] = np.ascontiguousarray(frames[keep])  # type: ignore[assignment]
    return tuple(n for n, k in zip(numbers, keep, strict=True) if k), kept


def look_at(reader: Reader, recording: Recording, settings: MeasureSettings) -> ClipLook:
    """Learn all that measuring each frame needs.

    Raises
    ------
    MeasurementError
        No pool is found.
    UsageError
        The region of interest reaches out of the picture.
    """
    from ..model.axes import PoolAxes

    forward = PoolAxes(0.0, 0.0, recording.travel_direction_deg).forward
    numbers, sample = sample_of(reader, settings)
    pool = learn_pool(sample, reader.facts.full_scale, forward=forward, settings=settings.pool)
    found = [find_pool(frame, pool, forward=forward, settings=settings.pool) for frame in sample]
    outlines = [p.vertices for p in found]
    good = [p for p in found if p.status == "ok"]
    places = np.empty((0, 2), dtype=np.int64)
    if good:
        typical = sorted(good, key=lambda p: p.area)[len(good) // 2]
        places = agitation_places(pool, typical.vertices - np.array([typical.x, typical.y]))
    spatter, smallest = None, float("nan")
    if settings.spatter_on:
        spatter = learn(
            sample, full_scale=reader.facts.full_scale, outlines=outlines, settings=settings.spatter
        )
        smallest = smallest_diameter(sample, outlines, spatter, settings=settings.spatter)
    return ClipLook(
        region=region_of(reader, settings),
        forward=forward,
        pool=pool,
        spatter=spatter,
        places=places,
        sample=numbers,
        lag=max(1, round(settings.pool.agitation_lag_s * recording.record_rate_hz)),
        min_diameter_px=smallest,
    )
