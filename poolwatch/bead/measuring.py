"""One photo of a weld, measured in px."""

from __future__ import annotations

import math

import numpy as np
from pydantic import Field

from ..model.flags import BEAD_FLAGS
from ..model.settings import Settings
from .changes import find_changes
from .deposits import find_deposits
from .edges import find_edges
from .facts import Axis, BeadPx, Deposits, Edges, Image, Ripples, Strip, Waviness
from .finding import find_bead
from .lining import line_up
from .ripples import PeakTest, find_ripples
from .straight import cut_strip, even_light
from .waviness import waviness

# Fewer px across than this, and edges limit the figures.
_SMALL_PX = 20.0
# Mean widths that are less sure than this, px, are flagged.
_VAGUE_PX = 0.5


class BeadSettings(Settings):
    """What is looked for in a photo.

    Attributes
    ----------
    widest_mm
        Widest bead that is looked for, mm.
    belt_mm
        How far beside the bead particles are looked for, mm.
    """

    widest_mm: float = Field(default=8.0, gt=0, le=100)
    belt_mm: float = Field(default=5.0, gt=0, le=100)


def measure_bead(
    light: Image,
    *,
    mm_per_px: float,
    stands_out: PeakTest,
    settings: BeadSettings | None = None,
    near: tuple[float, float] | None = None,
) -> BeadPx:
    """Measure the bead in a photo that looks squarely at the sheet.

    Parameters
    ----------
    light
        Shape (height, width, channels), linear in light.
    mm_per_px
        Size of a pixel.
    stands_out
        Test for spacings that stand out of red noise.
    settings
        What is looked for.
    near
        A place on the bead (x, y) px, where the picture holds several.

    Raises
    ------
    MeasurementError
        No bead is found, or too little of it is seen.
    """
    settings = settings or BeadSettings()
    belt = settings.belt_mm / mm_per_px
    found = find_bead(light, widest=settings.widest_mm / mm_per_px, near=near)
    axis = line_up(light, found.axis)
    strip, edges = find_edges(cut_strip(light, axis))
    wavy = waviness(edges)
    ripples = find_ripples(strip, edges, stands_out=stands_out)
    wide = even_light(cut_strip(light, axis, beside=belt + axis.width), edges.centre, np.abs(edges.width) / 2)
    deposits = find_deposits(wide, edges, belt=belt)
    changes = find_changes(strip, edges)
    flags = _flags(light, axis, strip, edges, wavy, ripples, deposits)
    flags |= {"bead_doubtful"} if found.doubtful else set()
    flags |= {"bead_broken"} if any(change.kind in ("gap", "hidden") for change in changes) else set()
    flags |= {"bead_crater"} if any(change.kind == "crater" for change in changes) else set()
    order = tuple(name for name in BEAD_FLAGS if name in flags)
    return BeadPx(axis, strip, edges, wavy, ripples, deposits, changes, order)


def _flags(
    light: Image,
    axis: Axis,
    strip: Strip,
    edges: Edges,
    wavy: Waviness,
    ripples: Ripples,
    deposits: Deposits,
) -> set[str]:
    flags = set()
    width = float(np.median(edges.width[edges.judged]))
    if edges.by_texture:
        flags.add("bead_by_texture")
    if math.hypot(edges.left.bias_u, edges.right.bias_u) > _VAGUE_PX:
        flags.add("bead_edges_vague")
    if math.isnan(wavy.rms):
        flags.add("bead_edges_noisy")
    if width < _SMALL_PX:
        flags.add("bead_small")
    if math.isfinite(ripples.spacing) and ripples.spacing < 6:
        flags.add("bead_ripples_fine")
    if deposits.belt_seen < 0.9:
        flags.add("bead_belt_cut")
    ends = np.flatnonzero(edges.seen)[[0, -1]]
    points = axis.picture(strip.along[ends], edges.centre[ends])
    size = np.array([light.shape[1], light.shape[0]])
    if ((points < 1.5 * width) | (points > size - 1 - 1.5 * width)).any():
        flags.add("bead_leaves_picture")
    rows = np.arange(strip.light.shape[0])[:, None]
    on_bead = (np.abs(rows - strip.rows(edges.centre)) < edges.width / 2) & edges.judged
    left = np.asarray(strip.first_left - rows, dtype=np.float64)
    places = axis.picture(strip.along[None, ::4], left[::2])[on_bead[::2, ::4]]
    at = np.rint(places).astype(int)
    at = at[(at >= 0).all(axis=1) & (at < size).all(axis=1)]
    if len(at) and float((light[at[:, 1], at[:, 0]].max(axis=1) > 0.995).mean()) > 0.05:
        flags.add("bead_saturated")
    return flags
