"""Regions fitted and judged, each by itself: what makes them rows of the table of sightings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from .facts import SpatterLook
from .fitting import PARAMETERS, blur_of, fit_sighting, soft_edge
from .profile import disc_table
from .records import BORDER, CROWDED, RIM, SOFT, UNFITTED
from .settings import SpatterSettings

# Columns of the table of sightings that the kernels fill: those of `records.SIGHTING` after the frame.
COLUMNS = 16
# What is known of a region before its fit: start of the fit (as `PARAMETERS`), noise of the ground, centre, low end
# along its direction, light and its three moments, peak over full scale, signal, mark; half its extent along its
# direction.
START, NOISE, CENTRE_X, CENTRE_Y, LOW, LIGHT, XX, XY, YY, HEIGHT, SIGNAL, MARK, HALF, KNOWN = (
    0, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19,
)  # fmt: skip


@dataclass(frozen=True)
class Regions:
    """Regions before their fit, and all that it needs.

    Attributes
    ----------
    known
        What is known of each beforehand, shape (m, `KNOWN`).
    pixels
        The pixels of all, side by side, shape (5, k); rows as `window.window` gives them.
    starts
        Where the pixels of each begin, shape (m + 1,).
    """

    known: NDArray[np.float64]
    pixels: NDArray[np.float64]
    starts: NDArray[np.int64]

    @classmethod
    def none(cls) -> Regions:
        """No region."""
        return cls(np.zeros((0, KNOWN)), np.zeros((5, 0)), np.zeros(1, dtype=np.int64))

    @classmethod
    def joined(cls, parts: Sequence[Regions]) -> Regions:
        """Several in one."""
        if len(parts) == 1:
            return parts[0]
        counts = np.concatenate([np.diff(one.starts) for one in parts])
        return cls(
            np.concatenate([one.known for one in parts]),
            np.ascontiguousarray(np.concatenate([one.pixels for one in parts], axis=1)),
            np.append(0, np.cumsum(counts)),
        )

    def __len__(self) -> int:
        return len(self.known)

    def chosen(self, which: NDArray[np.bool_]) -> Regions:
        """Some of them, in order."""
        counts = np.diff(self.starts)
        return Regions(
            self.known[which],
            np.ascontiguousarray(self.pixels[:, np.repeat(which, counts)]),
            np.append(0, np.cumsum(counts[which])),
        )

    def since(self, first: int) -> Regions:
        """Those from `first` on."""
        begin = self.starts[first]
        return Regions(self.known[first:], self.pixels[:, begin:].copy(), self.starts[first:] - begin)


def conclude(
    regions: Regions, wanted: NDArray[np.bool_], look: SpatterLook, settings: SpatterSettings
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Fit regions and judge each by itself.

    Parameters
    ----------
    regions
        As `searching.search` gives them.
    wanted
        Which of them are fitted, shape (n,), for the first n; the others get a row from their moments alone.
    look, settings
        What `learn` learned, and the settings given to it.

    Returns
    -------
    tuple
        Rows in the order of `records.SIGHTING` after frame, shape (n, `COLUMNS`), and which of them are not too large
        for a particle.
    """
    blur = blur_of(look.psf_sigma_px)
    read, shot = look.working_noise
    h, w = look.background.shape
    rows, fits = np.zeros((len(wanted), COLUMNS)), np.zeros(len(wanted), dtype=np.bool_)
    _conclude_all(
        disc_table(), regions.pixels, regions.starts, regions.known, wanted, blur, read, shot,
        settings.max_diameter_px, longest(settings, blur), h, w, rows, fits,
    )  # fmt: skip
    return rows, fits


def longest(settings: SpatterSettings, blur: float) -> float:
    """Longest picture of a particle with its streak, px."""
    return settings.max_diameter_px + settings.max_step_px + 4 * blur


@njit(cache=True, nogil=True)
def _unfitted(known: NDArray, blur: float, row: NDArray) -> None:  # type: ignore[type-arg]
    """Row of a region without a fit, from its moments alone."""
    row[0], row[1], row[2] = known[CENTRE_X], known[CENTRE_Y], known[LIGHT]
    row[3] = max(0.5 * (known[XX] + known[YY]) - blur * blur, 0.0)
    row[4], row[5] = 12.0 * (known[XX] - known[YY]), 24.0 * known[XY]
    row[6] = row[7] = 1.0
    row[8] = 0.5
    row[9] = known[HEIGHT]
    row[10], row[11], row[12] = 0.5 * row[3] + 1.0, math.hypot(row[4], row[5]) + 12.0, 0.0
    row[13] = 0.0
    row[14] = known[SIGNAL]
    row[15] = int(known[MARK]) | UNFITTED


@njit(cache=True, nogil=True)
def _conclude(
    table: NDArray,  # type: ignore[type-arg]
    values: NDArray,  # type: ignore[type-arg]
    first: int,
    n: int,
    known: NDArray,  # type: ignore[type-arg]
    blur: float,
    read: float,
    shot: float,
    max_diameter: float,
    max_length: float,
    h: int,
    w: int,
    row: NDArray,  # type: ignore[type-arg]
) -> bool:
    """Fit a region to its `n` pixels from column `first` of `values` on (see `window`), and fill its row.

    False where it is too large for a particle; the row is not filled then.
    """
    p, covariance = known[START : START + PARAMETERS].copy(), np.empty((PARAMETERS, PARAMETERS))
    stop = first + n
    xs, ys, lights = values[0, first:stop], values[1, first:stop], values[2, first:stop]
    grounds, limits = values[3, first:stop], values[4, first:stop]
    mark = int(known[MARK])
    reduced = -1.0
    if n > PARAMETERS:
        reduced, _n = fit_sighting(
            table, xs, ys, lights, grounds, limits, blur, read, shot, known[NOISE], p, covariance
        )
    disc = 16.0 * p[4] - 2.0 / 3.0 * math.hypot(p[5], p[6])
    if reduced >= 0 and disc > max_diameter * max_diameter:
        return False
    doubt = 1.0 + 4.0 * math.sqrt(2.0 / max(n, 1))
    judged = reduced > doubt and disc > (3.0 * blur) ** 2 and mark & (BORDER | RIM | CROWDED) == 0
    if judged and soft_edge(table, xs, ys, lights, grounds, limits, blur, read, shot, known[NOISE], p):
        mark |= SOFT
    inside = known[LOW] <= 0.0 and -5.0 - w < p[0] < 2 * w and -5.0 - h < p[1] < 2 * h
    if (
        reduced < 0
        or p[2] <= 0.0
        or not inside
        or math.hypot(p[0] - known[CENTRE_X], p[1] - known[CENTRE_Y]) > max_length
    ):
        _unfitted(known, blur, row)
        row[15] = mark | UNFITTED
        return True
    row[0], row[1], row[2], row[3], row[4], row[5] = p[0], p[1], p[2], p[4], p[5], p[6]
    inflate = max(1.0, reduced)
    length2 = math.hypot(p[5], p[6])
    cm, cn = (p[5] / length2, p[6] / length2) if length2 > 1e-9 else (1.0, 0.0)
    v_streak = cm * cm * covariance[5, 5] + cn * cn * covariance[6, 6] + 2 * cm * cn * covariance[5, 6]
    c_streak = cm * covariance[4, 5] + cn * covariance[4, 6]
    slope = c_streak / v_streak if v_streak > 0.0 else 0.0
    pull_x, pull_y = _pull(xs, ys, grounds, p, blur)
    row[6] = math.sqrt(inflate * covariance[0, 0] + pull_x * pull_x)
    row[7] = math.sqrt(inflate * covariance[1, 1] + pull_y * pull_y)
    row[8] = math.sqrt(inflate * covariance[2, 2]) / p[2]
    row[9] = known[HEIGHT]
    row[10] = math.sqrt(inflate * max(covariance[4, 4] - slope * c_streak, 0.0))
    row[11] = math.sqrt(inflate * v_streak)
    row[12] = slope
    row[13] = math.sqrt(reduced)
    row[14] = known[SIGNAL]
    row[15] = mark
    return True


@njit(cache=True, nogil=True)
def _conclude_all(
    table: NDArray,  # type: ignore[type-arg]
    values: NDArray,  # type: ignore[type-arg]
    starts: NDArray,  # type: ignore[type-arg]
    known: NDArray,  # type: ignore[type-arg]
    wanted: NDArray,  # type: ignore[type-arg]
    blur: float,
    read: float,
    shot: float,
    max_diameter: float,
    max_length: float,
    h: int,
    w: int,
    rows: NDArray,  # type: ignore[type-arg]
    fits: NDArray,  # type: ignore[type-arg]
) -> None:
    """`_conclude` for the regions `wanted`, `_unfitted` for the others; `fits`: which are not too large."""
    for k in range(wanted.size):
        fits[k] = True
        if wanted[k]:
            fits[k] = _conclude(
                table, values, starts[k], starts[k + 1] - starts[k], known[k], blur, read, shot,
                max_diameter, max_length, h, w, rows[k],
            )  # fmt: skip
        else:
            _unfitted(known[k], blur, rows[k])


@njit(cache=True, nogil=True)
def _pull(xs: NDArray, ys: NDArray, grounds: NDArray, p: NDArray, blur: float) -> tuple[float, float]:  # type: ignore[type-arg]
    """Doubt about a centre from the slope of the ground, px: which part of it lies behind, which before the particle?

    Half of the shift that hiding the ground makes: slope of the ground over surface brightness times variance.
    """
    n = xs.size
    sx = sy = sg = sxx = syy = sxg = syg = 0.0
    for i in range(n):
        dx, dy, g = xs[i] - p[0], ys[i] - p[1], grounds[i]
        sx, sy, sg = sx + dx, sy + dy, sg + g
        sxx, syy, sxg, syg = sxx + dx * dx, syy + dy * dy, sxg + dx * g, syg + dy * g
    slope_x = (sxg - sx * sg / n) / max(sxx - sx * sx / n, 1e-9)
    slope_y = (syg - sy * sg / n) / max(syy - sy * sy / n, 1e-9)
    disc = max(p[4] - math.hypot(p[5], p[6]) / 24.0, 0.0)
    # The disc's area over the flux is 1 over its surface brightness above the ground.
    share = 0.5 * 4.0 * math.pi * disc / max(p[2], 1e-9) * (disc + blur * blur)
    return abs(slope_x) * share, abs(slope_y) * share
