"""Measure one clip, from file to figures."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import asdict, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..clips import Reader, open_clip
from ..model.collecting import collecting_seldom
from ..model.crew import Recruit
from ..model.errors import MeasurementError
from ..model.flags import check_flags
from ..model.materials import Material, material
from ..model.processes import usable_cores
from ..model.recording import Recording
from ..model.tables import SCORE
from .assembly import Gathered
from .clip_flags import look_flags, reading_flags, recording_flags
from .convert import axes_of, frames_table, picture_flags
from .dropped_frames import find_drops
from .frames import BLIND
from .gather import Progress, gather
from .jumps import mark_jumps
from .loading import numba_loading
from .look import ClipLook, contradicted, look_at
from .memory import hand_back
from .particles import particles_of, searched
from .provenance import identity_of, look_record, place_record, run_record
from .result import Measurement
from .scale_fit import check_scale
from .score import score
from .score_basis import ScoreBasis
from .settings import MeasureSettings, read_settings, recording_of


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
        if look.recording.mm_per_px is None:
            metal = None  # Nothing can be weighed in pixels.
        hand_back()
        gathered = partial(
            gather,
            workers=usable_cores() if workers is None else workers,
            recruit=recruit,
            size=block_size,
            progress=progress,
        )
        with _cut_named(reader):
            try:
                # Held nowhere else: what the tables have taken over goes as soon as they have.
                result = _assemble(reader, look, gathered(reader, look, settings), settings, metal)
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
    reader: Reader, look: ClipLook, gathered: Gathered, settings: MeasureSettings, metal: Material | None
) -> Measurement:
    """Tables, flags and provenance from what was gathered."""
    hand_back()
    mark_jumps(gathered, look.lag)
    recording = look.recording
    axes = axes_of(look, recording)
    frames = frames_table(gathered, look, axes, recording.record_rate_hz, reader.facts.full_scale)
    gathered = replace(gathered, figures={})
    found = particles_of(gathered, look, axes, settings, metal)
    gathered = replace(gathered, sightings=None)
    hand_back()
    if found.in_view is not None:
        seen = searched(gathered.status, look)
        frames["spatter_in_view"] = frames["spatter_in_view"].mask(seen, found.in_view)
    drops = find_drops(look, found.tracks, gathered.ways, np.isin(gathered.status, BLIND))
    hand_back()
    basis = ScoreBasis(found.min_diameter_mm, metal.density_kg_m3 if metal else None)
    spatter = found.spatter if look.spatter is not None else None
    scored = score(frames, spatter, recording, settings.stability, basis)
    hand_back()
    flags = check_flags(
        {
            *scored.flags,
            *picture_flags(frames.iloc[slice(*scored.part)], look, axes),
            *recording_flags(recording, reader.facts),
            *look_flags(look),
            *reading_flags(gathered, reader.facts),
            *(("dropped_frames",) if drops.after else ()),
        }
    )
    identity = identity_of(reader.facts, look, settings, flags)
    return Measurement(
        frames=frames,
        spatter=found.spatter,
        spatter_rejected=found.rejected,
        tracks=found.tracks,
        spectra=scored.spectra,
        score=SCORE.frame([{**scored.row, **identity}]),
        outlines=gathered.outlines,
        run={
            **run_record(reader.facts, look, settings, gathered, identity),
            **place_record(axes, scored.steady),
            "look": look_record(look) | found.look,
            "spatter_min_diameter_mm": found.min_diameter_mm,
            "drops": asdict(drops),
        },
    )
