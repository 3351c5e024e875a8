"""The first look: a sparse sample of the clip, from which all that a frame needs is learned."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..clips import Reader, repeated
from ..model.errors import MeasurementError
from ..model.recording import Recording
from ..model.together import Later
from ..pool import Pool, PoolLook, agitation_places, find_pools, learn_pool
from ..pool.illuminated import IlluminatedLook
from ..pool.kind import Kind, footage_kind
from ..pool.tail import EdgeSharpness, edges_of, end_width
from ..spatter import Smallest, SpatterLook, drawn_into, learn, smallest_particle
from .heading import Heading, heading_of, metal_of, with_heading
from .orientation import Orientation, orientation_of
from .settings import MeasureSettings
from .view import View, view_of

if TYPE_CHECKING:
    from .residuals import ResidualLook

# The sample is held in memory at once.
_SAMPLE_BYTES = 96e6


@dataclass(frozen=True)
class ClipLook:
    """What the first look learned.

    Attributes
    ----------
    view
        The part of the picture that is looked at; all looks below are in its pixels.
    along, across
        What makes of image x and y the coordinates along travel and to its left in the plane of the weld, px.
    kind, kind_reason
        ``glowing`` or ``illuminated``, and why.
    pool
        What is known of the pool.
    spatter
        What is known of ground, noise and point spread; None where particles are not looked for.
    residual
        How particles are seen in illuminated footage; None elsewhere, or where they are not looked for. `spatter` is
        then its look for bright ones.
    places
        Where agitation is taken, rows and columns relative to the pool's centroid.
    sample
        Numbers of the frames that were looked at.
    lag
        Frames between the moments compared for agitation.
    smallest
        Works out the smallest particle that the clip could show; NaN where not known. No frame needs it, so it is
        worked out while they are measured.
    black_share
        Share of the surroundings that reads exactly 0.
    heading
        Direction of travel as the motion in the clip shows it; None where nothing does.
    recording
        Facts about the recording, its direction of travel found where none was given.
    end_width
        Width of the narrower end of a glowing pool, in spreads of its edge; NaN where not known.
    edges
        How the brightness falls at the ends of a glowing pool and along its outline; NaN where not known.
    orientation
        How a glowing pool lies in the picture; None where it is not known or something that moves tells the direction.
    direction_found
        Whether the direction of travel was found in the clip.
    kind_seen
        What the pictures show where `kind` was forced and they clearly contradict it; None: they do not.
    """

    view: View
    along: tuple[float, float]
    across: tuple[float, float]
    kind: Kind
    kind_reason: str
    pool: PoolLook | IlluminatedLook
    spatter: SpatterLook | None
    places: NDArray[np.int64]
    sample: tuple[int, ...]
    lag: int
    smallest: Later[Smallest]
    black_share: float
    heading: Heading | None
    recording: Recording
    end_width: float = float("nan")
    edges: EdgeSharpness = field(default_factory=EdgeSharpness)
    orientation: Orientation | None = None
    direction_found: bool = False
    kind_seen: Kind | None = None
    residual: ResidualLook | None = None

    @property
    def region(self) -> tuple[int, int, int, int]:
        """Left, top, right, bottom of the view, px in the picture."""
        return self.view.region

    @property
    def context(self) -> int:
        """Frames on either side of a frame that it takes to measure it."""
        return self.pool.before if isinstance(self.pool, IlluminatedLook) else 0

    def for_frames(self) -> ClipLook:
        """What measuring frames takes of it, for other processes."""
        return replace(self, smallest=Later(_unknown), sample=())


def _unknown() -> Smallest:
    return Smallest(math.nan, math.nan, math.nan)


# The point spread found in video compressed with loss is off by so many times what its particles' agreement states, for
# a codec bends all of them alike: root mean square of 36 clips (MJPEG, H.264, HEVC; 12 scenes drawn at random).
_LOSSY = 6.5
# Runs of consecutive frames, spread over the clip, from which the kind of footage and moving metal are learned.
_RUNS = 8


def sample_of(
    reader: Reader, settings: MeasureSettings, view: View | None = None
) -> tuple[tuple[int, ...], NDArray[np.uint8] | NDArray[np.uint16]]:
    """Frames spread over the clip, cut to the view, and their numbers; damaged and doubled ones left out."""
    view = view or view_of(reader, settings)
    left, top, right, bottom = view.region
    frame_bytes = (right - left) * (bottom - top) * np.dtype(reader.facts.dtype).itemsize
    count = int(min(settings.view.sample_frames, max(_SAMPLE_BYTES / frame_bytes, 12)))
    numbers = reader.cheap_frames(count)
    frames = view.of(reader.frames(numbers), noise=True)
    keep = ~repeated(frames)
    blank = frames.reshape(len(frames), -1)[:, ::7].max(axis=1) == 0
    if (~blank & keep).any():
        keep &= ~blank
    kept: NDArray[np.uint8] | NDArray[np.uint16] = np.ascontiguousarray(frames[keep])  # type: ignore[assignment]
    return tuple(n for n, k in zip(numbers, keep, strict=True) if k), kept


def runs_of(reader: Reader, view: View, length: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Runs of `length` consecutive frames spread over the clip, cut to the view: (runs, length, h, w)."""
    left, top, right, bottom = view.region
    starts = starts_of(reader, length)
    numbers = [start + k for start in starts for k in range(length)]
    frames = view.of(reader.frames(numbers), noise=False)
    return frames.reshape(len(starts), length, bottom - top, right - left)


def starts_of(reader: Reader, length: int) -> list[int]:
    """Numbers of the first frames of `runs_of`."""
    last = reader.facts.frame_count - length
    return sorted({min(start, last) for start in reader.cheap_frames(_RUNS)})


def black_share(sample: NDArray[np.uint8] | NDArray[np.uint16], pools: Sequence[Pool]) -> float:
    """Share of exact zeros among the pixels outside the pool, which is never at zero itself.

    A sensor's dark noise lies about an offset: zeros are rare, half of the pixels where the offset was subtracted to
    the last grey value, and nearly all where more was.
    """
    outside = sample.size - sum(p.area for p in pools if p.status == "ok")
    return float((sample == 0).sum() / max(outside, 1.0))


def kind_of(reader: Reader, view: View, settings: MeasureSettings) -> tuple[Kind, str, Kind | None]:
    """Kind of footage, why, and the other kind where the settings force one that the pictures clearly contradict."""
    forced = settings.pool.footage
    if reader.facts.frame_count < 20:
        if forced != "auto":
            return forced, "by the settings", None
        return "glowing", "too few frames to tell; taken as glowing", None
    kind, reason, clear = footage_kind(runs_of(reader, view, 2))
    if forced == "auto":
        return kind, reason, None
    return forced, f"by the settings; by itself: {reason}", kind if clear and kind != forced else None


def contradicted(error: MeasurementError, kind: Kind, seen: Kind) -> MeasurementError:
    """What went wrong, and that the settings force a kind of footage that the pictures contradict."""
    return MeasurementError(
        f"{error}; pool.footage in the settings says {kind}, but the pictures clearly show {seen} footage: take it "
        "out, or set it to that"
    )


def look_at(reader: Reader, recording: Recording, settings: MeasureSettings) -> ClipLook:
    """Learn all that measuring each frame needs.

    Raises
    ------
    MeasurementError
        No pool is found.
    UsageError
        Region of interest, mask or hidden rectangles do not fit the picture.
    """
    view = view_of(reader, settings)
    kind, reason, seen = kind_of(reader, view, settings)
    look_in = _look_at_illuminated if kind == "illuminated" else _look_at_glowing
    try:
        look = look_in(reader, recording, settings, view, reason)
    except MeasurementError as error:
        if seen is None:
            raise
        raise contradicted(error, kind, seen) from None
    heading = look.heading
    turned = with_heading(recording, heading)
    if turned is not recording:
        look = look_in(reader, turned, settings, view, reason)
    return replace(look, heading=heading, direction_found=turned is not recording, kind_seen=seen)


def _look_at_glowing(
    reader: Reader, recording: Recording, settings: MeasureSettings, view: View, reason: str
) -> ClipLook:
    """The first look at footage in which the pool outshines its surroundings."""
    forward = recording.axes().forward
    along, across = _rows(recording)
    numbers, sample = sample_of(reader, settings, view)
    pool = learn_pool(sample, reader.facts.full_scale, forward=forward, settings=settings.pool)
    pools = find_pools(sample, pool, forward=along, across=across, settings=settings.pool)
    found, outlines = list(pools), pools.outlines
    good = [p for p in found if p.status == "ok"]
    places = np.empty((0, 2), dtype=np.int64)
    if good:
        typical = sorted(good, key=lambda p: p.area)[len(good) // 2]
        places = agitation_places(pool, pool.sigma, typical.vertices - np.array([typical.x, typical.y]))
    spatter, smallest = None, Later(_unknown)
    if settings.spatter_on:
        spatter = learn(
            sample,
            full_scale=reader.facts.full_scale,
            outlines=outlines,
            settings=settings.spatter,
            edge_sigma_px=pool.sigma,
        )
        if "lossy_video" in reader.facts.flags and spatter.psf_source == "found":
            spatter = replace(spatter, psf_u_px=_LOSSY * spatter.psf_u_px)
        smallest = _smallest(sample, outlines, spatter, settings)
    heading = heading_of(pool, numbers, found)
    return ClipLook(
        view=view,
        along=along,
        across=across,
        kind="glowing",
        kind_reason=reason,
        pool=pool,
        spatter=spatter,
        places=places,
        sample=numbers,
        lag=max(1, round(settings.pool.agitation_lag_s * recording.record_rate_hz)),
        smallest=smallest,
        black_share=black_share(sample, found),
        heading=heading,
        recording=recording,
        orientation=orientation_of(pool, good) if heading is None else None,
        end_width=end_width([p.vertices for p in good], along, across, pool.sigma),
        edges=edges_of(sample, outlines, along, pool.sigma),
    )


def _smallest(
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]],
    look: SpatterLook,
    settings: MeasureSettings,
) -> Later[Smallest]:
    """The smallest particle, from copies of the few frames that it takes, so that the sample can be let go of."""
    chosen = drawn_into(len(sample))
    frames, around = sample[chosen], [outlines[k].copy() for k in chosen]
    return Later(lambda: smallest_particle(frames, around, look, settings=settings.spatter))


def _rows(recording: Recording) -> tuple[tuple[float, float], tuple[float, float]]:
    (a, b), (c, d) = recording.axes().matrix.tolist()
    return (a, b), (c, d)


def _look_at_illuminated(
    reader: Reader,
    recording: Recording,
    settings: MeasureSettings,
    view: View,
    reason: str,
) -> ClipLook:
    """The first look at lit footage: the metal's motion, and what does not follow it."""
    from ..pool.illuminated import find_illuminated, learn_illuminated, window_length
    from .residuals import residual_look

    length = window_length(recording.record_rate_hz, reader.facts.frame_count)
    if reader.facts.frame_count < length:
        raise MeasurementError(
            f"{reader.facts.path}: {reader.facts.frame_count} frames are too few for illuminated footage, "
            f"which needs runs of {length}; record longer"
        )
    runs = runs_of(reader, view, length)
    metal = metal_of(recording)
    along, across = _rows(recording)
    pool = learn_illuminated(
        runs,
        reader.facts.full_scale,
        forward=recording.axes().forward,
        metal_px=metal,
        starts=tuple(starts_of(reader, length)),
        settings=settings.pool,
    )
    middle = length // 2
    found = [
        p
        for run in runs
        for p in find_illuminated(run, middle, 1, pool, forward=along, across=across, settings=settings.pool)
    ]
    good = sorted((p for p in found if p.status == "ok"), key=lambda p: p.area)
    places = np.empty((0, 2), dtype=np.int64)
    if good:
        typical = good[len(good) // 2]
        places = agitation_places(
            pool, pool.evidence.sigma, typical.vertices - np.array([typical.x, typical.y])
        )
    residual, smallest = None, Later(_unknown)
    if settings.seeks_spatter("illuminated"):
        residual, smallest = residual_look(runs, pool, (along, across), settings)
    return ClipLook(
        view=view,
        along=along,
        across=across,
        kind="illuminated",
        kind_reason=reason,
        pool=pool,
        spatter=None if residual is None else residual.ways.bright,
        residual=residual,
        places=places,
        sample=tuple(range(0, reader.facts.frame_count, max(reader.facts.frame_count // _RUNS, 1))),
        lag=max(1, round(settings.pool.agitation_lag_s * recording.record_rate_hz)),
        smallest=smallest,
        black_share=float((runs == 0).mean()),
        heading=heading_of(pool, [n + middle for n in starts_of(reader, length)], found),
        recording=recording,
    )
