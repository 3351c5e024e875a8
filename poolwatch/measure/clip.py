"""Measure one clip, from file to figures."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from .. import __version__
from ..clips import Reader, fingerprint, open_clip
from ..model.axes import PoolAxes, stretch_seen
from ..model.collecting import collecting_seldom
from ..model.crew import Recruit
from ..model.errors import MeasurementError
from ..model.flags import check_flags
from ..model.materials import Material, material
from ..model.processes import usable_cores
from ..model.recording import Recording
from ..model.tables import SCORE
from ..pool import PoolLook
from ..pool.illuminated import IlluminatedLook
from .assembly import Gathered
from .convert import axes_of, frames_table, picture_flags
from .drops import find_drops
from .gather import Progress, gather
from .heading import motion_flags, noted
from .jumps import mark_jumps
from .loading import numba_loading
from .look import ClipLook, contradicted, look_at
from .memory import hand_back
from .particles import ParticleTables, particles_of
from .result import Measurement
from .scale_fit import check_scale, other_size
from .score import score
from .settings import MeasureSettings, read_settings, recording_of, settings_id

# Below this rate a recording cannot show the fluctuations that pools have.
_LOW_RATE_HZ = 500.0


def measure_clip(
    path: str | Path,
    *,
    recording: Recording | None = None,
    settings: MeasureSettings | str | Path | None = None,
    progress: Progress | None = None,
    workers: int | None = None,
    block_size: int | None = None,
    recruit: Recruit | None = None,
    **facts: Any,
) -> Measurement:
    """Measure one clip.

    Parameters
    ----------
    path
        The recording: video, TIFF, folder of stills, NPY, HDF5 or raw with a sidecar.
    recording
        Facts about the recording; or give them by name: ``record_rate_hz`` (Hz, required), ``mm_per_px``,
        ``mm_per_px_u``, ``scale`` (a scale file), ``travel_direction_deg``, ``travel_speed_mm_s``, ``exposure_s``,
        ``material``, ``beam_shape``, ``replicate``.
    settings
        Everything else that changes numbers, or a TOML file of it; the defaults where not given.
    progress
        Called with frames done and frames in all.
    workers
        Processes that measure, this one included; None: one for each core, where they pay. Does not change a digit.
    block_size
        Frames handed over at a time; None: as many as 8 MB hold, 8 to 64. Does not change a digit.
    recruit
        Gives helpers that are there already, instead of processes started for this clip.

    Returns
    -------
    Measurement
        Tables, outlines, provenance.

    Raises
    ------
    UsageError
        A fact or a setting is missing or wrong.
    ClipError
        The recording cannot be read.
    MeasurementError
        There is no pool, or too little of it for statistics; or the scale cannot hold for this clip.

    Examples
    --------
    >>> import tempfile
    >>> from poolwatch.simulate import Scene, write_simulation
    >>> camera = {"width": 192, "height": 112, "mm_per_px": 0.025}
    >>> scene = Scene.checked({"frames": 300, "seed": 3, "camera": camera}, where="example")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     clip = write_simulation(scene, folder, format="npy")
    ...     result = measure_clip(clip, record_rate_hz=10_000, mm_per_px=0.025, travel_speed_mm_s=100)
    ...     folder = result.write(f"{folder}/{clip.stem}")
    ...     print(*sorted(file.name for file in folder.iterdir()))
    frames.csv outlines.bin run.json score.csv spatter.csv spatter_rejected.csv spectra.csv tracks.csv
    >>> result.frames["status"].eq("ok").mean() > 0.99
    np.True_
    >>> 0 < result.score["stability_index"].iloc[0] < 100
    np.True_
    """
    settings = read_settings(settings)
    if recording is None:
        recording = recording_of(settings, facts, where=str(path))
    elif facts:
        raise TypeError(f"give either recording or single facts, got both: {sorted(facts)}")
    metal = material(recording.material, settings.materials_file) if recording.material else None
    started, clock = datetime.now(UTC), time.perf_counter()
    with (
        collecting_seldom(),
        _opencv_on_one_thread(),
        numba_loading(),
        open_clip(path, settings=settings.clip) as reader,
    ):
        check_scale(recording, reader.facts.width, reader.facts.height)
        with _cut_named(reader):
            look = look_at(reader, recording, settings)
        recording = look.recording
        if recording.mm_per_px is None:
            metal = None  # Nothing can be weighed in pixels.
        hand_back()
        gathered = gather(
            reader,
            look,
            settings,
            workers=usable_cores() if workers is None else workers,
            recruit=recruit,
            size=block_size,
            progress=progress,
        )
        hand_back()
        mark_jumps(gathered, look.lag)
        with _cut_named(reader):
            try:
                result = _assemble(reader, look, gathered, recording, settings, metal)
            except MeasurementError as error:
                if look.kind_seen is None:
                    raise
                raise contradicted(error, look.kind, look.kind_seen) from None
    result.run["started"] = started.isoformat(timespec="seconds")
    result.run["seconds"] = round(time.perf_counter() - clock, 2)
    return result


@contextlib.contextmanager
def _opencv_on_one_thread() -> Iterator[None]:
    """OpenCV's own threads wait in busy loops beside ours: a third more processor time, and nothing sooner."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


@contextlib.contextmanager
def _cut_named(reader: Reader) -> Iterator[None]:
    """Say of what fails on a file cut short that it is: the frames that are missing may be the whole cause."""
    try:
        yield
    except MeasurementError as error:
        found = reader.findings()
        if not found.truncated:
            raise
        count = reader.facts.frame_count
        held = f"{count} frame{'s' if count != 1 else ''}"
        there = f"{held} of {found.promised}" if found.promised else f"no more than {held} that can be found"
        raise MeasurementError(
            f"{error}; but first copy the file again from the camera: it is cut short or damaged and holds {there}"
        ) from None


def _assemble(
    reader: Reader,
    look: ClipLook,
    gathered: Gathered,
    recording: Recording,
    settings: MeasureSettings,
    metal: Material | None,
) -> Measurement:
    """Tables, flags and provenance from what was gathered."""
    facts = reader.facts
    axes = axes_of(look, recording)
    frames = frames_table(gathered, look, axes, recording.record_rate_hz, facts.full_scale)
    gathered.figures = {}
    found = particles_of(gathered, look, axes, recording, settings, metal)
    gathered.sightings = None
    hand_back()
    if found.in_view is not None:
        frames["spatter_in_view"] = frames["spatter_in_view"].mask(
            ~frames["status"].isin(["undecodable", "repeated", "dark", "blown"]), found.in_view
        )
    drops = find_drops(
        look,
        found.tracks,
        gathered.ways,
        np.isin(gathered.status, ["undecodable", "repeated", "dark", "blown"]),
    )
    hand_back()
    scored = score(
        frames,
        found.spatter if look.spatter is not None else None,
        recording,
        settings.stability,
        min_diameter_mm=found.min_diameter_mm,
        density_kg_m3=metal.density_kg_m3 if metal else None,
    )
    hand_back()
    flags = check_flags(
        {
            *facts.flags,
            *scored.flags,
            *picture_flags(frames.iloc[slice(*scored.part)], look, axes),
            *_recording_flags(recording),
            *(("scale_other_size",) if other_size(recording, facts.width, facts.height) else ()),
            *_footage_flags(look),
            *_reading_flags(gathered),
            *(("dropped_frames",) if drops.after else ()),
        }
    )
    view_stretch, view_stretch_deg = stretch_seen(recording.stretch)
    identity = {
        "clip": facts.path.name,
        "clip_id": fingerprint(facts.path),
        "settings_id": settings_id(settings, recording),
        "poolwatch_version": __version__,
        "beam_shape": recording.beam_shape,
        "replicate": recording.replicate,
        "flags": " ".join(flags),
        "record_rate_hz": recording.record_rate_hz,
        "mm_per_px": recording.mm_per_px,
        "mm_per_px_u": recording.mm_per_px_u if recording.mm_per_px is not None else None,
        "travel_direction_deg": recording.travel_direction_deg,
        "travel_speed_mm_s": recording.travel_speed_mm_s,
        "exposure_s": recording.exposure_s,
        "material": recording.material or "",
        "footage": look.kind,
        "view_stretch": view_stretch,
        "view_stretch_deg": view_stretch_deg,
    }
    return Measurement(
        frames=frames,
        spatter=found.spatter,
        spatter_rejected=found.rejected,
        tracks=found.tracks,
        spectra=scored.spectra,
        score=SCORE.frame([{**scored.row, **identity}]),
        outlines=gathered.outlines,
        run=_provenance(reader, look, gathered, recording, settings, axes, found, identity, scored.steady)
        | {"drops": asdict(drops)},
    )


def _recording_flags(recording: Recording) -> set[str]:
    missing = {
        "no_scale": recording.mm_per_px,
        "no_travel_speed": recording.travel_speed_mm_s,
        "no_exposure": recording.exposure_s,
        "no_material": recording.material,
    }
    flags = {flag for flag, value in missing.items() if value is None}
    if recording.stretch is not None:
        flags.add("view_tilted")
    if recording.record_rate_hz < _LOW_RATE_HZ:
        flags.add("record_rate_low")
    return flags


def _reading_flags(gathered: Gathered) -> set[str]:
    flags = set()
    if gathered.findings.truncated:
        flags.add("truncated")
    if (gathered.status == "undecodable").any():
        flags.add("undecodable_frames")
    if (gathered.status == "repeated").any():
        flags.add("repeated_frames")
    return flags


def _provenance(
    reader: Reader,
    look: ClipLook,
    gathered: Gathered,
    recording: Recording,
    settings: MeasureSettings,
    axes: PoolAxes,
    found: ParticleTables,
    identity: dict[str, Any],
    steady: Any,
) -> dict[str, Any]:
    """Everything that is needed to judge the figures and to make them again."""
    facts, pool = reader.facts, look.pool
    left, top = look.region[:2]
    counts = {str(word): int((gathered.status == word).sum()) for word in sorted(set(gathered.status))}
    return {
        "poolwatch": __version__,
        "started": "",
        "seconds": 0.0,
        "versions": _versions(),
        "input": {
            "path": str(facts.path),
            "fingerprint": identity["clip_id"],
            "reader": facts.reader,
            "encoding": facts.encoding,
            "width": facts.width,
            "height": facts.height,
            "depth_bits": facts.depth_bits,
            "full_scale": facts.full_scale,
            "frames": len(gathered.status),
            "frames_decoded": gathered.findings.frames_decoded,
            "frames_promised": gathered.findings.promised,
            "playback_rate_hz": facts.playback_rate_hz,
            "notes": [*facts.notes, *gathered.findings.notes],
        },
        "recording": recording.model_dump(mode="json"),
        "settings": settings.model_dump(mode="json"),
        "settings_id": identity["settings_id"],
        "flags": str(identity["flags"]).split(),
        "statuses": counts,
        "axes": {
            "origin_x": axes.origin_x,
            "origin_y": axes.origin_y,
            "direction_deg": axes.direction_deg,
            "mm_per_px": axes.mm_per_px,
            "stretch": axes.stretch,
        },
        "steady": {
            "start": steady.start,
            "stop": steady.stop,
            "found": steady.found,
            "reason": steady.reason,
        },
        "look": {
            "region": list(look.region),
            "sample_frames": len(look.sample),
            "footage": look.kind,
            "footage_reason": look.kind_reason,
            **noted(look.heading),
            **_pool_facts(pool),
            "pool_area_px": pool.area_px,
            "pool_moves": pool.moves,
            "pool_clipped": pool.clipped,
            "keyhole_x_px": pool.keyhole.x + left,
            "keyhole_y_px": pool.keyhole.y + top,
            "keyhole_radius_px": pool.keyhole.radius_px,
            "keyhole_spots_px": [[float(x) + left, float(y) + top] for x, y in pool.keyhole.spots],
            "keyhole_seen": pool.keyhole.seen,
            "black_share": look.black_share,
            "end_width_in_spreads": look.end_width,
            "end_step_share": look.edges.step,
            "end_sharpness": look.edges.sharpness,
            "soft_edge_share": look.edges.soft,
            "agitation_lag_frames": look.lag,
            "agitation_places": len(look.places),
            **found.look,
        },
        "spatter_min_diameter_mm": found.min_diameter_mm,
    }


def _pool_facts(pool: PoolLook | IlluminatedLook) -> dict[str, Any]:
    """What the first look found, by kind of footage."""
    if isinstance(pool, IlluminatedLook):
        return {
            "metal_px": list(pool.metal_px),
            "metal_u_px": list(pool.metal_u_px),
            "metal_share": pool.metal_share,
            "camera_stands": pool.standing,
            "edge_sigma_px": pool.evidence.sigma,
            "liquid_alike": pool.evidence.alike,
        }
    return {
        "background": pool.background,
        "noise": pool.noise,
        "reference": pool.reference,
        "level_fraction": pool.fraction,
        "edge_sigma_px": pool.sigma,
        "edge_step": pool.step,
        "edge_clipped": pool.edge_clipped,
    }


def _footage_flags(look: ClipLook) -> set[str]:
    """What the first look says of the kind of footage and of what moves in it."""
    flags = motion_flags(look.pool, look.heading, look.recording)
    if look.direction_found:
        flags.add("direction_found")
    if look.lie is not None and look.lie.contradicts(look.recording):
        flags.add("pool_askew")
    if look.kind_seen is not None:
        flags.add("footage_disagrees")
    if look.spatter is None:
        flags.add("spatter_not_sought")
    return flags


def _versions() -> dict[str, str]:
    from importlib.metadata import version

    names = ("numpy", "scipy", "pandas", "numba", "opencv-python-headless", "av", "tifffile", "h5py")
    return {name: version(name) for name in names}
