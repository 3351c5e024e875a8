"""The point spread, found from the edges of bright particles in a sample of the clip."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..model.pixels import Frames, by_depth
from ..model.together import shares, together
from .detecting import detect
from .estimates import imaging_of
from .facts import NOTHING_BEHIND, Residual, SpatterLook, Work, facts_of, work_arrays
from .fitting import CLOSELY, FitProblem, blur_of, descend, equations_for, noise_of, veil
from .least_squares import inverse
from .parameters import (
    FLUX,
    PARAMETERS,
    SPREAD,
    STREAK_M,
    STREAK_N,
    Imaging,
    Pixels,
    X,
    Y,
    pixels_at,
)
from .records import BORDER, CROWDED, RIM, UNFITTED
from .searching import packed
from .segmenting import clear, find_regions
from .settings import SpatterSettings
from .window import BOX, window

# Particles that are tried, the clearest first, and times the detection level from which one is worth a try.
_TRIED, _CLEAR = 120, 1.6
_SIGMAS = np.exp(np.linspace(np.log(0.3), np.log(6.0), 25))
ASSUMED, _UNSURE = 0.8, 0.3
# What a pixel's area (1/12) and looking between pixels (1/6) add to the variance of the pool's edge, px².
_EDGE_PIXEL = 1 / 12 + 1 / 6
# Standard uncertainties of its anisotropy from which a streak is told.
_STREAK_TOLD = 3.0
# The fine ladder about a width, and how many times it is moved on where the best lies at its end.
_FINE, _LADDERS = np.exp(np.linspace(-0.12, 0.12, 9)), 4
# A disc fitted to a bell of variance v by least squares has a variance of 0.63 v: its edge lies where the bell has half
# of the disc's height, its height is the bell's mean inside, 2 x exp(-x) = 1 - exp(-x) at x = 1.256 = R²/2v, and R²/4
# is the disc's variance.
_BELL_AS_DISC = 0.63
# A point spread below this share of what the pool's edge shows is that of flickers or of blocks.
NARROWER = 0.6
# Fewest sightings that a jackknife is taken of, and into how many runs of neighbours in time they are parted.
_FEWEST, _BLOCKS = 4, 12
# No lens is a Gaussian to better than this share of its width.
_GAUSSIAN = 0.0015


def rough_sightings(
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    settings: SpatterSettings,
    behind: NDArray[np.uint16] = NOTHING_BEHIND,
) -> NDArray[np.void]:
    """What stands out in the sample, fitted as if the point spread were 1 px; `behind` see `facts.Ground`."""
    look = replace(look, psf_sigma_px=1.0)
    return detect(sample, outlines, look, settings, threads=True, behind=behind)


def find_point_spread(
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    settings: SpatterSettings,
    rough: NDArray[np.void],
    edge_sigma_px: float | None = None,
    behind: NDArray[np.uint16] = NOTHING_BEHIND,
) -> tuple[float, float, str]:
    """Width of the point spread that explains the particles of the sample best; `behind` see `facts.Ground`.

    Each clear particle is fitted at a ladder of widths; its chi-square over the width, scaled to the noise that
    it shows, is a likelihood. Particles out of focus would drag a plain sum, so the sum is taken
    over the sharpest group whose single answers agree, and the uncertainty comes from their scatter.

    Returns
    -------
    tuple
        Standard deviation in px (pixel not included), its standard uncertainty, and ``found``, ``pool_edge`` or
        ``assumed``.
    """
    bad = UNFITTED | BORDER | RIM | CROWDED
    candidates = rough[
        ((rough["mark"] & bad) == 0) & (rough["signal"] > _CLEAR * look.detection_level) & (rough["peak"] > 0)
    ]
    order = np.argsort(
        -candidates["signal"].astype(np.float64) * np.sqrt(np.maximum(candidates["spread"], 0.3)),
        kind="stable",
    )
    candidates = np.sort(candidates[order[:_TRIED]], order=["frame", "y", "x"])
    pictures = _Pictures(by_depth(sample), outlines, look, settings, behind)
    coarse = _all_curves(pictures, candidates, _SIGMAS, sparse=True)
    told = {k: answer for k, curve in coarse.items() if (answer := _minimum(_SIGMAS, curve)) is not None}
    members, sigma, u = _sharpest(np.array(list(told.values())).reshape(-1, 2))
    # No picture is narrower than the point spread.
    width2 = (
        candidates["spread"]
        - np.hypot(candidates["streak_m"], candidates["streak_n"]) / 24
        + blur_of(1.0) ** 2
    )
    # Fitted with a spread of 1 px, a wider bell is taken for a disc, and looks narrower than it is.
    rough2, found2 = blur_of(1.0) ** 2, blur_of(sigma) ** 2
    seen_as = _BELL_AS_DISC + (1.0 - _BELL_AS_DISC) * min(rough2 / max(found2, 1e-9), 1.0)
    if not len(members) or seen_as * found2 > 1.3 * float(np.percentile(width2, 10)):
        return stand_in(edge_sigma_px)
    # Again for the group, on a fine ladder: the sum of chi-squares, because a mean of single answers would lean
    # to the narrow ones, whose own uncertainties are smaller.
    # With those that tell no width but do not contradict it: a small particle tells an upper bound at most, and to take
    # only those whose noise happens to make it a width would lean to the narrow side.
    group = _agreeing(coarse, told, sigma)
    fine, curves = sigma * _FINE, dict[int, NDArray[np.float64]]()
    for _ in range(_LADDERS):
        more = np.array(sorted(group - set(curves)), dtype=np.intp)
        new = _all_curves(pictures, candidates[more], fine, sparse=False)
        curves |= {int(more[k]): curve for k, curve in new.items()}
        curves |= {int(k): np.full(len(fine), np.nan) for k in more if int(k) not in curves}
        summed = np.array([c for k, c in sorted(curves.items()) if k in group and not np.isnan(c).any()])
        if not len(summed):
            break
        best = _minimum(fine, summed.sum(axis=0))
        if best is None:
            # The best lies beyond the ladder's end: the mean of single answers was that far off.
            end = int(np.argmin(summed.sum(axis=0)))
            if end not in (0, len(fine) - 1) or not np.isfinite(summed[:, end]).all():
                break
            sigma = float(fine[end])
            fine, curves = sigma * _FINE, {}
            continue
        sigma = best[0]
        u = _left_out(fine, summed) or u
        # Who agrees with this width may not be quite who agreed with the first.
        before, group = group, _agreeing(coarse, told, sigma)
        if group == before:
            break
    if u > 0.2 * sigma:
        return stand_in(edge_sigma_px)
    return sigma, float(np.hypot(u, _GAUSSIAN * sigma)), "found"


def stand_in(edge_sigma_px: float | None) -> tuple[float, float, str]:
    """The point spread where particles do not tell it: what the pool's edge shows, for it was filmed by the same lens;
    without a pool, what a lens in focus gives."""
    if edge_sigma_px is None:
        return ASSUMED, _UNSURE * ASSUMED, "assumed"
    sigma = lens_spread(edge_sigma_px)
    return sigma, _UNSURE * sigma, "pool_edge"


def lens_spread(edge_sigma_px: float) -> float:
    """Point spread without the pixel, px, that the spread of the pool's edge shows where the edge is a sharp step."""
    return math.sqrt(max(edge_sigma_px**2 - _EDGE_PIXEL, 0.3**2))


def _agreeing(
    curves: dict[int, NDArray[np.float64]], answers: dict[int, tuple[float, float]], sigma: float
) -> set[int]:
    """Places of the sightings whose answer agrees with a width or, where they have none, that do not contradict it."""
    agreeing = set()
    for k, curve in curves.items():
        if k in answers:
            value, u = answers[k]
            agrees = abs(value - sigma) < 3.0 * np.hypot(u, 0.01 * value)
        else:
            agrees = _allows(_SIGMAS, curve, sigma)
        if agrees:
            agreeing.add(k)
    return agreeing


def _allows(sigmas: NDArray[np.float64], curve: NDArray[np.float64], sigma: float) -> bool:
    """Whether a width lies within three standard deviations of the best by a curve of chi-square."""
    known = np.isfinite(curve)
    here = float(np.interp(np.log(sigma), np.log(sigmas[known]), curve[known]))
    return here - float(curve[known].min()) < 9.0


def _left_out(sigmas: NDArray[np.float64], curves: NDArray[np.float64]) -> float | None:
    """Standard uncertainty of the width of the summed curves from leaving some out in turn (the jackknife, Efron and
    Stein 1981, Annals of Statistics 9, 586-596); None where a sum tells no width or there are too few.

    Those left out together are neighbours in time: sightings of one particle err alike (Künsch 1989, Annals of
    Statistics 17, 1217-1241).
    """
    if len(curves) < _FEWEST:
        return None
    total, blocks = curves.sum(axis=0), np.array_split(curves, min(len(curves), _BLOCKS))
    # A width that one of them could not be fitted with stays out, whichever is left out.
    told = [_minimum(sigmas, total - np.where(np.isfinite(some), some, 0.0).sum(axis=0)) for some in blocks]
    widths, n = np.array([answer[0] for answer in told if answer is not None]), len(blocks)
    if len(widths) < n:
        return None
    return float(np.sqrt((n - 1) / n * ((widths - widths.mean()) ** 2).sum()) * (1 + 2 / n))


def _sharpest(answers: NDArray[np.float64]) -> tuple[NDArray[np.intp], float, float]:
    """The sharpest group of answers (width, uncertainty) that agree: their places, mean and its uncertainty.

    What is out of focus, or soft by nature (plume, hot marks), looks wider, never narrower: so the group that
    counts is the narrowest one that holds at least a sixth of the answers, each counted as it tells its width, at most
    as one: vague answers scatter to either side, and a few that happen to lie low are no group. No places where there
    is none.
    """
    value, u = answers[:, 0], np.hypot(answers[:, 1], 0.01 * answers[:, 0])
    counts = np.minimum((np.median(u) / u) ** 2, 1.0) if len(u) else u
    needed = float(counts.sum()) / 6
    for i in np.argsort(value, kind="stable"):
        near = np.abs(value - value[i]) < 2.5 * np.hypot(u, u[i])
        near &= u < max(3.0 * float(np.median(u)), 0.05)
        if near.sum() < 2 or counts[near].sum() < needed or not near[i]:
            continue
        sigma = float(value[i])
        for _ in range(10):
            near = np.abs(value - sigma) < 3.0 * u
            if near.sum() < 2:
                break
            weight = 1.0 / u[near] ** 2
            sigma = float((weight * value[near]).sum() / weight.sum())
        if near.sum() < 2 or counts[near].sum() < needed:
            continue
        count = int(near.sum())
        chi = float((weight * (value[near] - sigma) ** 2).sum()) / (count - 1)
        # The floor in `u` is for agreeing; how well the group knows its mean is told by its own scatter.
        return np.flatnonzero(near), sigma, float(np.sqrt(max(chi, 0.1) / weight.sum()) * (1 + 2 / count))
    return np.zeros(0, dtype=np.intp), 0.0, 0.0


class _Pictures(NamedTuple):
    """A sample, the pool's outlines in it, and what is known of it."""

    frames: Frames
    outlines: Sequence[NDArray[np.floating]] | None
    look: SpatterLook
    settings: SpatterSettings
    behind: NDArray[np.uint16]


def _all_curves(
    pictures: _Pictures, candidates: NDArray[np.void], sigmas: NDArray[np.float64], *, sparse: bool
) -> dict[int, NDArray[np.float64]]:
    """Chi-square over the ladder for each sighting of `candidates` that can be fitted, by its place there."""
    numbers = np.unique(candidates["frame"])

    def of_run(run: range) -> dict[int, NDArray[np.float64]]:
        work = work_arrays(*pictures.look.background.shape)
        found: dict[int, NDArray[np.float64]] = {}
        for frame in numbers[run.start : run.stop]:
            places = np.flatnonzero(candidates["frame"] == frame)
            for k, curve in _curves(pictures, int(frame), candidates[places], sigmas, work, sparse):
                found[int(places[k])] = curve
        return found

    return {k: curve for part in together(of_run, shares(len(numbers))) for k, curve in part.items()}


def _curves(
    pictures: _Pictures,
    k: int,
    chosen: NDArray[np.void],
    sigmas: NDArray[np.float64],
    work: Work,
    sparse: bool,
) -> list[tuple[int, NDArray[np.float64]]]:
    """Chi-square over the ladder of widths, one curve a sighting of frame `k` that can be fitted, with its place."""
    frames, outlines, look, settings, behind = pictures
    outline = packed(None if outlines is None else outlines[k : k + 1], 1)
    frame = frames[0][k : k + 1], frames[1][k : k + 1]
    facts = facts_of(look, settings.pool_margin_px + 4.0, behind[k : k + 1])
    _frame, gain, _count, used_pixels = find_regions(frame, 0, *outline, facts, work)
    imaging = imaging_of(look)._replace(blur=blur_of(1.0))
    residual = Residual(frame, 0, facts.ground, gain)
    h, w = work.owner.shape
    curves = []
    for place, one in enumerate(chosen):
        y, x = min(max(round(float(one["y"])), 0), h - 1), min(max(round(float(one["x"])), 0), w - 1)
        top = float(one["peak"]) * look.full_level
        n, _full = window(residual, work, int(work.owner[y, x]), _box_of(one), top, look.even)
        if n < 4 * PARAMETERS:
            continue
        pixels = pixels_at(work.values, slice(n))
        ground_sd = float(np.sqrt(look.read + look.shot * max(float(np.median(pixels.ground)), 0.0)))
        first = np.zeros(PARAMETERS)
        first[X], first[Y], first[FLUX] = one["x"], one["y"], one["flux"]
        first[SPREAD], first[STREAK_M], first[STREAK_N] = one["spread"], one["streak_m"], one["streak_n"]
        curve, used = _curve(imaging, pixels, ground_sd, first, sigmas, sparse=sparse)
        if np.isfinite(curve).sum() >= 5:
            curves.append((place, curve / max(1.0, float(curve.min()) / max(used - PARAMETERS, 1))))
    clear(work.owner, work.pixels, used_pixels)
    return curves


def _box_of(sighting: np.void) -> np.void:
    """Where the pixels of a sighting are taken from (`window.BOX`): its disc and streak, and what lies around."""
    spread, m, n = (float(sighting[name]) for name in ("spread", "streak_m", "streak_n"))
    reach = 2.2 * np.sqrt(max(spread, 0.0) + 1.0) + 4.0
    length = float(np.hypot(sighting["streak_m"], sighting["streak_n"])) ** 0.5
    angle = 0.5 * np.arctan2(n, m)
    disc = max(16.0 * spread - 2 / 3 * length**2, 0.0) ** 0.5
    across = 0.5 * disc + 5.0
    along = max(min(reach, across + 0.5 * length), across)
    box = np.zeros(1, dtype=BOX)
    box["x"], box["y"], box["cos"], box["sin"] = sighting["x"], sighting["y"], np.cos(angle), np.sin(angle)
    box["along_low"], box["along_high"] = -along, along
    box["across_low"], box["across_high"] = -across, across
    one: np.void = box[0]
    return one


def _curve(
    imaging: Imaging,
    pixels: Pixels,
    ground_sd: float,
    first: NDArray[np.float64],
    sigmas: NDArray[np.float64],
    *,
    sparse: bool,
) -> tuple[NDArray[np.float64], int]:
    """Chi-square of one sighting over the ladder, and how many pixels bear on it at most.

    `first` is its fit with the blur of `imaging`. `sparse`: every fourth width, then those about the best, for the
    curve has one valley; infinite at the others.
    """
    # One noise for all widths: a width that may choose its own would be favoured for a noisy model.
    variance, veils = np.empty(pixels.x.size), np.empty(pixels.x.size)
    veil(pixels, float(first[X]), float(first[Y]), veils)
    noise_of(imaging, pixels, first, variance)
    equations = equations_for()

    def best_at(
        sigma: float, start: NDArray[np.float64], free: int
    ) -> tuple[float, int, NDArray[np.float64]]:
        blur = blur_of(sigma)
        p = start.copy()
        p[SPREAD] += imaging.blur**2 - blur**2
        p[SPREAD] = max(p[SPREAD], float(np.hypot(p[STREAK_M], p[STREAK_N])) / 24 - 0.5 * blur**2)
        problem = FitProblem(imaging.table, blur, pixels, veils, variance, ground_sd)
        chi, used = descend(problem, CLOSELY, free, p, equations)
        return chi, used, p

    # The streak as seen with a width that comes near.
    chi, used, p, matrix = np.inf, 0, first, np.zeros((PARAMETERS, PARAMETERS))
    for sigma in sigmas[::4] if sparse else sigmas[len(sigmas) // 2 :][:1]:
        here = best_at(float(sigma), first, PARAMETERS)
        if here[0] < chi:
            (chi, used, p), matrix = here, equations.matrix.copy()
    start, free = first.copy(), PARAMETERS
    known = np.empty((PARAMETERS, PARAMETERS))
    if used > PARAMETERS and inverse(matrix, known):
        u2 = 0.5 * float(known[STREAK_M, STREAK_M] + known[STREAK_N, STREAK_N])
        u2 *= max(1.0, chi / (used - PARAMETERS))
        streak2 = float(p[STREAK_M] ** 2 + p[STREAK_N] ** 2)
        if streak2 < _STREAK_TOLD**2 * u2:
            # Noise alone shows a streak, for it has a length in whatever direction; what that takes from the disc is
            # missing in the flat top by which disc and blur are told apart. It is held at what noise does not explain.
            start[STREAK_M:] = p[STREAK_M:] * np.sqrt(max(1.0 - 2.0 * u2 / max(streak2, 1e-30), 0.0))
            free = STREAK_M
    curve, most = np.full(len(sigmas), np.inf), 0
    for step in (4, 2, 1) if sparse else (1,):
        best = int(np.argmin(curve))
        for j in range(0, len(sigmas), step):
            if np.isfinite(curve[j]) or (sparse and step < 4 and abs(j - best) > step):
                continue
            curve[j], used, _p = best_at(float(sigmas[j]), start, free)
            most = max(most, used)
    return curve, most


def _minimum(sigmas: NDArray[np.float64], curve: NDArray[np.float64]) -> tuple[float, float] | None:
    """Width at the lowest chi-square and where it rises by 1; None where the curve does not tell."""
    best = int(np.argmin(curve))
    if best == 0 or best == len(curve) - 1 or not np.isfinite(curve[best - 1 : best + 2]).all():
        return None
    step = float(np.log(sigmas[1] / sigmas[0]))
    c0, c1, c2 = curve[best - 1 : best + 2]
    bend = (c0 - 2 * c1 + c2) / step**2
    if bend <= 0:
        return None
    at = np.log(sigmas[best]) + 0.5 * (c0 - c2) / (c0 - 2 * c1 + c2) * step
    u = float(np.sqrt(2.0 / bend))
    if u > 0.5:
        return None
    # A picture narrower than the point spread says no more than that: the curve is flat from its own width on, to where
    # no blur can be narrowed so far. The end of such a floor is no answer.
    lower = curve[:best]
    lower = lower[np.isfinite(lower)]
    near = np.log(sigmas[:best][np.isfinite(curve[:best])])
    if len(near) and float(lower[near <= at - 3.0 * max(u, step)].min(initial=np.inf)) < c1 + 1.0:
        return None
    sigma = float(np.exp(at))
    return sigma, u * sigma
