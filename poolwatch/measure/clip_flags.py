"""Flags of a clip: what its recording, its reading and the first look say before using the figures."""

from __future__ import annotations

from ..model.clip import ClipFacts
from ..model.recording import Recording
from .assembly import Gathered
from .heading import motion_flags
from .look import ClipLook
from .scale_fit import other_size

# Below this rate a recording cannot show the fluctuations that pools have.
_LOW_RATE_HZ = 500.0


def recording_flags(recording: Recording, facts: ClipFacts) -> set[str]:
    """What is not known of the recording, or does not fit it."""
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
    if other_size(recording, facts.width, facts.height):
        flags.add("scale_other_size")
    return flags


def reading_flags(gathered: Gathered, facts: ClipFacts) -> set[str]:
    """What opening and reading the file has shown."""
    flags = set(facts.flags)
    if gathered.findings.truncated:
        flags.add("truncated")
    if (gathered.status == "undecodable").any():
        flags.add("undecodable_frames")
    if (gathered.status == "repeated").any():
        flags.add("repeated_frames")
    return flags


def look_flags(look: ClipLook) -> set[str]:
    """What the first look says of the kind of footage and of what moves in it."""
    flags = motion_flags(look.pool, look.heading, look.recording)
    if look.direction_found:
        flags.add("direction_found")
    if look.orientation is not None and look.orientation.contradicts(look.recording):
        flags.add("pool_askew")
    if look.kind_seen is not None:
        flags.add("footage_disagrees")
    if look.spatter is None:
        flags.add("spatter_not_sought")
    return flags
