"""What an inspection says of any footage: where the pool is, how large, which way it travels, how black black is."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..model.recording import Recording
from ..pool import Pool, PoolLook
from ..pool.illuminated import IlluminatedLook
from ..spatter import Smallest
from .convert import BLACK_SHARE
from .findings import Finding, Verdict
from .heading import OTHER_DEG, Heading
from .orientation import ASKEW_DEG, Orientation
from .status_remedies import remedy_of
from .view import View


def pool_finding(look: PoolLook | IlluminatedLook, pools: Sequence[Pool], view: View) -> Finding:
    """Whether the pool is found, and where."""
    counts = _count_words(pools)
    good = counts.get("ok", 0)
    off = counts.get("dark", 0) + counts.get("no_pool", 0)
    # Where no beam is on there is nothing to find; a clip that shows little else is another matter.
    share = good / max(len(pools) - off, 1)
    left, top, *_ = view.region
    return Finding(
        "pool",
        f"in {good} of {len(pools)} frames looked at, around x {look.x + left:.0f}, y {look.y + top:.0f} px"
        + ("; it wanders: standing camera" if look.moves else ""),
        "good" if share >= 0.9 and 2 * off <= len(pools) else "fair" if share >= 0.5 else "poor",
        ", ".join(f"{n} {w}" for w, n in counts.items() if w != "ok"),
        remedy_of({w: n for w, n in counts.items() if share < 0.9 and w not in ("dark", "no_pool")} or counts)
        if share < 0.9 or 2 * off > len(pools)
        else "",
    )


def heading_finding(heading: Heading | None, recording: Recording | None) -> list[Finding]:
    """Which way the beam travels, where anything shows it, against what was given."""
    if heading is None:
        return []
    seen = f"{heading.deg:.1f}° in the picture, by the " + (
        "metal that runs backwards" if heading.source == "metal" else "pool that crosses the view"
    )
    given = recording is not None and "travel_direction_deg" in recording.model_fields_set
    if recording is None or not given:
        return [
            Finding(
                "travel direction",
                seen,
                "fact",
                "length and width rest on it; measuring takes this one where none is given",
            )
        ]
    right = heading.off(recording.travel_direction_deg) <= OTHER_DEG + 3 * heading.u_deg
    return [
        Finding(
            "travel direction",
            f"{seen}; given {recording.travel_direction_deg:g}°",
            "good" if right else "poor",
            "length and width rest on it",
            "" if right else f"give --travel-direction {heading.deg:.0f}, or none",
        )
    ]


def orientation_finding(lie: Orientation | None, recording: Recording | None) -> list[Finding]:
    """Whether a pool that shows no motion lies along the travel direction."""
    known = recording or Recording(record_rate_hz=1.0)
    given = "travel_direction_deg" in known.model_fields_set
    taken = f"{known.travel_direction_deg:g}° " + ("given" if given else "taken, for none is given")
    why = "length, width and directions of flight rest on it, and nothing that moves shows it"
    if lie is None or not lie.told:
        shape = "" if lie is None else "; the pool is about as long as wide and shows none"
        change = "" if given else "give --travel-direction"
        return [Finding("travel direction", taken + shape, "good" if given else "fair", why, change)]
    seen = lie.deg if lie.front_known else (lie.deg + 90.0) % 180.0 - 90.0
    wrong, across = lie.contradicts(known), lie.off(known.travel_direction_deg) > ASKEW_DEG
    return [
        Finding(
            "travel direction",
            f"{taken}; the pool lies along {seen:.0f}°" + ("" if lie.front_known else ", or the other way"),
            "poor" if wrong else "good" if given and not across else "fair",
            why,
            f"give --travel-direction, such as {seen:.0f}; right as it is only where the pool itself is lopsided"
            if wrong
            else "check it: the pool is wider than long"
            if across
            else ""
            if given
            else "give --travel-direction: the pool's shape alone is no proof",
        )
    ]


def size_finding(good: Sequence[Pool], recording: Recording | None) -> Finding:
    """Pixels across the pool."""
    length = float(np.median([p.front - p.rear for p in good]))
    width = float(np.median([p.left - p.right for p in good]))
    mm = recording.mm_per_px if recording else None
    size = f"{length:.0f} x {width:.0f} px" + (f" ({length * mm:.2f} x {width * mm:.2f} mm)" if mm else "")
    return Finding(
        "pixels across the pool",
        size,
        "good" if width >= 50 else "fair" if width >= 25 else "poor",
        "edges are known to a few hundredths of a pixel at best, to half a pixel in illuminated footage",
        "" if width >= 50 else "move the camera closer or use a longer lens",
    )


def black_finding(share: float) -> Finding:
    """Whether black seems cut off."""
    cut = share > BLACK_SHARE
    return Finding(
        "black",
        f"{share:.0%} of the surroundings read exactly 0",
        "fair" if cut else "good",
        "where black is cut off, faint light is missing and particles seem sharper than they are",
        "set the camera's black level so that dark noise is above 0, and subtract nothing" if cut else "",
    )


def _count_words(pools: Sequence[Pool]) -> dict[str, int]:
    words = [p.status for p in pools]
    return {word: words.count(word) for word in sorted(set(words))}


def smallest_finding(smallest: Smallest, recording: Recording | None) -> Finding:
    """The smallest particle that the clip could show, and how bright those were that were drawn to find it."""
    size = smallest.diameter_px
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
        f"found by drawing some into the clip, {smallest.brightness:.2f} of full scale off their ground; smaller ones "
        "are not counted; spatter is some 20 to 500 µm across",
        "" if verdict == "good" else "record at a finer scale, in better focus, with more light",
        "usual sizes of spatter: from memory",
    )
