"""The point spread, found from the edges of bright particles in a sample of the clip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .fitting import PARAMETERS, blur_of, fit_sighting
from .profile import disc_table
from .records import BORDER, CROWDED, RIM, UNFITTED
from .searching import prepare, window, work_arrays
from .settings import SpatterSettings

if TYPE_CHECKING:
    from .look import SpatterLook

# Particles that are tried, the clearest first.
_TRIED = 120
_SIGMAS = np.exp(np.linspace(np.log(0.3), np.log(6.0), 25))
ASSUMED = 0.8


def find_point_spread(
    sample: NDArray[np.uint8] | NDArray[np.uint16],
    outlines: Sequence[NDArray[np.floating]] | None,
    look: SpatterLook,
    settings: SpatterSettings,
) -> tuple[float, float, str]:
    """Width of the point spread that explains the particles of the sample best.

    Each clear particle is fitted at a ladder of widths; its chi-square over the width, scaled to the noise that
    it shows, is a likelihood. Particles out of focus would drag a plain sum, so the answer is the middle of
    the single answers, weighted, and its uncertainty comes from their scatter.

    Returns
    -------
    tuple
        Standard deviation in px (pixel not included), its standard uncertainty, and ``found`` or ``assumed``.
    """
    from .detecting import detect

    rough = detect(sample, outlines, replace(look, psf_sigma_px=1.0), settings)
    bad = UNFITTED | BORDER | RIM | CROWDED
    clear = rough[((rough["mark"] & bad) == 0) & (rough["signal"] > 15) & (rough["peak"] > 0)]
    order = np.argsort(
        -clear["signal"].astype(np.float64) * np.sqrt(np.maximum(clear["spread"], 0.3)), kind="stable"
    )
    clear = np.sort(clear[order[:_TRIED]], order=["frame", "y", "x"])
    answers = []
    work = work_arrays(*sample.shape[1:])
    for frame in np.unique(clear["frame"]):
        chosen = clear[clear["frame"] == frame]
        outline = (
            np.zeros((0, 2)) if outlines is None else np.ascontiguousarray(outlines[frame], dtype=np.float64)
        )
        for curve in _curves(sample[frame], outline, chosen, look, settings, work):
            answer = _minimum(curve)
            if answer is not None:
                answers.append(answer)
    if len(answers) < 4:
        return ASSUMED, 0.3 * ASSUMED, "assumed"
    value = np.array([a for a, _ in answers])
    weight = 1.0 / (np.array([u for _, u in answers]) ** 2 + 0.02**2)
    # Weighted median, then its scatter.
    ranked = np.argsort(value, kind="stable")
    total = np.cumsum(weight[ranked])
    sigma = float(value[ranked][np.searchsorted(total, 0.5 * total[-1])])
    near = np.abs(value - sigma) < np.maximum(3.0 / np.sqrt(weight), 0.25 * sigma)
    if near.sum() >= 3:
        w = weight[near]
        sigma = float((w * value[near]).sum() / w.sum())
        spread = float(np.sqrt((w * (value[near] - sigma) ** 2).sum() / w.sum()))
        u = max(
            spread / np.sqrt(max(1.0, float(w.sum() ** 2 / (w**2).sum()) - 1)), float(1 / np.sqrt(w.sum()))
        )
    else:
        u = 0.2 * sigma
    return sigma, u, "found"


def _curves(
    frame: NDArray[np.unsignedinteger],
    outline: NDArray[np.float64],
    chosen: NDArray[np.void],
    look: SpatterLook,
    settings: SpatterSettings,
    work: tuple[NDArray[np.generic], ...],
) -> list[NDArray[np.float64]]:
    """Chi-square over the ladder of widths, one curve a particle."""
    left, right, res, level, picture, hits, owner, _pixels, values = work
    gain = prepare(
        frame, outline, look.background, look.threshold, look.places, look.black, look.sign, look.offset,
        settings.pool_margin_px + 4.0, left, right, res, level, picture, hits,
    )  # fmt: skip
    read, shot = look.read, look.shot
    if look.sign < 0:
        read, shot = read + shot * look.full_scale, -shot
    table = disc_table()
    curves = []
    for one in chosen:
        reach = 2.2 * np.sqrt(max(float(one["spread"]), 0.0) + 1.0) + 4.0
        length = float(np.hypot(one["streak_m"], one["streak_n"])) ** 0.5
        angle = 0.5 * np.arctan2(float(one["streak_n"]), float(one["streak_m"]))
        disc = max(16.0 * float(one["spread"]) - 2 / 3 * length**2, 0.0) ** 0.5
        across = 0.5 * disc + 5.0
        along = max(min(reach, across + 0.5 * length), across)
        box = np.array(
            [one["x"], one["y"], np.cos(angle), np.sin(angle), -along, along, -across, across],
            dtype=np.float64,
        )
        n, _full = window(
            res, level, look.background, gain, look.black, look.full_level, left, right, owner, 1, box, values
        )
        if n < 4 * PARAMETERS:
            continue
        curve = np.full(len(_SIGMAS), np.inf)
        noise = float(np.sqrt(look.read + look.shot * max(float(np.median(np.asarray(values[3, :n], dtype=np.float64))), 0.0)))
        for j, sigma in enumerate(_SIGMAS):
            blur = blur_of(float(sigma))
            p = np.array(
                [
                    one["x"], one["y"], one["flux"], 0.0,
                    float(one["spread"]) + blur_of(1.0) ** 2 - blur**2, one["streak_m"], one["streak_n"],
                ]
            )  # fmt: skip
            p[4] = max(p[4], float(np.hypot(p[5], p[6])) / 24 - 0.5 * blur**2)
            covariance = np.empty((PARAMETERS, PARAMETERS))
            chi, used = fit_sighting(
                table, values[0, :n], values[1, :n], values[2, :n], values[3, :n], values[4, :n],
                blur, read, shot, noise, p, covariance,
            )  # fmt: skip
            if chi >= 0:
                curve[j] = chi * (used - PARAMETERS)
        if np.isfinite(curve).sum() >= 5:
            curves.append(curve / max(1.0, float(curve[np.isfinite(curve)].min()) / max(n - PARAMETERS, 1)))
    return curves


def _minimum(curve: NDArray[np.float64]) -> tuple[float, float] | None:
    """Width at the lowest chi-square and where it rises by 1; None where the curve does not tell."""
    best = int(np.argmin(curve))
    if best == 0 or best == len(curve) - 1 or not np.isfinite(curve[best - 1 : best + 2]).all():
        return None
    step = float(np.log(_SIGMAS[1] / _SIGMAS[0]))
    c0, c1, c2 = curve[best - 1 : best + 2]
    bend = (c0 - 2 * c1 + c2) / step**2
    if bend <= 0:
        return None
    at = np.log(_SIGMAS[best]) + 0.5 * (c0 - c2) / (c0 - 2 * c1 + c2) * step
    u = float(np.sqrt(2.0 / bend))
    if u > 0.5:
        return None
    sigma = float(np.exp(at))
    return sigma, u * sigma
