"""Is this clip fit for measuring: what it is, what it can show, and what to change at the next recording."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..clips import Reader, open_clip, repeated
from ..model.quantities import GIVEN
from ..model.recording import Recording
from ..pool.kind import Kind
from .findings import Finding, Verdict
from .heading import metal_of
from .inspect_glowing import glowing_findings
from .inspect_illuminated import illuminated_findings
from .look import kind_of
from .scale_fit import scale_finding
from .settings import MeasureSettings, read_settings, recording_of
from .view import view_of

_FAST_SPATTER_MM_S = 10_000.0
_FAST_SOURCE = "usual speeds of particles, 1 to 20 m/s: from memory"

# Two and a half times the fastest motion that is looked for: 2 kHz of a keyhole, 500 Hz of a pool.
_GOOD_RATE_HZ, _FAIR_RATE_HZ = 5000.0, 1250.0
# Share of frames repeated or damaged that touches no figure: they are left out, and the gaps are bridged.
_FEW = 0.01
# A frame whose brightest pixel is below this share of the clip's is black.
_LIT = 0.25


@dataclass(frozen=True)
class Inspection:
    """What an inspection found.

    Attributes
    ----------
    path
        The clip.
    findings
        In the order in which they are told.
    """

    path: Path
    findings: tuple[Finding, ...]

    @property
    def fit(self) -> bool:
        """Whether nothing was judged poor."""
        return all(f.verdict != "poor" for f in self.findings)


def inspect_clip(
    path: str | Path,
    *,
    recording: Recording | None = None,
    settings: MeasureSettings | str | Path | None = None,
    quick: bool = False,
    progress: Callable[[int, int], None] | None = None,
    **facts: Any,
) -> Inspection:
    """Look at a clip before measuring it.

    Parameters
    ----------
    path
        The recording.
    recording
        Facts about it, or give them by name as to `measure_clip`; without a record rate some things cannot be said.
    settings
        Settings, or a TOML file of them; the defaults where not given.
    quick
        Trust the count of stored frames, and do not decode every frame to count and compare them.
    progress
        Called with frames done and frames in all.

    Raises
    ------
    ClipError
        The recording cannot be read.
    MeasurementError
        The pictures are too small to hold a pool.
    UsageError
        A fact or a setting is wrong; region of interest, mask or hidden rectangles do not fit the picture.

    Examples
    --------
    >>> import tempfile
    >>> from poolwatch.simulate import Scene, write_simulation
    >>> camera = {"width": 192, "height": 112, "mm_per_px": 0.025}
    >>> scene = Scene.checked({"frames": 60, "seed": 3, "camera": camera}, where="example")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     clip = write_simulation(scene, folder, format="npy")
    ...     found = inspect_clip(clip, record_rate_hz=10_000, mm_per_px=0.025)
    >>> [f"{f.name}: {f.value}" for f in found.findings if f.name in ("picture", "frames")]
    ['picture: 192 x 112 px', 'frames: 60 decoded, the header says 60']
    """
    settings = read_settings(settings)
    if recording is None:
        known = facts.get("record_rate_hz") is not None or "record_rate_hz" in settings.recording
        recording = recording_of(settings, facts, where=str(path)) if known else None
    elif facts:
        raise TypeError(f"give either recording or single facts, got both: {sorted(facts)}")
    with open_clip(path, settings=settings.clip) as reader:
        findings = _recording_findings(reader, recording)
        findings += scale_finding(recording, reader.facts.width, reader.facts.height)
        findings += [_quick_count(reader)] if quick else _count(reader, progress)
        view = view_of(reader, settings)
        kind, reason, seen = kind_of(reader, view, settings)
        findings.append(_kind_finding(kind, reason, seen))
        look_in = illuminated_findings if kind == "illuminated" else glowing_findings
        findings += look_in(reader, recording, settings, view)
    return Inspection(Path(path), tuple(findings))


def _kind_finding(kind: Kind, reason: str, seen: Kind | None) -> Finding:
    return Finding(
        "footage",
        f"{kind}: {reason}",
        "fact" if seen is None else "poor",
        "a glowing pool is found by its brightness, an illuminated one by what does not move with the metal",
        "" if seen is None else f"take pool.footage out of the settings: the pictures show {seen} footage",
    )


def _recording_findings(reader: Reader, recording: Recording | None) -> list[Finding]:
    facts = reader.facts
    playback = "" if facts.playback_rate_hz is None else f", plays at {facts.playback_rate_hz:g} a second"
    found = [
        Finding("file", f"{facts.encoding}{playback}", "fact", "a playback rate is not the record rate"),
        Finding("picture", f"{facts.width} x {facts.height} px", "fact"),
        Finding(
            "depth",
            f"{facts.depth_bits} bits, full scale at grey value {facts.full_scale:g}",
            "good" if facts.depth_bits >= 8 else "poor",
            "; ".join(facts.notes),
        ),
    ]
    if "lossy_video" in facts.flags:
        found.append(
            Finding(
                "compression",
                "with loss",
                "fair",
                "it smears small particles, which are then seen too large, or wipes them out; outlines hardly suffer",
                "record or export without loss (TIFF, FFV1, uncompressed)",
            )
        )
    if recording is None:
        found.append(
            Finding(
                "record rate",
                "not given",
                "poor",
                "times, frequencies and speeds rest on it; the rate at which a file plays is another one",
                "give --record-rate as the camera was set",
            )
        )
        return found + _missing_facts(None)
    rate, frames = recording.record_rate_hz, facts.frame_count
    duration = frames / rate
    found.append(Finding("record rate", f"{rate:g} Hz, {_time(duration)} recorded", "fact"))
    # What measuring scores: two periods of the clip to half the record rate.
    low, top = 2.0 / duration, rate / 2
    quick, long = rate >= _GOOD_RATE_HZ, duration >= 0.2
    found.append(
        Finding(
            "frequencies",
            f"{low:.3g} to {top:.4g} Hz" if low < top else f"none: {frames} frames are too few",
            "good" if quick and long else "fair" if rate >= _FAIR_RATE_HZ and duration >= 0.05 else "poor",
            "slower motion counts as drift; motion above half the record rate shows at a false frequency. Pools a few "
            "mm wide move at some 50 to 800 Hz, keyholes up to some kHz",
            "" if quick and long else "record longer" if quick else "record faster",
            "usual frequencies: common practice, no source",
        )
    )
    found += _motion_findings(recording)
    return found + _missing_facts(recording)


def _missing_facts(recording: Recording | None) -> list[Finding]:
    """What nobody has said, each with what it costs."""
    found = []
    if recording is None or recording.mm_per_px is None:
        found.append(
            Finding(
                "scale",
                "not given",
                "poor",
                "lengths stay in pixels, and nothing can be compared with another clip",
                "give --mm-per-px, or a scale file made by `poolwatch calibrate`",
            )
        )
    said = recording or Recording(record_rate_hz=1.0)
    lacking = [fact for fact in GIVEN if fact.cost and getattr(said, fact.name) is None]
    if lacking:
        found.append(
            Finding(
                "other facts",
                f"not given: {', '.join(fact.option for fact in lacking)}",
                "fair",
                "without them: " + "; ".join(fact.cost for fact in lacking),
                "give them where known",
            )
        )
    return found


def _time(seconds: float) -> str:
    return f"{seconds:.4g} s" if seconds >= 1 else f"{seconds * 1e3:.4g} ms"


def _motion_findings(recording: Recording) -> list[Finding]:
    """How far things move in an exposure and from frame to frame, as the camera sees them."""
    if recording.exposure_s is None or recording.mm_per_px is None:
        return []
    # Across a tilt a pixel is worth least: there a particle is drawn longest.
    fast = _FAST_SPATTER_MM_S / recording.axes().particle_mm_per_px
    streak, step = recording.exposure_s * fast, fast / recording.record_rate_hz
    metal = metal_of(recording)
    blur = 0.0 if metal is None else math.hypot(*metal) * recording.record_rate_hz * recording.exposure_s
    return [
        Finding(
            "motion blur",
            f"a particle at 10 m/s is drawn {streak:.1f} px long"
            + ("" if metal is None else f"; metal at the travel speed {blur:.2f} px"),
            "good" if streak <= 10 else "fair" if streak <= 40 else "poor",
            "long streaks are dim and run into one another",
            "" if streak <= 10 else f"expose {recording.exposure_s * 10 / streak:.2g} s or shorter",
            _FAST_SOURCE,
        ),
        Finding(
            "step of a fast particle",
            f"{step:.0f} px from frame to frame at 10 m/s",
            "good" if step <= 25 else "fair" if step <= 60 else "poor",
            "far steps are hard to follow",
            "" if step <= 25 else "record faster or at a coarser scale",
            _FAST_SOURCE,
        ),
    ]


def _quick_count(reader: Reader) -> Finding:
    return Finding("frames", f"{reader.facts.frame_count} stored; not decoded, not compared", "fact")


def _count(reader: Reader, progress: Callable[[int, int], None] | None) -> list[Finding]:
    """Count by decoding, compare each frame with the one before."""
    lights, doubled = [], []
    total = 0
    previous = None
    for block in reader.blocks():
        brightest = block.frames.reshape(len(block.frames), -1).max(axis=1)
        again = repeated(block.frames, previous) & block.decoded
        lights.append(brightest)
        doubled += brightest[again].tolist()
        previous = block.frames[-1]
        total += len(block.frames)
        if progress:
            progress(total, reader.facts.frame_count)
    read = reader.findings()
    # Black comes again as it was in a compressed file: no sign of a doubled frame.
    lit = _LIT * float(np.percentile(np.concatenate(lights), 90)) if lights else 0.0
    again_lit = sum(value > lit for value in doubled)
    promised = "" if read.promised is None else f", the header says {read.promised}"
    lost = len(read.undecodable)
    verdict: Verdict = "poor" if read.truncated or lost > _FEW * total else "fair" if lost else "good"
    return [
        Finding(
            "frames",
            f"{read.frames_decoded} decoded{promised}" + (f", {lost} damaged" if lost else ""),
            verdict,
            "lost frames shift every time after them",
            "" if verdict == "good" else "copy the file again from the camera",
        ),
        Finding(
            "repeated frames",
            f"{again_lit} of {total}",
            "good" if again_lit == 0 else "fair" if again_lit <= _FEW * total else "poor",
            "doubled frames fake spectra; they are left out",
            ""
            if again_lit == 0
            else "a few may be the camera's: look whether it dropped frames"
            if again_lit <= _FEW * total
            else "export without changing the frame rate",
        ),
    ]


def as_rows(inspection: Inspection) -> list[dict[str, Any]]:
    """The findings as plain values."""
    return [asdict(finding) for finding in inspection.findings]
