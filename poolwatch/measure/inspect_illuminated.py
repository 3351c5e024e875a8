"""What the pictures of a pool lit from outside tell an inspection."""

from __future__ import annotations

import math

import cv2
import numpy as np

from ..clips import Reader
from ..model.errors import MeasurementError
from ..model.recording import Recording
from ..pool import Pool
from ..pool.coarse import Grey
from ..pool.illuminated import IlluminatedLook
from .findings import Finding, Verdict
from .heading import Heading, given_speed, heading_of, metal_of, speed_disagrees, with_heading
from .inspect_findings import black_finding, heading_finding, pool_finding, size_finding, smallest_finding
from .look import black_share, runs_of, starts_of
from .settings import MeasureSettings
from .view import View

# Record rate by which the length of a run is chosen where none is given, Hz.
_RATE_HZ = 10_000.0
# Texture finer than pixels' noise and coarser than this is neither told from noise nor from lighting, px.
_FINE_PX = (0.7, 4.0)


def illuminated_findings(
    reader: Reader, recording: Recording | None, settings: MeasureSettings, view: View
) -> list[Finding]:
    """Findings about lit metal and the pool in it, from short runs of frames spread over the clip."""
    from ..pool.illuminated import find_illuminated, learn_illuminated, window_length

    known = recording or Recording(record_rate_hz=_RATE_HZ)
    length = window_length(known.record_rate_hz, reader.facts.frame_count)
    if reader.facts.frame_count < length:
        return [_too_few(reader.facts.frame_count, length)]
    full = reader.facts.full_scale
    runs = runs_of(reader, view, length)
    try:
        look = learn_illuminated(
            runs,
            full,
            forward=known.axes().forward,
            metal_px=None if recording is None else metal_of(recording),
            starts=tuple(starts_of(reader, length)),
            settings=settings.pool,
        )
    except MeasurementError as error:
        return [Finding("pool", "none found", "poor", str(error), "check that the beam is on in this clip")]
    middle = length // 2

    def pools_in(seen: Recording) -> list[Pool]:
        (a, b), (c, d) = seen.axes().matrix.tolist()
        return [
            find_illuminated(run, middle, 1, look, forward=(a, b), across=(c, d), settings=settings.pool)[0]
            for run in runs
        ]

    pools, centres = pools_in(known), runs[:, middle]
    heading = heading_of(look, [n + middle for n in starts_of(reader, length)], pools)
    if with_heading(known, heading) is not known:
        pools = pools_in(with_heading(known, heading))
    good = [(frame, p) for frame, p in zip(centres, pools, strict=True) if p.status == "ok"]
    found = [
        pool_finding(look, pools, view),
        _metal_finding(look, recording, heading),
        *heading_finding(heading, recording),
        black_finding(black_share(centres, pools)),
    ]
    if good:
        found += [size_finding([p for _, p in good], recording), *_pool_findings(look, good, full)]
    if not settings.seeks_spatter("illuminated"):
        found.append(
            Finding(
                "smallest particle",
                "not looked for: the settings do not ask for it in illuminated footage",
                "fact",
                "spatter stays empty, which is not 0",
                "to count spatter, set spatter_on and spatter_in_illuminated to true",
            )
        )
    elif good:
        found.append(_particle_finding(runs, look, with_heading(known, heading), recording, settings))
    return found


def _too_few(frames: int, length: int) -> Finding:
    return Finding(
        "pool",
        f"not looked for: {frames} frames, and runs of {length} are needed",
        "poor",
        "the pool is what the metal's motion cannot explain over some frames",
        "record longer",
    )


def _particle_finding(
    runs: Grey,
    look: IlluminatedLook,
    seen: Recording,
    recording: Recording | None,
    settings: MeasureSettings,
) -> Finding:
    """The smallest particle that the clip could show, or why none is looked for."""
    from .residuals import residual_look

    (a, b), (c, d) = seen.axes().matrix.tolist()
    sought, smallest = residual_look(runs, look, ((a, b), (c, d)), settings)
    if sought is None:
        return Finding(
            "smallest particle",
            "not looked for",
            "fair",
            "too few frames of the first look show the whole pool: spatter stays empty, which is not 0",
            "keep the pool in view for longer",
        )
    return smallest_finding(smallest.value(), recording)


def _metal_finding(look: IlluminatedLook, recording: Recording | None, heading: Heading | None) -> Finding:
    """How the metal moves, and whether as scale, travel speed and record rate say."""
    share = look.metal_share
    verdict: Verdict = "good" if share >= 0.6 else "fair" if share >= 0.4 else "poor"
    why, change = "the metal's motion is what parts solid from liquid", ""
    if verdict != "good":
        change = "show more of the plate beside the weld, light it more evenly, keep plume out of the light"
    if look.standing:
        return Finding("metal", f"stands still in the picture, {share:.0%} of it alike", verdict, why, change)
    speed = math.hypot(*look.metal_px)
    text = f"moves {speed:.3f} px a frame as one sheet, {share:.0%} of it alike"
    if recording is not None and recording.exposure_s is not None:
        blur = speed * recording.record_rate_hz * recording.exposure_s
        text += f"; blurred by {blur:.2f} px in the exposure"
    given = None if recording is None or heading is None else given_speed(recording, heading)
    if recording is not None and given is not None:
        text += f"; scale, travel speed and record rate say {given:.3f} px"
        if speed_disagrees(look, recording, given):
            # A fact that the footage refutes spoils every figure that rests on it.
            verdict = "poor"
            change = "check scale, travel speed and record rate: one of the three is wrong"
    return Finding("metal", text, verdict, why, change)


def _pool_findings(look: IlluminatedLook, good: list[tuple[Grey, Pool]], full: float) -> list[Finding]:
    texture, noise, ratio, clipped = np.median([_contrast(frame, p, look, full) for frame, p in good], axis=0)
    sigma = look.evidence.sigma
    blown = float(np.median([p.keyhole_clipped for _, p in good]))
    keyhole = float(np.median([p.keyhole for _, p in good])) / full
    seen = look.keyhole.seen
    return [
        Finding(
            "contrast of the pool",
            f"pool {ratio:.2f} times as bright as the metal beside it; texture of the metal {texture / full:.1%} of "
            f"full scale, {texture / noise:.1f} times the noise of a pixel",
            "good" if texture >= 4 * noise else "fair" if texture >= 2 * noise else "poor",
            "the pool's edge is where the texture stops moving with the metal",
            ""
            if texture >= 4 * noise
            else "light the metal at a lower angle, with more light, or brush the plate",
        ),
        Finding(
            "focus",
            f"edges blurred by {sigma:.2f} px (standard deviation)",
            "good" if sigma <= 2 else "fair" if sigma <= 4 else "poor",
            "blur takes the texture of the metal away",
            "" if sigma <= 2 else "focus on the plate surface, stop down, expose shorter",
        ),
        Finding(
            "saturation of the pool",
            f"{clipped:.1%} of the pool at full scale",
            "good" if clipped < 0.05 else "fair" if clipped < 0.3 else "poor",
            "highlights may be; what is clipped throughout shows no motion",
            "" if clipped < 0.05 else "expose shorter or turn the light down",
        ),
        Finding(
            "keyhole",
            (
                f"brightness {keyhole:.2f} of full scale, {'darker' if look.keyhole_dark else 'brighter'} than the "
                f"pool, {blown:.0%} of the region clipped"
                if seen
                else "no spot stands out of the pool"
            ),
            "poor" if blown > 0.2 else "fair" if blown > 0.02 or not seen else "good",
            "its brightness and collapses enter the index",
            "expose shorter" if blown > 0.02 else "",
        ),
    ]


def _contrast(
    frame: Grey, pool: Pool, look: IlluminatedLook, full: float
) -> tuple[float, float, float, float]:
    """Texture of the metal and noise of a pixel, grey values; pool over metal; share of the pool at full scale."""
    h, w = frame.shape
    inside = np.zeros((h, w), dtype=np.uint8)
    cv2.fillPoly(inside, [np.round(pool.vertices).astype(np.int32)], 1)
    beside = cv2.dilate(inside, np.ones((41, 41), np.uint8)) & ~cv2.dilate(
        inside, np.ones((13, 13), np.uint8)
    )
    metal = frame[beside > 0].astype(np.float64)
    liquid = frame[inside > 0].astype(np.float64)
    if len(metal) == 0 or len(liquid) == 0:
        return math.nan, math.nan, math.nan, math.nan
    level = float(np.median(metal))
    # The look knows the noise of a difference of two frames.
    read, shot = look.noise
    noise = math.sqrt((read + shot * level) / 2)
    picture = frame.astype(np.float32)
    fine = cv2.GaussianBlur(picture, (0, 0), _FINE_PX[0]) - cv2.GaussianBlur(picture, (0, 0), _FINE_PX[1])
    # Pixels' noise that passes the first of the two filters: 1 / (2 sqrt(pi) sigma) of it.
    passed = noise / (2 * math.sqrt(math.pi) * _FINE_PX[0])
    texture = math.sqrt(max(float(np.var(fine[beside > 0])) - passed**2, 0.0))
    return texture, noise, float(np.mean(liquid)) / max(level, 1e-9), float((liquid >= 0.998 * full).mean())
