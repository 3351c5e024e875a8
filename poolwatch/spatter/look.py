"""What the first look learns of a clip: its ground, its noise, its point spread."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ..model.pixels import by_depth
from ..model.together import shares, together
from .alarms import alarm_factor
from .facts import NOTHING_BEHIND, Residual, SpatterLook, facts_of, work_arrays
from .filtering import above_ground, overall_gain, pool_spans, residual_of, smooth
from .noise import ROUNDING, finest, noise_model, upper_spread
from .ordering import sort_columns
from .point_spread import NARROWER, find_point_spread, lens_spread, rough_sightings, stand_in
from .segmenting import prepare
from .settings import SpatterSettings
from .uncovered import uncovered_ground

# Noise of the binomial 3x3 mean over that of a pixel: sqrt(sum of squared weights).
SMOOTHED_NOISE = 0.375
_LATTICE = 4
# Of residuals every other pixel, for what is left of the metal's edges is narrow; what the largest of nine estimates of
# noise is taken for.
_FINE_LATTICE, _LARGEST = 2, 0.85
# Standard deviations below the ground from which a pixel of a residual is none of it.
_BELOW = 4.0
# Variance of a dark pixel up to which there is hardly any noise but that of rounding, squared grey values.
_QUIET = 3 * ROUNDING


def learn(
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    *,
    full_scale: float,
    outlines: Sequence[NDArray[np.floating]] | None = None,
    settings: SpatterSettings | None = None,
    edge_sigma_px: float | None = None,
    behind: NDArray[np.uint16] = NOTHING_BEHIND,
) -> SpatterLook:
    """Learn ground, noise and point spread from frames spread over the clip.

    Parameters
    ----------
    sample
        Frames, shape (n, h, w), native depth; 40 to 100 of them, spread evenly. Particles in them do not matter.
    full_scale
        Grey value that is brightness 1.
    outlines
        The pool's outline in each of them, shape (k, 2) px, (0, 2) where none was found; None: there is no pool.
    settings
        See `SpatterSettings`.
    edge_sigma_px
        Spread of the pool's edge, px, pixel included: stands in where the particles tell no point spread.
    behind
        Where frames are residuals (see `illuminated.ground.stand_out`), in which things stand out to either side and
        edges of the metal may be left: what they were held against, shape as theirs.

    Raises
    ------
    ValueError
        The sample has no frames, they are less than 3 px wide or high, or the outlines do not match it.
    """
    settings = settings or SpatterSettings()
    if sample.ndim != 3 or len(sample) == 0:
        raise ValueError(f"the sample must have shape (n, height, width) with n > 0, got {sample.shape}")
    if min(sample.shape[1:]) < 3:
        raise ValueError(
            f"frames of {sample.shape[2]} x {sample.shape[1]} px are too small to look for particles in; give at least "
            "3 px each way"
        )
    if outlines is not None and len(outlines) != len(sample):
        raise ValueError(f"one outline a frame is needed: {len(sample)} frames, {len(outlines)} outlines")
    # One kind of array, so that the kernels are compiled once.
    sample = np.ascontiguousarray(sample, dtype=np.uint16)
    _, h, w = sample.shape
    even, both_ways = settings.background == "even", behind.size > 0
    dark = settings.polarity == "dark"
    sign, offset = (-1.0, float(full_scale)) if dark else (1.0, 0.0)
    background = _ground(sample, even, dark, float(full_scale))
    hidden = _hidden(outlines, h, w, settings.pool_margin_px + 4.0)
    black = float(np.percentile(background[~hidden], 0.5)) if (~hidden).any() else 0.0
    look = SpatterLook(
        background=background,
        threshold=np.full((h, w), 3e38, dtype=np.float32),
        read=1.0,
        shot=0.0,
        psf_sigma_px=settings.psf_sigma_px or 1.0,
        psf_u_px=0.0,
        psf_source="given",
        full_scale=float(full_scale),
        full_level=_full_level(background, even, dark, float(full_scale)),
        detection_level=settings.detection_level,
        places=np.zeros((2, 0), dtype=np.int64),
        black=black,
        sign=sign,
        offset=offset,
        even=even,
        flicker=0.0,
    )
    read, shot, lattice, look = _scatter(sample, outlines, look, settings, hidden, fine=both_ways)
    floor = np.sqrt(np.maximum(read + shot * (offset + sign * background if dark else background), 1 / 12))
    spread = SMOOTHED_NOISE * floor
    if settings.background == "learned" and len(sample) >= 8:
        spread = np.maximum(spread, lattice)
    look = replace(
        look, read=read, shot=shot, threshold=np.asarray(settings.detection_level * spread, dtype=np.float32)
    )
    if both_ways:
        look = replace(look, below=_BELOW * float(np.median(floor)))
    if settings.background == "learned" and not dark and len(sample) >= 8 and read <= _QUIET:
        # Quiet places with hardly any noise: a codec or a clipped black took it away, and the model cannot speak for
        # the rest of the picture.
        factor = alarm_factor(sample, outlines, look, settings)
        look = replace(
            look, threshold=look.threshold * np.float32(factor), detection_level=look.detection_level * factor
        )
    if settings.psf_sigma_px is not None:
        return look
    rough = rough_sightings(sample, outlines, look, settings, behind)
    if settings.background == "learned" and not dark and len(sample) >= 8:
        look = replace(look, background=uncovered_ground(sample, look.background, rough))
    sigma, u, source = find_point_spread(sample, outlines, look, settings, rough, edge_sigma_px, behind)
    lossy = look.detection_level > settings.detection_level
    if lossy and edge_sigma_px is not None and sigma < NARROWER * lens_spread(edge_sigma_px):
        # Blocks cut a particle's picture off: it looks sharper than the lens draws anything.
        sigma, u, source = stand_in(edge_sigma_px)
    return replace(look, psf_sigma_px=sigma, psf_u_px=u, psf_source=source)


def _ground(
    sample: NDArray[np.unsignedinteger], even: bool, dark: bool, full_scale: float
) -> NDArray[np.float32]:
    """Mean of the middle half over time: as robust as a median, and not bound to whole grey values."""
    n, h, w = sample.shape
    if even:
        ground = np.full((h, w), float(np.median(sample)), dtype=np.float32)
    else:
        ground = np.empty((h, w), dtype=np.float32)
        low, high = n // 4, n - n // 4
        for y0 in range(0, h, 16):
            strip = sample[:, y0 : y0 + 16].reshape(n, -1).copy()
            sort_columns(strip)
            ground[y0 : y0 + 16] = strip[low:high].mean(axis=0, dtype=np.float64).reshape(-1, w)
    return full_scale - ground if dark else ground


def _full_level(background: NDArray[np.float32], even: bool, dark: bool, full_scale: float) -> float:
    """Working grey from which a pixel is full: full scale, or half-way into a shadow on an even ground."""
    if even and dark:
        ground = float(np.median(background))
        return ground + 0.5 * (full_scale - ground)
    return 0.998 * full_scale


def _hidden(
    outlines: Sequence[NDArray[np.floating]] | None, h: int, w: int, margin: float
) -> NDArray[np.bool_]:
    hidden = np.zeros((h, w), dtype=np.bool_)
    left, right = np.zeros(h, dtype=np.int64), np.zeros(h, dtype=np.int64)
    for outline in outlines or ():
        pool_spans(np.ascontiguousarray(outline, dtype=np.float64), margin, left, right)
        for y in np.flatnonzero(left <= right):
            hidden[y, max(left[y], 0) : right[y] + 1] = True
    return hidden


def _scatter(
    sample: NDArray[np.unsignedinteger],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    settings: SpatterSettings,
    hidden: NDArray[np.bool_],
    *,
    fine: bool,
) -> tuple[float, float, NDArray[np.float32], SpatterLook]:
    """Noise model of a pixel, scatter of the smoothed picture, and the look with its flicker."""
    n, h, w = sample.shape
    nothing = np.zeros((0, 2))
    margin = settings.pool_margin_px + 4.0
    light = look.background - look.black
    usable = ~hidden & (look.background < 0.9 * look.full_scale) & (light > 0.02 * look.full_scale)
    candidates = np.flatnonzero(usable)
    places = np.zeros((2, 0), dtype=np.int64)
    flicker = 0.0

    frames = by_depth(sample)

    def outline_of(i: int) -> NDArray[np.float64]:
        return nothing if outlines is None else np.ascontiguousarray(outlines[i], dtype=np.float64)

    if settings.background == "learned" and candidates.size >= 200:
        order = np.argsort(-light.ravel()[candidates], kind="stable")[:1000]
        chosen = np.sort(candidates[order])
        spots = np.array(np.divmod(chosen, w))
        facts = facts_of(replace(look, places=spots), margin)

        def gains_of(some: range) -> list[float]:
            left, right = np.empty(h, dtype=np.int64), np.empty(h, dtype=np.int64)
            gains = []
            for i in some:
                pool_spans(outline_of(i), margin, left, right)
                gains.append(float(overall_gain(sample[i], facts, left, right)))
            return gains

        gains = np.concatenate(together(gains_of, shares(n)))
        middle = float(np.median(gains))
        flicker = float(1.4826 * np.median(np.abs(gains - middle)))
        if flicker * float(np.median(light.ravel()[chosen])) > 0.25:
            places = spots
    step = _FINE_LATTICE if fine else _LATTICE
    ys, xs = np.arange(step // 2, h, step), np.arange(step // 2, w, step)
    seen = np.empty((n, ys.size, xs.size), dtype=np.float32)
    raw, finer = np.empty_like(seen), np.empty_like(seen)
    facts = facts_of(replace(look, places=places), margin)

    def look_through(some: range) -> None:
        work, res = work_arrays(h, w), np.empty((h, w), dtype=np.float32)
        for i in some:
            gain = prepare(frames, i, outline_of(i), facts, work)
            residual = Residual(frames, i, facts.ground, gain)
            smooth(residual, work.canvas, 0, h, 0, w)
            residual_of(residual, res)
            seen[i] = work.canvas.picture[np.ix_(ys, xs)]
            above_ground(res, work.canvas.calm, ys, xs, raw[i])
            finer[i] = finest(res, ys, xs)

    together(look_through, shares(n))
    away = seen < -1e29
    for values in (seen, raw, finer):
        values[away] = np.nan
    base = look.background[np.ix_(ys, xs)]
    if look.sign < 0:
        base = look.full_scale - base
    lowest = (sample[:, ys][:, :, xs] <= sample.min()).mean(axis=0)
    read, shot = noise_model(raw, finer, base, lowest, look.full_scale)
    each = upper_spread(seen)
    spread = cv2.blur(each, (3, 3), borderType=cv2.BORDER_REPLICATE)
    if fine:
        spread = np.maximum(spread, _LARGEST * cv2.dilate(each, np.ones((3, 3), dtype=np.uint8)))
    rows = np.minimum(np.arange(h) // step, ys.size - 1)
    cols = np.minimum(np.arange(w) // step, xs.size - 1)
    return read, shot, spread[np.ix_(rows, cols)], replace(look, places=places, flicker=flicker)
