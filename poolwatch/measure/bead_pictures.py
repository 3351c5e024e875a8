"""A measured photo of a weld as the drawing wants it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from ..bead.changes import tone_along
from ..bead.facts import BeadPx, Floats
from ..model.rounding import number, with_uncertainty
from ..show.bead import draw_bead, draw_beads_side_by_side
from .bead import BeadPhoto

# Fewer px between neighbouring crests in the picture, and only every so many of them is drawn.
_APART_PX = 8.0


class _Shown:
    """What `poolwatch.show.bead.SeenBead` asks for."""

    def __init__(self, photo: BeadPhoto) -> None:
        px, strip = photo.px, photo.px.strip
        along = strip.along
        self.title = photo.name
        self.shown = photo.shown
        self.mm_per_px = photo.mm_per_px
        self.left = px.axis.picture(along, px.edges.left.left)
        self.right = px.axis.picture(along, px.edges.right.left)
        self.judged, self.seen = px.edges.judged, px.edges.seen
        self.crests = _crests(px)
        deposits = px.deposits
        self.deposits = np.column_stack([deposits.x, deposits.y, deposits.diameter]).reshape(-1, 3)
        self.lines = in_words(photo)
        self.flags = tuple(str(photo.row["flags"]).split())
        window = max(3, int(np.median(px.edges.width[px.edges.judged]) / 4))
        width = np.where(self.seen, px.edges.width * photo.mm_per_px, math.nan)
        self.strips = (
            ("width", "mm", width),
            ("brightness over the sheet's", "", uniform_filter1d(tone_along(strip, px.edges), window)),
        )
        first = float(along[0])
        last = len(along) - 1

        def column(place: float) -> int:
            return int(np.clip(round(place - first), 0, last))

        self.changes = tuple((one.kind, column(one.start), column(one.stop)) for one in px.changes)


def in_words(photo: BeadPhoto) -> tuple[str, ...]:
    """The figures of a photo in two lines; its flags are not among them."""
    row = photo.row
    mean, u, sd = (row[f"bead_width_{what}_mm"] for what in ("mean", "u", "sd"))
    width = f"width {with_uncertainty(mean, u)} mm (sd {number(sd)})"
    rms = row["bead_edge_rms_mm"]
    edges = f"edges {number(rms)} mm rms" if rms == rms else "edges: noise hides their waviness"
    spacing, order = row["bead_ripple_spacing_mm"], row["bead_ripple_order"]
    if spacing == spacing:
        ripples = f"ripples {with_uncertainty(spacing, row['bead_ripple_spacing_u_mm'])} mm apart, order {order:.2f}"
    else:
        ripples = "no ripple spacing stands out"
    count, area = (number(row[f"bead_deposit{what}_per_cm"]) for what in ("s", "_area_mm2"))
    deposits = f"deposits {count} a cm, {area} mm² a cm"
    return (
        f"{row['bead_seen_mm']:.1f} mm judged · {width} · {edges}",
        f"{ripples} · {deposits}",
    )


def bead_picture(photo: BeadPhoto) -> NDArray[np.uint8]:
    """The photo with edges, ripples and particles drawn in, and what changes along the weld under it."""
    return draw_bead(_Shown(photo))


def beads_side_by_side(photos: list[BeadPhoto]) -> NDArray[np.uint8]:
    """Several photos at one scale."""
    return draw_beads_side_by_side([_Shown(photo) for photo in photos])


def _crests(px: BeadPx) -> tuple[Floats, ...]:
    """One line a ripple, along its trail across the bead."""
    ripples = px.ripples
    if not math.isfinite(ripples.spacing):
        return ()
    phase = ripples.phase
    turns = np.unwrap(np.where(np.isfinite(phase), phase, 0.0)) / (2 * math.pi)
    whole = np.floor(turns)
    crossing = np.flatnonzero((np.diff(whole) > 0) & np.isfinite(phase[1:]) & np.isfinite(phase[:-1]))
    every = max(1, math.ceil(_APART_PX / ripples.spacing))
    lines = []
    for column in crossing[::every].tolist():
        if not px.edges.judged[column]:
            continue
        across, trail = ripples.trail[:, 0], ripples.trail[:, 1]
        half = px.edges.width[column] / 2
        along = px.strip.along[column] - trail
        lines.append(px.axis.picture(along, px.edges.centre[column] + across * half))
    return tuple(lines)
