"""What the pictures of a glowing pool tell an inspection."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..clips import Reader
from ..model.errors import MeasurementError, PoolwatchError
from ..model.recording import Recording
from ..pool import Pool, PoolLook, find_pools, learn_pool
from ..pool.look import NO_NOISE
from ..pool.tail import NARROW, EdgeSharpness, edges_of, end_width
from .convert import EDGE_CLIPPED
from .findings import Finding
from .heading import heading_of, with_heading
from .inspect_findings import (
    black_finding,
    heading_finding,
    orientation_finding,
    pool_finding,
    size_finding,
    smallest_finding,
)
from .look import black_share, sample_of
from .orientation import orientation_of
from .settings import MeasureSettings
from .view import View

# A step at an end of the pool below this share of the usual one is lost in the least ripple.
_HARDLY = 0.2


def glowing_findings(
    reader: Reader, recording: Recording | None, settings: MeasureSettings, view: View
) -> list[Finding]:
    """Findings about a pool that outshines its surroundings, from frames spread over the clip."""
    numbers, sample = sample_of(reader, settings, view)
    full = reader.facts.full_scale
    # Axes need no rate.
    known = recording or Recording(record_rate_hz=1.0)
    try:
        look = learn_pool(sample, full, forward=known.axes().forward, settings=settings.pool)
    except MeasurementError as error:
        brightest = float(sample.max()) / full if sample.size else 0.0
        return [
            Finding("brightest pixel", f"{brightest:.3f} of full scale", "fact"),
            Finding("pool", "none found", "poor", str(error), "check that the beam is on in this clip"),
        ]

    def pools_in(seen: Recording) -> list[Pool]:
        (a, b), (c, d) = seen.axes().matrix.tolist()
        return list(find_pools(sample, look, forward=(a, b), across=(c, d), settings=settings.pool))

    pools = pools_in(known)
    heading = heading_of(look, numbers, pools)
    if with_heading(known, heading) is not known:
        pools = pools_in(with_heading(known, heading))
    good = [p for p in pools if p.status == "ok"]
    found = [pool_finding(look, pools, view), *heading_finding(heading, recording)]
    if heading is None:
        found += orientation_finding(orientation_of(look, good), recording)
    found.append(black_finding(black_share(sample, pools)))
    if good:
        found += [size_finding(good, recording), *_pool_findings(look, good, full)]
        seen = with_heading(known, heading)
        found.append(_ends_finding(look, good, seen))
        (along, _) = seen.axes().matrix.tolist()
        edges = edges_of(sample, [p.vertices for p in pools], along, look.sigma)
        found.append(_behind_finding(edges, look.edge_clipped > EDGE_CLIPPED))
    if settings.spatter_on and good:
        found.append(_particle_finding(look, pools, sample, recording, settings, full))
    return found


def _pool_findings(look: PoolLook, good: list[Pool], full: float) -> list[Finding]:
    # Surroundings of one grey value alone show no noise.
    silent = look.noise <= NO_NOISE
    contrast = look.step / look.noise
    clipped_edge = look.edge_clipped > EDGE_CLIPPED
    clipped = float(np.median([p.keyhole_clipped for p in good]))
    keyhole = float(np.median([p.keyhole for p in good])) / full
    return [
        Finding(
            "edge of the pool",
            f"step {look.step / full:.2f} of full scale"
            + (", as its foot shows it" if clipped_edge else "")
            + (
                "; the surroundings show no noise to compare it with"
                if silent
                else f", {contrast:.0f} times the noise of a pixel"
            ),
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
            f"{look.clipped:.1%} of the glowing area at full scale"
            + (f", the step at {look.edge_clipped:.0%} of its edge too" if clipped_edge else ""),
            "good" if look.clipped < 0.05 else "fair" if look.clipped < 0.3 and not clipped_edge else "poor",
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


def _ends_finding(look: PoolLook, good: list[Pool], recording: Recording) -> Finding:
    (a, b), (c, d) = recording.axes().matrix.tolist()
    width = end_width([p.vertices for p in good], (a, b), (c, d), look.sigma)
    return Finding(
        "ends of the pool",
        f"the narrower one is {width:.1f} times the blur wide where it is three times the blur deep",
        "good" if width >= 7 else "fair" if width >= NARROW else "poor",
        "a tail that runs out narrower than the blur is seen too short",
        "" if width >= 7 else "focus better, or record at a finer scale",
    )


def _behind_finding(edges: EdgeSharpness, clipped: bool) -> Finding:
    darker = "choose a filter that dims the solid more than the liquid, or light the metal from outside"
    if edges.unseen:
        return Finding(
            "behind the tail",
            "hardly a step is seen at an end of the pool, or along a fifth of its outline",
            "poor",
            "a bead or plume as bright as the pool, or at full scale with it, is taken for pool: its size may be wrong",
            f"expose shorter, {darker}" if clipped else darker,
        )
    return Finding(
        "behind the tail",
        f"the step at the fainter end is {edges.step:.2f} of that all round",
        "poor" if edges.step < _HARDLY else "fair" if edges.faint else "good",
        "a bead nearly as hot as the liquid hides the end of the pool among ripples and plume",
        darker if edges.faint else "",
    )


def _particle_finding(
    look: PoolLook,
    pools: list[Pool],
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    recording: Recording | None,
    settings: MeasureSettings,
    full: float,
) -> Finding:
    from ..spatter import learn, smallest_particle

    try:
        ground = learn(
            sample, full_scale=full, outlines=[p.vertices for p in pools], settings=settings.spatter
        )
        size = smallest_particle(sample, [p.vertices for p in pools], ground, settings=settings.spatter)
    except PoolwatchError as error:
        return Finding("smallest particle", "cannot be said", "fair", str(error))
    return smallest_finding(size, recording)
