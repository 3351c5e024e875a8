"""Is this clip fit for measuring: what it is, what it can show, and what to change at the next recording."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..clips import Reader, open_clip, repeated
from ..model.errors import MeasurementError, PoolwatchError
from ..model.recording import Recording
from ..pool import Pool, PoolLook, find_pool, learn_pool
from .convert import BLACK_SHARE
from .look import black_share, sample_of
from .settings import MeasureSettings
from .view import region_of

Verdict = Literal["good", "fair", "poor", "fact"]
# Fast spatter of the trade; published speeds reach 20 m/s (reference from memory: usual range 1 to 20 m/s).
_FAST_SPATTER_MM_S = 10_000.0


@dataclass(frozen=True)
class Finding:
    """One thing found about a clip.

    Attributes
    ----------
    name
        What was looked at.
    value
        What was found, in words and numbers.
    verdict
        ``good``, ``fair``, ``poor``, or ``fact`` where there is nothing to judge.
    why
        Why it matters.
    change
        What to change at the next recording; empty where nothing needs to.
    """

    name: str
    value: str
    verdict: Verdict
    why: str = ""
    change: str = ""


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
    settings: MeasureSettings | None = None,
    quick: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Inspection:
    """Look at a clip before measuring it.

    Parameters
    ----------
    path
        The recording.
    recording
        Facts about it; without them some things cannot be said.
    settings
        Settings; the defaults where not given.
    quick
        Trust the count of stored frames, and do not decode every frame to count and compare them.
    progress
        Called with frames done and frames in all.

    Raises
    ------
    ClipError
        The recording cannot be read.
    """
    settings = settings or MeasureSettings()
    with open_clip(path, settings=settings.clip) as reader:
        findings = _recording_findings(reader, recording)
        findings += [_quick_count(reader)] if quick else _count(reader, progress)
        _, sample = sample_of(reader, settings)
        findings += _picture_findings(reader, sample, recording, settings)
    return Inspection(Path(path), tuple(findings))


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
    if recording is None:
        found.append(
            Finding(
                "record rate",
                "not given",
                "fact",
                "times, frequencies and speeds rest on it",
                "give --record-rate to learn which frequencies the clip can show",
            )
        )
        return found
    rate, frames = recording.record_rate_hz, facts.frame_count
    duration = frames / rate
    found.append(Finding("record rate", f"{rate:g} Hz, {duration * 1e3:.1f} ms recorded", "fact"))
    top = rate / 2.5
    found.append(
        Finding(
            "frequencies",
            f"{2.0 / duration:.3g} to {top:.4g} Hz",
            "good"
            if top >= 2000 and duration >= 0.2
            else "fair"
            if top >= 500 and duration >= 0.05
            else "poor",
            "slower motion counts as drift, faster motion shows at a false frequency; pools a few mm wide move at "
            "some 50 to 800 Hz, keyholes up to some kHz (common practice, no source)",
            "" if top >= 2000 and duration >= 0.2 else "record longer" if top >= 2000 else "record faster",
        )
    )
    if recording.exposure_s is not None and recording.mm_per_px is not None:
        streak = recording.exposure_s * _FAST_SPATTER_MM_S / recording.mm_per_px
        found.append(
            Finding(
                "motion blur",
                f"a particle at 10 m/s is drawn {streak:.1f} px long"
                + (
                    f"; metal at the travel speed {recording.exposure_s * recording.travel_speed_mm_s / recording.mm_per_px:.2f} px"
                    if recording.travel_speed_mm_s
                    else ""
                ),
                "good" if streak <= 10 else "fair" if streak <= 40 else "poor",
                "long streaks are dim and run into one another",
                "" if streak <= 10 else f"expose {recording.exposure_s * 10 / streak:.2g} s or shorter",
            )
        )
        step = _FAST_SPATTER_MM_S / recording.mm_per_px / rate
        found.append(
            Finding(
                "step of a fast particle",
                f"{step:.0f} px from frame to frame at 10 m/s",
                "good" if step <= 25 else "fair" if step <= 60 else "poor",
                "far steps are hard to follow",
                "" if step <= 25 else "record faster or at a coarser scale",
            )
        )
    return found


def _quick_count(reader: Reader) -> Finding:
    return Finding("frames", f"{reader.facts.frame_count} stored; not decoded, not compared", "fact")


def _count(reader: Reader, progress: Callable[[int, int], None] | None) -> list[Finding]:
    """Count by decoding, compare each frame with the one before."""
    doubled = 0
    total = 0
    previous = None
    for block in reader.blocks():
        doubled += int((repeated(block.frames, previous) & block.decoded).sum())
        previous = block.frames[-1]
        total += len(block.frames)
        if progress:
            progress(total, reader.facts.frame_count)
    read = reader.findings()
    promised = "" if read.promised is None else f", the header says {read.promised}"
    lost = len(read.undecodable)
    verdict: Verdict = "poor" if read.truncated or lost else "good"
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
            f"{doubled} of {total}",
            "good" if doubled == 0 else "poor",
            "doubled frames fake spectra; they are left out",
            "" if doubled == 0 else "export without changing the frame rate",
        ),
    ]


def _picture_findings(
    reader: Reader,
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    recording: Recording | None,
    settings: MeasureSettings,
) -> list[Finding]:
    from ..model.axes import PoolAxes

    full = reader.facts.full_scale
    axes = recording.axes() if recording else PoolAxes(0.0, 0.0, 0.0)
    forward, ((a, b), (c, d)) = axes.forward, axes.matrix.tolist()
    try:
        look = learn_pool(sample, full, forward=forward, settings=settings.pool)
    except MeasurementError as error:
        brightest = float(sample.max()) / full if sample.size else 0.0
        return [
            Finding("brightest pixel", f"{brightest:.3f} of full scale", "fact"),
            Finding("pool", "none found", "poor", str(error), "check that the beam is on in this clip"),
        ]
    pools = [
        find_pool(frame, look, forward=(a, b), across=(c, d), settings=settings.pool) for frame in sample
    ]
    good = [p for p in pools if p.status == "ok"]
    left, top, *_ = region_of(reader, settings)
    found = [
        Finding(
            "pool",
            f"in {len(good)} of {len(pools)} frames looked at, around x {look.x + left:.0f}, y {look.y + top:.0f} px"
            + ("; it wanders: standing camera" if look.moves else ""),
            "good" if len(good) >= 0.9 * len(pools) else "fair" if len(good) >= 0.5 * len(pools) else "poor",
            ", ".join(f"{n} {w}" for w, n in _count_words(pools).items() if w != "ok"),
        )
    ]
    found.append(_black_finding(black_share(sample, pools)))
    if good:
        found += _pool_findings(look, good, recording, full)
    if settings.spatter_on and good:
        found.append(_particle_finding(look, pools, sample, recording, settings, full))
    return found


def _black_finding(share: float) -> Finding:
    cut = share > BLACK_SHARE
    return Finding(
        "black",
        f"{share:.0%} of the surroundings read exactly 0",
        "fair" if cut else "good",
        "where black is cut off, faint light is missing and particles seem sharper than they are",
        "set the camera's black level so that dark noise lies above 0, and subtract nothing" if cut else "",
    )


def _count_words(pools: list[Pool]) -> dict[str, int]:
    words = [p.status for p in pools]
    return {word: words.count(word) for word in sorted(set(words))}


def _pool_findings(
    look: PoolLook, good: list[Pool], recording: Recording | None, full: float
) -> list[Finding]:
    length = float(np.median([p.front - p.rear for p in good]))
    width = float(np.median([p.left - p.right for p in good]))
    mm = recording.mm_per_px if recording else None
    size = f"{length:.0f} x {width:.0f} px" + (f" ({length * mm:.2f} x {width * mm:.2f} mm)" if mm else "")
    contrast = look.step / look.noise
    clipped = float(np.median([p.keyhole_clipped for p in good]))
    keyhole = float(np.median([p.keyhole for p in good])) / full
    return [
        Finding(
            "pixels across the pool",
            size,
            "good" if width >= 50 else "fair" if width >= 25 else "poor",
            "edges are known to a few hundredths of a pixel at best",
            "" if width >= 50 else "move the camera closer or use a longer lens",
        ),
        Finding(
            "edge of the pool",
            f"step {look.step / full:.2f} of full scale, {contrast:.0f} times the noise of a pixel",
            "good" if contrast >= 20 else "fair" if contrast >= 8 else "poor",
            "the outline's noise falls with this contrast",
            ""
            if contrast >= 20
            else "expose longer, open the aperture, or choose a filter with more contrast",
        ),
        Finding(
            "focus",
            f"edges blurred by {look.sigma:.2f} px (standard deviation)",
            "good" if look.sigma <= 2 else "fair" if look.sigma <= 4 else "poor",
            "blur costs precision and hides small particles; defocus, motion and heat haze add up",
            "" if look.sigma <= 2 else "focus on the plate surface, stop down, expose shorter",
        ),
        Finding(
            "saturation of the pool",
            f"{look.clipped:.1%} of the glowing area at full scale",
            "good" if look.clipped < 0.05 else "fair" if look.clipped < 0.3 else "poor",
            "what is clipped has no brightness and no clear edge",
            "" if look.clipped < 0.05 else "expose shorter or use a denser filter",
        ),
        Finding(
            "keyhole",
            (
                f"brightness {keyhole:.2f} of full scale, {clipped:.0%} of the region clipped"
                if look.keyhole.seen
                else "no spot stands out of the pool"
            ),
            "poor" if clipped > 0.2 else "fair" if clipped > 0.02 or not look.keyhole.seen else "good",
            "its brightness and collapses enter the index",
            "expose shorter" if clipped > 0.02 else "",
        ),
    ]


def _particle_finding(
    look: PoolLook,
    pools: list[Pool],
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    recording: Recording | None,
    settings: MeasureSettings,
    full: float,
) -> Finding:
    from ..spatter import learn, smallest_diameter

    try:
        ground = learn(
            sample, full_scale=full, outlines=[p.vertices for p in pools], settings=settings.spatter
        )
        size = smallest_diameter(sample, [p.vertices for p in pools], ground, settings=settings.spatter)
    except PoolwatchError as error:
        return Finding("smallest particle", "cannot be said", "fair", str(error))
    mm = recording.axes().particle_mm_per_px if recording and recording.mm_per_px else None
    known = math.isfinite(size)
    shown = f"{size:.1f} px" + (f" ({size * mm:.3f} mm)" if mm else "") if known else "cannot be said"
    verdict: Verdict = "fair" if not known or size > 3 else "good"
    if known and mm and size * mm > 0.2:
        verdict = "poor"
    return Finding(
        "smallest particle",
        shown,
        verdict,
        "smaller ones are not counted; spatter is some 20 to 500 µm across (from memory)",
        "" if verdict == "good" else "record at a finer scale, in better focus, with more light",
    )


def as_rows(inspection: Inspection) -> list[dict[str, Any]]:
    """The findings as plain values."""
    return [
        {"name": f.name, "value": f.value, "verdict": f.verdict, "why": f.why, "change": f.change}
        for f in inspection.findings
    ]
