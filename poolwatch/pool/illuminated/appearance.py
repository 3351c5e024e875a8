"""What liquid and solid look like in a clip, and outlines found with it: turn by turn, each better than the last."""

from __future__ import annotations

import math
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from ...model.errors import MeasurementError
from ..settings import PoolSettings
from .alignment import UsualPool, moved
from .boundary import follow, settle
from .evidence import (
    BINS,
    FINER,
    REACH,
    SEARCH,
    Counts,
    Evidence,
    MetalLight,
    against,
    learn_evidence,
    relative,
)
from .learning import neck_of
from .metal import Field, Grey
from .metal_tone import lighting_of_places, moved_lighting, plain_lighting
from .region import SHARE, Pieces, contour_of, distances, lighting_of, liquid_in, middle_of, pointed_of
from .rim import RimTone, Shading, tones_of
from .shading import no_shading, shading_of
from .usual import odds_of, top_between

# Where brightness tells little, a spread of about a pixel is taken: cost of a factor e either way.
_LENS = 150.0
# Turns of learning what liquid and solid look like, and finding outlines with it.
_TURNS = 4
# Pixels nearer to an outline than this are neither liquid nor solid, px.
_BESIDE = 1.0
# Spreads of the edge that are tried, px.
_SIGMAS = (0.6, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.2)


class PlacesSeen(NamedTuple):
    """What a frame shows of each place.

    Attributes
    ----------
    share, alone
        What rigid motion leaves unexplained of its surroundings, and of the pixel alone.
    bright, placed
        Relative brightness, and that against what metal shows there.
    odds
        Logarithm of the odds that it is liquid, before the frame is looked at.
    """

    share: Field
    alone: Field
    bright: Field
    placed: Field
    odds: Field

    def weight(self, evidence: Evidence) -> Field:
        """Weight of evidence for liquid."""
        return evidence.weight_of(self.share, self.bright, self.placed)


def evidence_of(
    centres: list[Grey],
    fields: list[tuple[Field, Field]],
    contours: list[NDArray[np.float64]],
    noise: tuple[float, float],
    forward: tuple[float, float],
    settings: PoolSettings,
    shown: UsualPool | None,
    shifts: list[tuple[int, int]],
) -> tuple[Evidence, list[MetalLight], list[NDArray[np.float64]]]:
    """What liquid and solid look like, the lighting, and outlines found with them.

    `shown` is the pool as seen over time, if it is, and `shifts` its places in the frames.
    """
    # Nothing was shaved off these contours, and a particle on the rim is in few of them.
    sizes = [math.sqrt(abs(float(cv2.contourArea(c.astype(np.float32))))) for c in contours]
    pointed = pointed_of(contours, neck_of(float(np.median(sizes))), forward)
    # Where the pool is pointed is not known yet: ahead or behind, if anywhere.
    ends = np.array([forward, (-forward[0], -forward[1])])
    shape = centres[0].shape
    usual = np.zeros(shape, dtype=np.float32) if shown is None else odds_of(shown.contour, shape)
    odds = [moved(usual, *shift) for shift in shifts]
    outlines = contours
    for turn in range(_TURNS):
        plane, gains = _plane(centres, fields, outlines)
        lights = _lights(plane, shape, shown, shifts, forward)
        bright = [relative(f, a, float(g)) for f, a, g in zip(centres, lights, gains, strict=True)]
        placed = [against(b, a) for b, a in zip(bright, lights, strict=True)]
        views = [PlacesSeen(*f, b, p, o) for f, b, p, o in zip(fields, bright, placed, odds, strict=True)]
        counts = _counted(views, outlines, noise, plane, 3.5 if turn == 0 else 2.5)
        tones = tones_of(bright, outlines)
        sigma = settings.edge_sigma_px or 1.0
        # Not before outlines are about right: metal inside of them would pass for shading.
        shading = shading_of(bright, outlines, *tones, sigma) if turn == _TURNS - 1 else no_shading()
        if turn == _TURNS - 1 and settings.edge_sigma_px is None:
            sigma = _spread(counts, tones, shading, views, outlines)
            shading = shading_of(bright, outlines, *tones, sigma)
        evidence = learn_evidence(counts, sigma, tones, shading)
        if turn == 0 and shown is not None:
            # The rim over time is blunt where the pool is pointed and wanders.
            pointed = _pointed(views, outlines, evidence, forward)
        outlines = [
            _outlined(view, o, evidence, pointed, ends, settings.vertices)
            for view, o in zip(views, outlines, strict=True)
        ]
    return evidence, lights, outlines


def _plane(
    centres: list[Grey], fields: list[tuple[Field, Field]], outlines: list[NDArray[np.float64]]
) -> tuple[tuple[float, float, float], NDArray[np.float64]]:
    """Light of the metal outside outlines, and its gain in each frame against it."""
    metal = [
        (distances(o, window.shape) < -3.0) & (window < SHARE)
        for o, (window, _) in zip(outlines, fields, strict=True)
    ]
    return lighting_of(centres, metal)


def _lights(
    plane: tuple[float, float, float],
    shape: tuple[int, int],
    shown: UsualPool | None,
    shifts: list[tuple[int, int]],
    forward: tuple[float, float],
) -> list[MetalLight]:
    """Light of the metal in each frame."""
    if shown is None:
        return [plain_lighting(plane, shape)] * len(shifts)
    light = lighting_of_places(shown.picture, shown.contour, plane, forward)
    return [moved_lighting(light, *shift) for shift in shifts]


def _counted(
    views: list[PlacesSeen],
    outlines: list[NDArray[np.float64]],
    noise: tuple[float, float],
    plane: tuple[float, float, float],
    inner: float,
) -> Counts:
    """What is seen in and around outlines, liquid from `inner` px inside on.

    Metal is counted by its brightness against what it shows at each place; liquid looks the same wherever it is.
    """
    h, w = views[0].bright.shape
    grey = plane[0] + plane[1] * (w - 1) / 2 + plane[2] * (h - 1) / 2
    both = np.zeros((2, BINS, BINS))
    share, brightness = np.zeros((2, BINS)), np.zeros((2, BINS))
    for view, outline in zip(views, outlines, strict=True):
        depth = distances(outline, (h, w))
        reach = max(0.12 * math.sqrt(float((depth > 0).sum())), 6.0)
        known = (depth > -30.0) & (view.share <= 1.0)
        within = (depth < inner + reach, (depth < -2.5) & known, (depth < -_BESIDE) & known)
        for k, (far, near, tone) in enumerate(
            (
                (within[0] & (depth > inner), within[0] & (depth > _BESIDE), view.bright),
                (*within[1:], view.placed),
            )
        ):
            share[k] += np.histogram(np.clip(view.alone[far], 0, 0.9999), BINS, (0.0, 1.0))[0]
            brightness[k] += np.histogram(np.clip(tone[far], 0, 0.9999), BINS, (0.0, 1.0))[0]
            both[k] += np.histogram2d(
                np.clip(view.share[near], 0, 0.9999), np.clip(tone[near], 0, 0.9999), BINS, ((0, 1), (0, 1))
            )[0]
    return Counts(both, share, brightness, grey / math.sqrt(noise[0] + noise[1] * grey))


def _pointed(
    views: list[PlacesSeen],
    outlines: list[NDArray[np.float64]],
    evidence: Evidence,
    forward: tuple[float, float],
) -> Pieces:
    """Where the pool is pointed, from contours off which nothing is shaved."""
    found = []
    for view, before in zip(views, outlines, strict=True):
        x, y = middle_of(before)
        contour, area = contour_of(liquid_in(view.weight(evidence) + view.odds), 0, (float(x), float(y)))
        found.append(contour if area else before)
    size = math.sqrt(float(np.median([abs(cv2.contourArea(c.astype(np.float32))) for c in found])))
    return pointed_of(found, neck_of(size), forward)


def _outlined(
    view: PlacesSeen,
    before: NDArray[np.float64],
    evidence: Evidence,
    pointed: Pieces,
    ends: NDArray[np.float64],
    vertices: int,
) -> NDArray[np.float64]:
    """Outline in one picture with what is known so far."""
    weight = view.weight(evidence)
    neck = neck_of(math.sqrt(float((distances(before, weight.shape) > 0).sum())))
    x, y = middle_of(before)
    contour, _ = contour_of(liquid_in(weight + view.odds), neck, (float(x), float(y)), pointed)
    if len(contour) < 3:
        raise MeasurementError(
            "no pool found: what rigid motion of the metal leaves unexplained is no one thing. Check that the "
            'beam is on. If the clip glows, set footage = "glowing" in [pool] of the settings'
        )
    bright = view.bright
    x, y = follow(
        weight, bright, evidence.wide, contour[:, 0].copy(), contour[:, 1].copy(), vertices, float(neck), ends
    )
    x, y, _, _ = settle(view.alone, bright, evidence.edge, x, y, SEARCH, FINER, SEARCH + REACH, float(neck))
    return np.column_stack((x, y))


def _spread(
    counts: Counts,
    tones: tuple[RimTone, RimTone],
    shading: Shading,
    views: list[PlacesSeen],
    outlines: list[NDArray[np.float64]],
) -> float:
    """Spread of the edge that fits brightness best, px: least cost over all normals of all windows.

    Brightness alone: motion shows where the edge is, but the edge moves between the frames compared, and that is
    no blur.
    """
    totals = []
    for sigma in _SIGMAS:
        edge = learn_evidence(counts, sigma, tones, shading).edge
        edge = edge._replace(share=np.zeros_like(edge.share))
        total = 0.0
        for view, o in zip(views, outlines, strict=True):
            *_, least = settle(
                view.alone,
                view.bright,
                edge,
                o[:, 0].copy(),
                o[:, 1].copy(),
                SEARCH,
                FINER,
                SEARCH + REACH,
                4.0,
            )
            total += float(least.sum())
        totals.append(total + _LENS * math.log(sigma) ** 2)
    k = int(np.argmin(totals))
    move = top_between(-np.array(totals), k)
    if move == 0.0:
        return _SIGMAS[k]
    step = _SIGMAS[k + 1] / _SIGMAS[k] if move > 0 else _SIGMAS[k] / _SIGMAS[k - 1]
    return float(_SIGMAS[k] * step**move)
