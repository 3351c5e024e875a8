"""What ``run.json`` and the score row say of how a clip was measured, so that it can be judged and made again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from ..clips import fingerprint
from ..model.axes import PoolAxes, stretch_seen
from ..model.clip import ClipFacts
from ..model.version import __version__
from ..pool import PoolLook
from ..pool.illuminated import IlluminatedLook
from ..stability import SteadyPart
from .assembly import Gathered
from .heading import noted
from .look import ClipLook
from .settings import MeasureSettings, settings_id


def identity_of(
    facts: ClipFacts, look: ClipLook, settings: MeasureSettings, flags: Iterable[str]
) -> dict[str, Any]:
    """Columns of the score row that say which clip it is and how it was measured."""
    recording = look.recording
    view_stretch, view_stretch_deg = stretch_seen(recording.stretch)
    return {
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


def run_record(
    facts: ClipFacts, look: ClipLook, settings: MeasureSettings, gathered: Gathered, identity: dict[str, Any]
) -> dict[str, Any]:
    """What was read, and with which versions and settings; when and how long are filled in at the end."""
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
        "recording": look.recording.model_dump(mode="json"),
        "settings": settings.model_dump(mode="json"),
        "settings_id": identity["settings_id"],
        "flags": str(identity["flags"]).split(),
        "spatter_not_sought": _why_no_spatter(look, settings),
        "statuses": {
            str(word): int((gathered.status == word).sum()) for word in sorted(set(gathered.status))
        },
    }


def _why_no_spatter(look: ClipLook, settings: MeasureSettings) -> str:
    """Why particles were not looked for; empty where they were."""
    if look.spatter is not None:
        return ""
    if not settings.seeks_spatter(look.kind):
        return "the settings do not ask for it"
    return "too few frames of the first look show the whole pool"


def place_record(axes: PoolAxes, steady: SteadyPart) -> dict[str, Any]:
    """Where the pool axes lie in the picture, and the steady part."""
    return {
        "axes": asdict(axes),
        "steady": {
            "start": steady.start,
            "stop": steady.stop,
            "found": steady.found,
            "reason": steady.reason,
        },
    }


def look_record(look: ClipLook) -> dict[str, Any]:
    """What the first look found."""
    pool = look.pool
    left, top = look.region[:2]
    return {
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


def _versions() -> dict[str, str]:
    from importlib.metadata import version

    names = ("numpy", "scipy", "pandas", "numba", "opencv-python-headless", "av", "tifffile", "h5py")
    return {name: version(name) for name in names}
