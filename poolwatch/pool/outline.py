"""The pool in every frame of a block: status, outline, extents, keyhole."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.lib.recfunctions import structured_to_unstructured
from numpy.typing import NDArray

from ..model.pixels import Frames, by_depth, part_of
from .coarse import Grey, bright_statistics, cut_necks, polygon_mean, touches
from .curve import Vertices
from .edge import refine
from .facts import OutlineFacts, facts_of
from .geometry import SHARP, area_centroid, extents
from .keyhole import keyhole_over_spots
from .lobes import cut_lobes
from .look import _QUANTILE, PoolLook
from .mending import Outline, asks_for_mending, dimmed, mended
from .settings import PoolSettings
from .tracing import largest_contour

# What a frame may come to, and the columns of its figures.
_STATUSES = ("ok", "blown", "dark", "no_pool", "cut_off", "hidden", "broken")
_OK, _BLOWN, _DARK, _NO_POOL, _CUT_OFF, _HIDDEN, _BROKEN = range(len(_STATUSES))
# The kernel leaves the rare frame that asks for more to Python.
_AGAIN = len(_STATUSES)
FIGURES = (
    "front",
    "rear",
    "left",
    "right",
    "area",
    "x",
    "y",
    "brightness",
    "gain",
    "keyhole",
    "keyhole_area",
    "keyhole_clipped",
)
FIGURE = np.dtype([(name, np.float64) for name in FIGURES])
# A lobe of the outline no wider than this, relative to the pool's size or in px, and higher than this is a particle.
_LOBE_WIDTH = 0.25
_LOBE_PX = 8.0
_LOBE_RISE_PX = 0.8
# Rows and columns r0, r1, c0, c1.
Box = tuple[int, int, int, int]


@dataclass(frozen=True)
class Pool:
    """The pool in one frame; lengths in px along the travel direction and to its left, from the image's origin.

    Attributes
    ----------
    status
        ``ok`` or why there is no outline (see `poolwatch.model.flags.STATUSES`).
    vertices
        Outline, shape (k, 2), image x and y in px; shape (0, 2) unless ok.
    front, rear, left, right
        Reach of the outline, px; NaN unless ok.
    area
        Area inside the outline, px²; NaN unless ok.
    x, y
        Centroid of that area in the image, px; NaN unless ok.
    brightness
        Mean grey value inside the outline; NaN unless ok.
    gain
        Brightness of the glowing pixels relative to the clip's usual; NaN in a dark frame.
    keyhole
        Mean grey value of the keyhole region; NaN unless ok.
    keyhole_area
        Area above the keyhole level in the region's surroundings, px²; NaN unless ok and a keyhole is seen.
    keyhole_clipped
        Share of the keyhole region at full scale; NaN unless ok.
    """

    status: str
    vertices: NDArray[np.float32]
    front: float = float("nan")
    rear: float = float("nan")
    left: float = float("nan")
    right: float = float("nan")
    area: float = float("nan")
    x: float = float("nan")
    y: float = float("nan")
    brightness: float = float("nan")
    gain: float = float("nan")
    keyhole: float = float("nan")
    keyhole_area: float = float("nan")
    keyhole_clipped: float = float("nan")


@dataclass(frozen=True)
class Pools:
    """The pools of a block of frames.

    Attributes
    ----------
    status
        One word a frame, see `Pool`.
    outlines
        One (k, 2) array a frame, float32, px; (0, 2) unless ok.
    figures
        Shape (n, len(FIGURES)), in the order of `FIGURES`; NaN as in `Pool`.
    """

    status: list[str]
    outlines: list[NDArray[np.float32]]
    figures: NDArray[np.float64]

    @classmethod
    def of(cls, pools: Sequence[Pool]) -> Pools:
        """Single pools put together."""
        figures = np.array([[getattr(pool, name) for name in FIGURES] for pool in pools], dtype=np.float64)
        return cls([p.status for p in pools], [p.vertices for p in pools], figures.reshape(-1, len(FIGURES)))

    def __len__(self) -> int:
        return len(self.status)

    def __iter__(self) -> Iterator[Pool]:
        return (self[i] for i in range(len(self)))

    def __getitem__(self, i: int) -> Pool:
        return Pool(self.status[i], self.outlines[i], *self.figures[i].tolist())


_NO_VERTICES = np.empty((0, 2), dtype=np.float32)


def find_pools(
    frames: Grey,
    look: PoolLook,
    *,
    forward: tuple[float, float],
    across: tuple[float, float] | None = None,
    settings: PoolSettings,
    wanted: NDArray[np.bool_] | None = None,
) -> Pools:
    """Measure the pool in each frame; a frame's result depends on nothing but the frame and the first look.

    Parameters
    ----------
    frames
        Grey values at native depth, shape (n, h, w), the same view that `look` was learned from.
    look
        What the first look learned.
    forward, across
        What makes of image x and y the coordinates along travel and to its left (`PoolAxes.matrix`); without `across`,
        `forward` is the unit vector along travel in the image (x right, y down) and the view is square.
    settings
        The settings `look` was learned with.
    wanted
        Shape (n,): the frames to measure; the others come out ``dark``. None: all.
    """
    n, h, w = frames.shape
    pictures = by_depth(frames)
    along_x, along_y = forward
    facts = facts_of(look, forward, across or (along_y, -along_x), settings)
    r0, r1, c0, c1 = (0, h, 0, w) if look.moves else look.box
    box = int(r0), int(r1), int(c0), int(c1)
    codes = np.full(n, _DARK, dtype=np.int64)
    figures = np.full(n, np.array((np.nan,) * len(FIGURES), dtype=FIGURE))
    vertices = np.empty((n, facts.vertices, 2), dtype=np.float32)
    chosen = np.ones(n, dtype=np.bool_) if wanted is None else wanted
    spots = np.ascontiguousarray(look.keyhole.spots, dtype=np.float64)
    _find(pictures, chosen, facts, box, spots, codes, figures, vertices)
    for i in np.flatnonzero(codes == _AGAIN):
        codes[i], x, y = _look_again(pictures, int(i), facts, box, spots, figures[i])
        if codes[i] == _OK:
            vertices[i] = np.column_stack((x, y))
    outlines = [vertices[i] if code == _OK else _NO_VERTICES for i, code in enumerate(codes)]
    return Pools([_STATUSES[code] for code in codes], outlines, structured_to_unstructured(figures))


def find_pool(
    frame: Grey,
    look: PoolLook,
    *,
    forward: tuple[float, float],
    across: tuple[float, float] | None = None,
    settings: PoolSettings,
) -> Pool:
    """Measure the pool in one frame, shape (h, w); see `find_pools`."""
    return find_pools(frame[None], look, forward=forward, across=across, settings=settings)[0]


class _Region(NamedTuple):
    """The bright region of a frame.

    Attributes
    ----------
    code
        What came of it; the rest counts for `_OK` alone.
    bright, low
        Brightness of the pool, and the level of what glows, grey values.
    dim
        Whether that level is lower than usual.
    crop
        The part of the picture that holds the pool.
    corner
        Its first row and column.
    contour
        The region's, shape (m, 2), px in the crop.
    """

    code: int
    bright: float
    low: float
    dim: bool
    crop: NDArray[np.uint16]
    corner: tuple[int, int]
    contour: NDArray[np.float64]


class _Edge(NamedTuple):
    """An outline in a view: its vertices, how many were found, and how many lie outside of what can be seen whole."""

    x: Vertices
    y: Vertices
    found: int
    outside: int


@njit(cache=True, nogil=True)
def _find(
    frames: Frames,
    wanted: NDArray[np.bool_],
    facts: OutlineFacts,
    box: Box,
    spots: NDArray[np.float64],
    codes: NDArray[np.int64],
    figures: NDArray[np.void],
    vertices: NDArray[np.float32],
) -> None:
    """Every wanted frame by itself, into its row of `codes`, `figures` (dtype `FIGURE`) and `vertices`."""
    for i in range(codes.size):
        if not wanted[i]:
            continue
        region = _region(frames, i, facts, box, figures[i])
        code = region.code
        if code == _OK:
            x, y, found, outside, tall = refine(region.crop, region.contour, facts)
            if region.dim or (outside == 0 and asks_for_mending(region.bright, tall, facts)):
                code = _AGAIN
            else:
                edge = _Edge(x, y, found, outside)
                code, x, y = _figures(region.crop, region.corner, edge, facts, spots, figures[i])
            if code == _OK:
                for k in range(x.size):
                    vertices[i, k, 0], vertices[i, k, 1] = x[k], y[k]
        codes[i] = code


def _look_again(
    frames: Frames,
    i: int,
    facts: OutlineFacts,
    box: Box,
    spots: NDArray[np.float64],
    out: Any,
) -> tuple[int, Vertices, Vertices]:
    """What a frame whose outline is doubtful came to, and the outline's x and y; fills `out` with its figures."""
    nothing = np.empty(0)
    region = _Region(*_region(frames, i, facts, box, out))
    outline = Outline.of(region.crop, region.contour, facts)
    if outline.outside == 0 and asks_for_mending(region.bright, outline.tall, facts):
        level = facts.background + facts.fraction * (region.bright - facts.background)
        outline = mended(region.crop, outline, level, region.bright, facts)
    if region.dim and not dimmed(region.crop, outline, float(out["gain"]), region.low, facts):
        # It is no dim pool, but what still glows around a small one or none: plume, a hot plate.
        return _NO_POOL, nothing, nothing
    edge = _Edge(outline.x.copy(), outline.y.copy(), outline.found, outline.outside)
    found: tuple[int, Vertices, Vertices] = _figures(region.crop, region.corner, edge, facts, spots, out)
    return found


@njit(cache=True, nogil=True)
def _region(frames: Frames, i: int, facts: OutlineFacts, box: Box, out: Any) -> _Region:
    """The bright region of a frame; its gain goes into `out`."""
    nothing = np.empty((0, 2))
    r0, r1, c0, c1 = box
    view = part_of(frames, i, r0, r1, c0, c1)
    step = 2 if facts.area_px > 800 else 1
    square = step * step
    low, dim = facts.low, False
    count, bright, clipped = bright_statistics(view, facts.full_scale, low, _QUANTILE, step)
    if clipped * square > 0.5 * facts.area_px + 1.3 * facts.clipped * facts.area_px:
        return _Region(_BLOWN, bright, low, dim, view, (r0, c0), nothing)
    if count * square < 0.25 * facts.area_px:
        # A pool far below the clip's usual brightness may still be there.
        low, dim = facts.background + 0.25 * (facts.low - facts.background), True
        if low < facts.background + 5 * facts.noise:
            return _Region(_DARK, bright, low, dim, view, (r0, c0), nothing)
        count, bright, clipped = bright_statistics(view, facts.full_scale, low, _QUANTILE, step)
        if count * square < 0.25 * facts.area_px:
            return _Region(_DARK, bright, low, dim, view, (r0, c0), nothing)
    # The gain is told of frames without an outline too.
    out.gain = (bright - facts.background) / (facts.reference - facts.background)
    level = facts.background + facts.fraction * (bright - facts.background)
    contour, area = _coarse(view, level, facts, r0, c0)
    if area < facts.least_area:
        return _Region(_NO_POOL, bright, low, dim, view, (r0, c0), contour)
    h, w = frames[0].shape[1:]
    if _is_tight(contour, box, h, w, facts.tables.place.half + 2.0):
        # The fit of the edge would see the crop's border: take the whole picture.
        # Its corner is 0, but no constant: Numba would compile what takes it once more.
        r0, c0 = h - h, w - w
        view = part_of(frames, i, r0, h, c0, w)
        contour, area = _coarse(view, level, facts, r0, c0)
    rows, columns = view.shape
    code = _CUT_OFF if touches(contour, rows, columns) else _OK
    return _Region(code, bright, low, dim, view, (r0, c0), contour)


@njit(cache=True, nogil=True)
def _is_tight(contour: NDArray[np.float64], box: Box, h: int, w: int, room: float) -> bool:
    """Whether a contour in a crop comes within `room` px of a border of it that is none of the `h` by `w` picture's."""
    r0, r1, c0, c1 = box
    top, left = room if r0 > 0 else -1.0, room if c0 > 0 else -1.0
    bottom, right = r1 - r0 - 1.0 - (room if r1 < h else -1.0), c1 - c0 - 1.0 - (room if c1 < w else -1.0)
    for k in range(len(contour)):
        x, y = contour[k, 0], contour[k, 1]
        if x < left or y < top or x > right or y > bottom:
            return True
    return False


@njit(cache=True, nogil=True)
def _coarse(
    view: NDArray[np.uint16], level: float, facts: OutlineFacts, r0: int, c0: int
) -> tuple[NDArray[np.float64], float]:
    """Contour (m, 2), px in the view, and area of the bright region, without what hangs on a narrow neck."""
    px, py = (np.nan, np.nan) if facts.moves else (facts.x - c0, facts.y - r0)
    contour, area = largest_contour(view, level, px, py)
    return (cut_necks(contour, facts.neck) if facts.neck > 0.0 else contour), area


@njit(cache=True, nogil=True)
def _figures(
    view: NDArray[np.uint16],
    corner: tuple[int, int],
    edge: _Edge,
    facts: OutlineFacts,
    spots: NDArray[np.float64],
    out: Any,
) -> tuple[int, Vertices, Vertices]:
    """What an outline in a view comes to, and its x and y in the picture; fills `out` with its figures."""
    nothing = np.empty(0)
    x, y = edge.x, edge.y
    if edge.outside > 0:
        return _CUT_OFF, nothing, nothing
    if edge.found < (1.0 - facts.hidden_share) * facts.vertices:
        return _HIDDEN, nothing, nothing
    widest, least = (
        max(_LOBE_WIDTH * facts.size_px, _LOBE_PX),
        max(_LOBE_RISE_PX, 0.8 * facts.tables.place.sigma),
    )
    cut_lobes(x, y, widest, least)
    mean = polygon_mean(view, x, y)
    r0, c0 = corner
    x += c0
    y += r0
    area, cx, cy = area_centroid(x, y)
    if not 0.3 * facts.area_px < area < 3.0 * facts.area_px:
        return _BROKEN, nothing, nothing
    ux, uy = facts.forward
    vx, vy = facts.across
    out.front, out.rear, out.left, out.right = extents(x, y, ux, uy, vx, vy, SHARP)
    out.area, out.x, out.y, out.brightness = area, cx, cy, mean
    dx, dy = (cx - facts.x, cy - facts.y) if facts.moves else (0.0, 0.0)
    out.keyhole, out.keyhole_area, out.keyhole_clipped = keyhole_over_spots(
        view, facts.keyhole, spots, dx - c0, dy - r0, facts.full_scale
    )
    return _OK, x, y
