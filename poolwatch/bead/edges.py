"""Both edges of the bead: what tells bead from sheet, the paths along it, what is judged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, uniform_filter1d

from ..model.errors import MeasurementError
from .border import cut_off
from .facts import Edge, Edges, Floats, Image, Mask, Strip
from .looks import CUT, alike
from .placing import EdgePlace, Profile, place_edges
from .straight import even_light
from .tracing import Trace, best_path, trace_edge

# Width of the bead in the strip that its slow course is followed in, px.
_COURSE_PX = 40.0
# Columns over which texture is told from tone that changes along the bead, standard deviation in px.
_FINE = 4.0
# Sheet and bead that differ by less than this share in tone differ by their texture alone.
_ALIKE_TONE = 0.05
# Standard deviations by which brightness differs where colour is left out.
_BY_BRIGHTNESS = 4.0
# Brightness of blue, green and red as JPEG takes it.
_LUMA = np.array([0.114, 0.587, 0.299])
# Least uncertainty of where in its spread an edge lies, as a share of that.
_LEAST_BIAS_U = 0.05
# Widths that are tried for the bead, over the one it was found with; how far from there its middle is looked for, and
# its edges from where these would be, in widths.
_WIDTHS = (0.8, 0.9, 1.0, 1.1, 1.25)
_MIDDLE_ROOM, _EDGE_ROOM = 0.45, 0.2
# Share of the usual difference from the sheet below which a column does not show the bead.
_LEAST_LEVEL = 0.15
# Courses are not known better than this, px: grain and noise are not all that moves them.
_LEAST_UNSTEADY = 0.3
# Share of the usual step below which a column does not show the edge.
_LEAST_STEP = 0.35


def find_edges(strip: Strip) -> tuple[Strip, Edges]:
    """Find both edges; also gives the strip freed of uneven light.

    Raises
    ------
    MeasurementError
        They are not seen along a length of three widths.
    """
    centre, half, contrast = _slow_course(strip)
    even = even_light(strip, centre, half)
    width = 2 * float(np.median(half))
    room = float(np.clip(0.4 * width, 6, 40))
    deep = float(np.round(np.clip(0.35 * width, 6, 12)))
    traces = tuple(
        trace_edge(even.light, strip.rows(place), inward, room=room, deep=deep)
        for inward, place in ((1, centre + half), (-1, centre - half))
    )
    placed, by_texture = _placed(traces)
    left, right = (
        Edge(
            # What the search makes of a known edge on the mean is taken off.
            place - inward * (trace.place + profile.offset - _mean_noise(trace)),
            trace.step,
            -inward * trace.noise,
            profile.blur,
            max(profile.offset_u, _LEAST_BIAS_U * profile.blur),
        )
        for trace, profile, inward, place in zip(
            traces, placed, (1, -1), (centre + half, centre - half), strict=True
        )
    )
    seen = _seen(strip, left, right, width) & (contrast > _LEAST_LEVEL)
    return even, Edges(left, right, seen, _judged(seen, left, right, width), by_texture)


def _placed(traces: Sequence[Trace]) -> tuple[tuple[EdgePlace, ...], bool]:
    """Where the edges lie in what was followed."""
    profiles, by_texture = [], True
    every = round(1 / (traces[0].places[1] - traces[0].places[0]))
    x = traces[0].places[::every]
    for trace in traces:
        colours = trace.profile[::every, trace.step > _LEAST_STEP].astype(np.float64)
        grey = colours @ _LUMA if colours.shape[2] == 3 else colours[..., 0]
        tones = [grey]
        if colours.shape[2] == 3 and not _differs(grey):
            tones += [colours[..., 0] - grey, colours[..., 2] - grey]
        means, covariances = [], []
        for tone in tones:
            tone = cut_off(tone, axis=1)
            pieces = max(tone.shape[1] / alike(tone, 1), 2.0)
            means.append(tone.mean(axis=1))
            covariances.append(np.cov(tone) / pieces)
        fine = grey - gaussian_filter1d(grey, _FINE, axis=1)
        # Where bead and sheet take turns, the rougher one counts.
        limit = CUT * 1.4826 * maximum_filter1d(np.median(np.abs(fine), axis=1), 5)[:, None]
        variance = np.mean(np.clip(fine, -limit, limit) ** 2, axis=1) + 1e-8
        sizes = _size(fine[x < -2]), _size(fine[x > 2])
        pieces = max(fine.shape[1] / alike(fine, 1), 2.0)
        unsteady = max(float(np.std(trace.noise[trace.step > _LEAST_STEP])), _LEAST_UNSTEADY)
        mean, covariance = np.stack(means, axis=1), np.stack(covariances)
        profiles.append(Profile(mean, covariance, variance, pieces, sizes, unsteady))
        by_texture &= abs(float(means[0][-3:].mean() - means[0][:3].mean())) < _ALIKE_TONE
    return place_edges(x, profiles), by_texture


def _mean_noise(trace: Trace) -> float:
    return float(np.mean(trace.noise[trace.step > _LEAST_STEP]))


def _size(fine: Floats) -> float:
    """Correlation length across, px: the spread of white noise whose neighbours are as alike."""
    alike_ = float(np.mean(fine[1:] * fine[:-1]) / np.mean(fine * fine))
    return 0.5 / math.sqrt(-math.log(float(np.clip(alike_, 0.2, 0.95))))


def _differs(grey: Floats) -> bool:
    """Whether brightness alone shows the edge: JPEG keeps colour at half the resolution and mixes it across edges."""
    bead, sheet = grey[-3:], grey[:3]
    spread = float(np.sqrt((bead.var() + sheet.var()) / 2))
    return abs(float(bead.mean() - sheet.mean())) > _BY_BRIGHTNESS * spread


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


def _features(strip: Strip) -> Image:
    """Light of each channel, and roughness, averaged a little: shape (rows, columns, k)."""
    light = cv2.GaussianBlur(strip.light, (0, 0), 1.5).reshape(*strip.light.shape)
    rough = _roughness(strip.light.mean(axis=2))
    rough = cv2.GaussianBlur(rough, (0, 0), 3.0)
    return np.concatenate([light, np.log(rough + 1e-3)[..., None]], axis=2)


def _roughness(grey: Image) -> Image:
    """Departure of each pixel from its surroundings; not squared, or single grains would outweigh the rest."""
    return np.asarray(np.abs(grey - cv2.GaussianBlur(grey, (0, 0), 1.2)))


def _telling(bead: Floats | Image, sheet: Floats | Image) -> Floats:
    """Weights of the features (n, k) that tell bead from sheet best (Fisher 1936), so that bead minus sheet is 1."""
    apart = bead.mean(axis=0, dtype=np.float64) - sheet.mean(axis=0, dtype=np.float64)
    within = np.atleast_2d(np.cov(bead.T) + np.cov(sheet.T)) / 2
    within = within + 1e-9 * np.eye(len(apart)) + np.diag(np.diag(within)) * 0.05
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
    value = features @ _telling(features[inner], features[outer]).astype(np.float32)
    value = gaussian_filter1d(value, max(2.0, 0.15 * width), axis=1)
    rows = np.arange(strip.light.shape[0])[:, None]
    slope = gaussian_filter1d(value, max(1.2, 0.06 * width), axis=0, order=1)
    middle, half_width = _middle(slope, strip.rows(centre), width)
    out = []
    for inward in (1, -1):
        off = inward * (middle - rows) - half_width
        slope_in = np.where(np.abs(off) < _EDGE_ROOM * width + 1.5, inward * slope, -np.inf)
        usual = float(np.median(slope_in.max(axis=0))) or 1e-9
        path = best_path(np.clip(slope_in / abs(usual), -1, 1.5).astype(np.float64), 0.1, reach=2)
        smooth = gaussian_filter1d(path.astype(np.float64), max(3.0, 0.2 * width), mode="nearest")
        out.append((strip.first_left - smooth, slope_in[path, np.arange(slope.shape[1])] / abs(usual)))
    (upper, one), (lower, other) = out
    contrast = uniform_filter1d(np.minimum(one, other), max(3, int(width)))
    return upper, lower, np.minimum(contrast, _level(strip, value, (upper + lower) / 2, width))


def _middle(slope: Image, about: Floats, width: float) -> tuple[Floats, float]:
    """Row of the bead's middle in each column, and half its width: a rise and a fall that far apart, both there.

    Each edge for itself would be drawn to what is steeper than it inside the bead, such as light on its crown.
    """
    count = len(slope)
    usual = float(np.median(np.abs(slope).max(axis=0))) or 1e-9
    steep = np.clip(slope / usual, -1, 1).astype(np.float64)
    near = np.abs(np.arange(count)[:, None] - about) < _MIDDLE_ROOM * width
    best: tuple[float, float, Floats] | None = None
    for half in sorted({round(factor * width / 2) for factor in _WIDTHS}):
        both = np.full(slope.shape, -1.0)
        rows = slice(half, count - half)
        both[rows] = np.minimum(steep[: count - 2 * half], -steep[2 * half :])
        both = np.where(near, both, -1.0)
        evidence = float(both.max(axis=0).mean())
        if best is None or evidence > best[0]:
            best = evidence, float(half), both
    assert best is not None
    return best_path(best[2], 0.1, reach=2).astype(np.float64), best[1]


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
            "no weld bead found whose edges are seen along three widths of it: check that the photo shows a weld; "
            "take it closer, sharper, or with light from another side"
        )
    return judged
