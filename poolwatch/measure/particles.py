"""Particles of a clip: linked, judged, and turned from px into the tables' units."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..model.axes import PoolAxes
from ..model.materials import Material
from ..model.tables import SPATTER, SPATTER_REJECTED, TRACKS
from ..pool.illuminated import IlluminatedLook
from ..spatter import Spatter, link, particles
from ..spatter.illuminated import link_both
from .assembly import Gathered
from .frames import BLIND
from .heading import metal_of
from .look import ClipLook
from .settings import MeasureSettings

if TYPE_CHECKING:
    import pandas as pd

# Beyond the margin that is not searched, what of a particle's picture reaches over the rim: spreads of the lens.
_RIM_SPREADS = 2.0
# How many frames away an outline still tells where the pool is.
_NEAR_FRAMES = 40
_NONE = np.zeros((0, 2))


@dataclass(frozen=True)
class ParticleTables:
    """What was found of particles.

    Attributes
    ----------
    spatter, rejected, tracks
        The tables.
    in_view
        Particles seen in each frame, shape (n,); None where they were not looked for.
    min_diameter_mm
        Smallest particle that the clip could show, mm; NaN where not known.
    look
        What is worth keeping of how they were found.
    """

    spatter: pd.DataFrame
    rejected: pd.DataFrame
    tracks: pd.DataFrame
    in_view: NDArray[np.int64] | None
    min_diameter_mm: float
    look: dict[str, Any]


def particles_of(
    gathered: Gathered,
    look: ClipLook,
    axes: PoolAxes,
    settings: MeasureSettings,
    metal: Material | None,
) -> ParticleTables:
    """Link, judge and convert.

    Parameters
    ----------
    gathered
        Every frame's figures and sightings.
    look
        The first look.
    axes
        Pool axes in the picture.
    settings
        All settings.
    metal
        The material, for the mass; None: no mass.
    """
    if look.spatter is None or gathered.sightings is None:
        return ParticleTables(SPATTER.frame(), SPATTER_REJECTED.frame(), TRACKS.frame(), None, math.nan, {})
    recording, shift = look.recording, np.array(look.region[:2], dtype=np.float64)
    found = _found(gathered, look, settings, shift)
    counted = found.sightings[found.sightings["particle"] > 0]
    in_view = np.bincount(counted["frame"].to_numpy(dtype=np.int64), minlength=len(gathered.status))
    sightings = found.sightings.copy()
    sightings[["x_px", "y_px"]] += shift
    beam_seen = look.pool.keyhole.seen

    def in_mm(table: pd.DataFrame) -> dict[str, Any]:
        return _in_mm(table, axes, recording.record_rate_hz, shift, metal, beam_seen=beam_seen)

    smallest = look.smallest.value()
    rejected = {**in_mm(found.rejected), "reason": found.rejected["reason"]}
    return ParticleTables(
        spatter=SPATTER.frame(in_mm(found.particles)),
        rejected=SPATTER_REJECTED.frame(rejected),
        tracks=TRACKS.frame({name: sightings[name] for name in TRACKS.names}),
        in_view=in_view,
        min_diameter_mm=smallest.diameter_px * axes.particle_mm_per_px,
        look={
            "psf_sigma_px": look.spatter.psf_sigma_px,
            "psf_u_px": look.spatter.psf_u_px,
            "psf_source": look.spatter.psf_source,
            "noise_read": look.spatter.read,
            "noise_shot": look.spatter.shot,
            "smallest_seen_px": smallest.seen_px,
            "smallest_brightness": smallest.brightness,
            "streak_exposure": found.exposure.source,
            "sightings_without_track": found.loose,
        },
    )


def _found(
    gathered: Gathered, look: ClipLook, settings: MeasureSettings, shift: NDArray[np.float64]
) -> Spatter:
    """Sightings linked and judged, px of the view, whose corner is at `shift` in the picture."""
    assert look.spatter is not None
    assert gathered.sightings is not None
    left, top, right, bottom = look.region
    measured = searched(gathered.status, look)

    def outline(frame: int) -> NDArray[np.float64]:
        return gathered.outlines(frame) - shift

    def nearest(frame: int) -> NDArray[np.float64]:
        return next(
            (there for near in _around(frame, len(measured)) if len(there := outline(near)) >= 3), _NONE
        )

    margin = settings.spatter.pool_margin_px + _RIM_SPREADS * look.spatter.psf_sigma_px
    # Frames that are ok have their outline: to read them all from the file would take longer than to link.
    unsure = measured & (gathered.status != "ok")
    size = bottom - top, right - left
    shadows = None
    if look.residual is not None:
        tracks, shadows = link_both(gathered.sightings, measured, size, settings.spatter)
    else:
        sightings = outside_pool(gathered.sightings, outline, unsure, margin)
        tracks = link(sightings, measured, size, settings.spatter)
    recording = look.recording
    exposure = recording.exposure_s * recording.record_rate_hz if recording.exposure_s else None
    # Where the camera rides with the head, the sheet runs backwards through the picture.
    metal_px = None if look.pool.moves else metal_of(recording)
    if isinstance(look.pool, IlluminatedLook):
        metal_px = look.pool.metal_px
    return particles(
        tracks,
        look.spatter,
        nearest,
        exposure_frames=exposure,
        metal_px=metal_px,
        shadows=shadows,
        settings=settings.spatter,
    )


def searched(status: NDArray[np.object_], look: ClipLook) -> NDArray[np.bool_]:
    """Frames in which particles were looked for: in illuminated footage, those whose outline is known."""
    if look.residual is not None:
        return np.asarray(status == "ok", dtype=np.bool_)
    return ~np.isin(status.astype(str), BLIND)


def _around(frame: int, count: int) -> Iterator[int]:
    """A frame and those about it, the nearest first."""
    yield frame
    for step in range(1, _NEAR_FRAMES + 1):
        yield from (near for near in (frame - step, frame + step) if 0 <= near < count)


def outside_pool(
    sightings: NDArray[np.void],
    outline: Callable[[int], NDArray[np.float64]],
    measured: NDArray[np.bool_],
    margin_px: float,
) -> NDArray[np.void]:
    """Sightings without those on the pool in frames whose outline is not known.

    There the search could not leave the pool out, and its keyhole, rim and ripples stand out of the ground as particles
    do. Where it lies is told by the nearest frames before and behind that have an outline.

    Parameters
    ----------
    sightings
        Of the whole clip, by frame.
    outline
        Frame → outline, shape (k, 2) px, (0, 2) where there is none.
    measured
        Frames in which was searched, shape (n,); those known to have an outline may be left out.
    margin_px
        What lies nearer to an outline than this counts as on it.
    """
    seen = np.unique(sightings["frame"])
    unknown = [int(k) for k in seen[measured[seen]] if len(outline(int(k))) < 3]
    kept = np.ones(len(sightings), dtype=np.bool_)
    for frame in unknown:
        rows = np.arange(*np.searchsorted(sightings["frame"], (frame, frame + 1)))
        for step in (-1, 1):
            for near in range(frame + step, frame + step * (_NEAR_FRAMES + 1), step):
                if not 0 <= near < len(measured):
                    break
                there = outline(near).astype(np.float32)
                if len(there) >= 3:
                    places = zip(sightings["x"][rows], sightings["y"][rows], strict=True)
                    inside = [
                        cv2.pointPolygonTest(there, (float(x), float(y)), True) > -margin_px
                        for x, y in places
                    ]
                    kept[rows[inside]] = False
                    break
    return sightings[kept]


def _in_mm(
    table: pd.DataFrame,
    axes: PoolAxes,
    rate_hz: float,
    shift: NDArray[np.float64],
    metal: Material | None,
    *,
    beam_seen: bool,
) -> dict[str, Any]:
    """Columns of the spatter table from the spatter room's px and frames."""
    mm = axes.particle_mm_per_px
    first = axes.mm(table[["first_x_px", "first_y_px"]].to_numpy(dtype=np.float64).reshape(-1, 2) + shift)
    if not beam_seen:
        first = np.full_like(first, np.nan)
    diameter = table["diameter_px"].to_numpy(dtype=np.float64) * mm
    diameter_u = table["diameter_u_px"].to_numpy(dtype=np.float64) * mm
    if metal is None:
        mass = mass_u = np.full(len(table), np.nan)
    else:
        # kg/m³ × mm³ = µg.
        mass = metal.density_kg_m3 * np.pi / 6.0 * diameter**3
        with np.errstate(divide="ignore", invalid="ignore"):
            mass_u = mass * np.hypot(3.0 * diameter_u / diameter, metal.density_u_rel)
    return {
        **{
            name: table[name]
            for name in ("particle", "first_frame", "last_frame", "frames_seen", "left_frame")
        },
        "first_x_mm": first[:, 0],
        "first_y_mm": first[:, 1],
        "direction_deg": axes.direction(table[["vx_px", "vy_px"]].to_numpy(dtype=np.float64).reshape(-1, 2)),
        "direction_u_deg": table["direction_u_deg"],
        "speed_mm_s": table["speed_px"].to_numpy(dtype=np.float64) * mm * rate_hz,
        "speed_u_mm_s": table["speed_u_px"].to_numpy(dtype=np.float64) * mm * rate_hz,
        "diameter_mm": diameter,
        "diameter_u_mm": diameter_u,
        "mass_ug": mass,
        "mass_u_ug": mass_u,
        "end": table["end"],
        "saturated": table["saturated"],
    }
