"""Both edges of the bead: what tells bead from sheet, the paths along it, what is judged."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from ..model.errors import MeasurementError
from .facts import Edge, Edges, Floats, Image, Mask, Strip
from .straight import even_light
from .tracing import best_path, trace_edge

# Width of the bead in the strip that its slow course is followed in, px.
_COURSE_PX = 40.0
# Averagings along the bead that are tried until noise moves an edge by little: so many px, or so
# much of the width; by tone and by texture.
_TRIES = ((False, 0.7), (False, 2.0), (False, 5.0), (True, 5.0), (False, 12.0), (True, 12.0))
_CALM, _CALM_SHARE = 0.7, 0.01
# Roughness, whose noise is no plain noise, must be so much calmer than tone to be chosen.
_MUCH_CALMER = 0.4
# Edges by tone that noise moves by more than this, px, are compared with those by roughness. Where these lie out
# further by so many px, the former count as so much noisier.
_DOUBT, _OUTSIDE_PX, _INSIDE = 0.35, 1.2, 5.0
# Share of the usual difference from the sheet below which a column does not show the bead.
_LEAST_LEVEL = 0.15
# Share of the usual step below which a column does not show the edge.
_LEAST_STEP = 0.35


def find_edges(strip: Strip) -> tuple[Strip, Edges]:
    """Find both edges; also gives the strip freed of uneven light.

    Raises
    ------
    MeasurementError
        They are not seen along a length of three widths.
    """
    width = strip.axis.width
    centre, half, contrast = _slow_course(strip)
    even = even_light(strip, centre, half)
    best: tuple[float, Edge, Edge, bool] | None = None

    @cache
    def rough() -> tuple[Edge, Edge]:
        return _pair(even, centre, half, True, min(5.0, 0.3 * width))

    for by_texture, smoothing in _tries(width):
        left, right = _pair(even, centre, half, by_texture, smoothing)
        unrest = max(_unrest(left), _unrest(right))
        if not by_texture and unrest > _DOUBT and _inside_the_rough(left, right, rough()):
            unrest *= _INSIDE
        if best is None or unrest < (_MUCH_CALMER if by_texture and not best[3] else 0.8) * best[0]:
            best = unrest, left, right, by_texture
        if best[0] < max(_CALM, _CALM_SHARE * width):
            break
    assert best is not None
    _, left, right, by_texture = best
    seen = _seen(strip, left, right, width) & (contrast > _LEAST_LEVEL)
    return even, Edges(left, right, seen, _judged(seen, left, right, width), by_texture)


def _slow_course(strip: Strip) -> tuple[Floats, Floats, Floats]:
    """Middle of the bead, half its width and its contrast in each column, from a reduced strip."""
    factor = min(1.0, _COURSE_PX / strip.axis.width)
    columns, rows = strip.light.shape[1], strip.light.shape[0]
    size = (max(8, round(columns * factor)), max(8, round(rows * factor)))
    light = cv2.resize(strip.light, size, interpolation=cv2.INTER_AREA).reshape(size[1], size[0], -1)
    inside = cv2.resize(strip.inside.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    axis = strip.axis
    axis = replace(axis, start=axis.start * factor, stop=axis.stop * factor, width=axis.width * factor)
    small = Strip(light, axis, strip.first_along * factor, (size[1] - 1) / 2, inside)
    centre, half = np.zeros(size[0]), np.full(size[0], axis.width / 2)
    contrast = np.ones(size[0])
    for _ in range(2):
        upper, lower, contrast = courses(even_light(small, centre, half), centre, half)
        centre, half = (upper + lower) / 2, np.maximum((upper - lower) / 2, 2.0)
    at = (np.arange(columns) + 0.5) * size[0] / columns - 0.5
    known = np.arange(size[0])
    wide = [np.interp(at, known, values) for values in (centre / factor, half / factor, contrast)]
    return wide[0], wide[1], wide[2]


def _unrest(edge: Edge) -> float:
    """Standard deviation of an edge's noise where it is seen, px, in spite of a few gone astray."""
    low, high = np.percentile(edge.noise[edge.step > 0.5], [16, 84])
    return float(high - low) / 2


def _inside_the_rough(left: Edge, right: Edge, rough: tuple[Edge, Edge]) -> bool:
    """Whether an edge seen by tone runs inside what is rough like the bead: it follows a ripple or the crown."""
    if max(_unrest(rough[0]), _unrest(rough[1])) > _CALM:
        return False
    off = (rough[0].left - left.left, right.left - rough[1].left)
    shown = (left.step > 0.5) & (right.step > 0.5)
    return bool(max(float(np.mean(one[shown])) for one in off) > _OUTSIDE_PX)


def _tries(width: float) -> Iterator[tuple[bool, float]]:
    return ((rough, smoothing) for rough, smoothing in _TRIES if smoothing <= max(2.0, 0.3 * width))


def _features(strip: Strip) -> Image:
    """Light of each channel, and roughness, averaged a little: shape (rows, columns, k)."""
    light = cv2.GaussianBlur(strip.light, (0, 0), 1.5).reshape(*strip.light.shape)
    rough = _roughness(strip.light.mean(axis=2))
    rough = cv2.GaussianBlur(rough, (0, 0), 3.0)
    return np.concatenate([light, np.log(rough + 1e-3)[..., None]], axis=2)


def _roughness(grey: Image) -> Image:
    """Departure of each pixel from its surroundings; not squared, or single grains would outweigh the rest."""
    return np.asarray(np.abs(grey - cv2.GaussianBlur(grey, (0, 0), 1.2)))


def _telling(features: Image, inner: Mask, outer: Mask) -> Floats:
    """Weights of the features that tell bead from sheet best (Fisher 1936), so that bead minus sheet is 1."""
    bead, sheet = features[inner].astype(np.float64), features[outer].astype(np.float64)
    apart = bead.mean(axis=0) - sheet.mean(axis=0)
    within = (np.cov(bead.T) + np.cov(sheet.T)) / 2 if features.shape[2] > 1 else np.array([[1.0]])
    within = (
        np.atleast_2d(within)
        + 1e-9 * np.eye(features.shape[2])
        + np.diag(np.diag(np.atleast_2d(within))) * 0.05
    )
    weights = np.linalg.solve(within, apart)
    return np.asarray(weights / max(float(weights @ apart), 1e-12))


def _zones(strip: Strip, centre: Floats, half: Floats, gap: float) -> tuple[Mask, Mask]:
    """Pixels in the bead and beside it, `gap` half widths from its edges at least, along the middle of the strip."""
    rows = np.arange(strip.light.shape[0])[:, None]
    u = np.abs(rows - strip.rows(centre)) / half
    along = strip.along
    axis = strip.axis
    length = axis.stop - axis.start
    middle = (along > axis.start + 0.1 * length) & (along < axis.stop - 0.1 * length)
    inner = (u < 1 - gap) & middle & strip.inside
    outer = (u > 1 + gap) & (u < 1.9 + gap) & middle & strip.inside
    if inner.sum() < 50 or outer.sum() < 50:
        raise MeasurementError("too little of the bead and of the sheet beside it is in the picture")
    return inner, outer


def courses(strip: Strip, centre: Floats, half: Floats) -> tuple[Floats, Floats, Floats]:
    """Slow course of both edges, px to the left of the axis, and how much of the usual contrast each column has."""
    width = 2 * float(np.median(half))
    features = _features(strip)
    inner, outer = _zones(strip, centre, half, 0.3)
    value = features @ _telling(features, inner, outer).astype(np.float32)
    value = gaussian_filter1d(value, max(2.0, 0.15 * width), axis=1)
    rows = np.arange(strip.light.shape[0])[:, None]
    out = []
    for inward in (1, -1):
        slope = inward * gaussian_filter1d(value, max(1.2, 0.06 * width), axis=0, order=1)
        off = inward * (strip.rows(centre) - rows)
        slope = np.where((off > 0.1 * width) & (off < 1.1 * width), slope, slope.min())
        usual = float(np.median(slope.max(axis=0))) or 1e-9
        path = best_path(np.clip(slope / abs(usual), -1, 1.5).astype(np.float64), 0.1, reach=2)
        smooth = gaussian_filter1d(path.astype(np.float64), max(3.0, 0.2 * width), mode="nearest")
        out.append((strip.first_left - smooth, slope[path, np.arange(slope.shape[1])] / abs(usual)))
    (upper, one), (lower, other) = out
    contrast = uniform_filter1d(np.minimum(one, other), max(3, int(width)))
    return upper, lower, np.minimum(contrast, _level(strip, value, (upper + lower) / 2, width))


def _level(strip: Strip, value: Image, middle: Floats, width: float) -> Floats:
    """How much of the usual difference from the sheet the middle of the bead shows in each column."""
    away = np.abs(np.arange(value.shape[0])[:, None] - strip.rows(middle)) / width
    inner, outer = away < 0.25, (away > 0.7) & (away < 1.1)
    apart = (value * inner).sum(axis=0) / np.maximum(inner.sum(axis=0), 1)
    apart -= (value * outer).sum(axis=0) / np.maximum(outer.sum(axis=0), 1)
    usual = float(np.median(apart[(strip.along > strip.axis.start) & (strip.along < strip.axis.stop)]))
    return np.asarray(
        uniform_filter1d(apart / (abs(usual) + 1e-9) * np.sign(usual or 1.0), max(3, int(0.5 * width)))
    )


def _pair(
    strip: Strip, centre: Floats, half: Floats, by_texture: bool, smoothing: float
) -> tuple[Edge, Edge]:
    """Both edges by tone or by texture, px to the left of the axis."""
    width = 2 * float(np.median(half))
    inner, outer = _zones(strip, centre, half, min(0.3, 3 / (0.5 * width)))
    if by_texture:
        part = _roughness(strip.light.mean(axis=2))
        level = float(part[outer].mean())
        part = (part - level) / (float(part[inner].mean()) - level)
    else:
        part = strip.light @ _telling(strip.light, inner, outer).astype(np.float32)
    room = float(np.clip(0.4 * width, 6, 40))
    deep = float(np.clip(0.35 * width, 6, 16))
    edges = []
    for inward, place in ((1, centre + half), (-1, centre - half)):
        edge = trace_edge(part, strip.rows(place), inward, room=room, smoothing=smoothing, deep=deep)
        edges.append(replace(edge, left=place - inward * edge.left))
    return edges[0], edges[1]


def _seen(strip: Strip, left: Edge, right: Edge, width: float) -> Mask:
    """Columns in which both edges are seen."""
    window = max(5, int(0.4 * width))
    steps = np.minimum(uniform_filter1d(left.step, window), uniform_filter1d(right.step, window))
    column = np.arange(len(steps))
    there = np.ones(len(steps), dtype=bool)
    for edge, aside in ((left, 3), (right, -3)):
        row = np.clip(np.rint(strip.rows(edge.left + aside)).astype(int), 0, strip.inside.shape[0] - 1)
        there &= strip.inside[row, column]
    wide = left.left - right.left
    return np.asarray((steps > _LEAST_STEP) & there & (wide > 0.4 * np.median(wide)))


def _judged(seen: Mask, left: Edge, right: Edge, width: float) -> Mask:
    """Columns seen, a width away from the ends of every stretch; stretches shorter than a width do not count."""
    judged = np.zeros_like(seen)
    padded = np.concatenate([[False], seen, [False]]).astype(int)
    begins, ends = np.flatnonzero(np.diff(padded) == 1), np.flatnonzero(np.diff(padded) == -1)
    keep = round(width)
    # A column or two without an edge are no end.
    merged: list[list[int]] = []
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        if merged and begin - merged[-1][1] < 0.5 * width:
            merged[-1][1] = end
        else:
            merged.append([begin, end])
    for begin, end in merged:
        if end - begin > 3 * keep:
            judged[begin + keep : end - keep] = True
    judged &= seen
    if judged.sum() < max(3 * width, 40):
        raise MeasurementError(
            "the edges of the bead are not seen along three widths of it: take the photo closer, sharper, "
            "or with light "
            "from another side"
        )
    return judged
