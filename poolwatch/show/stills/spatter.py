"""Stills of spatter: where it flies and how large it is."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from ..palette import PAPER_INK, PAPER_QUIET, PARTICLE_ON_PAPER
from ..result import ClipResult
from ..ticks import nice_step
from .style import new_figure, nothing_to_show, panel_name, styled

SECTORS = 24
"""Sectors of the rose, 15° each, the first centred on forward."""


def sector_counts(directions: NDArray[np.float64]) -> NDArray[np.int64]:
    """Particles in each sector of the rose, counter-clockwise from forward."""
    sector = np.floor((directions + 180 / SECTORS) % 360 / (360 / SECTORS)).astype(int) % SECTORS
    return np.bincount(sector, minlength=SECTORS)


@styled
def spatter_figure(result: ClipResult) -> Figure:
    """Rose of flight directions (areas are counts) and distribution of diameters."""
    spatter = result.spatter
    if not result.spatter_sought:
        return nothing_to_show("particles were not looked for")
    if not len(spatter):
        return nothing_to_show("no particle left the pool")
    figure = new_figure(3.3, margins=(0.5, 0.5, 0.2, 0.66))
    grid = figure.add_gridspec(1, 2, width_ratios=(1, 1.5), wspace=0.36)
    _draw_rose(
        figure.add_subplot(grid[0], projection="polar"),
        spatter["direction_deg"].dropna().to_numpy(dtype=float),
    )
    _draw_sizes(figure.add_subplot(grid[1]), result, spatter["diameter_mm"].dropna().to_numpy(dtype=float))
    return figure


def _draw_rose(axes: Any, directions: NDArray[np.float64]) -> None:
    counts = sector_counts(directions)
    middle = np.arange(SECTORS) * 2 * np.pi / SECTORS
    # The radius goes with the root of the count, so that areas, which the eye compares, are counts.
    axes.bar(middle, np.sqrt(counts), width=1.84 * np.pi / SECTORS, color=PARTICLE_ON_PAPER, alpha=0.85)
    most = max(1, int(counts.max(initial=1)))
    step = max(1, math.ceil(nice_step(most / 3)))
    rings = np.arange(step, most + step, step)
    axes.set_rticks(np.sqrt(rings), labels=[str(ring) for ring in rings])
    axes.set_rlabel_position(67.5)
    axes.set_rmax(math.sqrt(rings[-1] * 1.02))
    axes.set_thetagrids(
        np.arange(0, 360, 45),
        labels=("forward", "45°", "left 90°", "135°", "back", "−135°", "right −90°", "−45°"),
    )
    axes.tick_params(labelsize=8, pad=1)
    axes.spines["polar"].set_visible(False)
    panel_name(axes, f"{len(directions)} particles, image plane\nrings: particles in 15°", 22)


def _draw_sizes(axes: Axes, result: ClipResult, diameters: NDArray[np.float64]) -> None:
    unit = result.unit
    axes.set_xlabel(f"diameter, {unit}")
    axes.set_ylabel("particles")
    if not len(diameters):
        panel_name(axes, "no diameter could be measured")
        return
    least = result.score_of("spatter_min_diameter_mm")
    least = float(least) if isinstance(least, float) and math.isfinite(least) and least > 0 else None
    low = min(float(diameters.min()), least or math.inf)
    step = max(nice_step((float(diameters.max()) - low) / 18 or low / 10), 1e-9)
    edges = np.arange(
        0 if low < 3 * step else math.floor(low / step) * step, diameters.max() + 2 * step, step
    )
    axes.hist(diameters, bins=edges.tolist(), color=PARTICLE_ON_PAPER, alpha=0.85, rwidth=0.92)
    axes.set_xlim(edges[0], edges[-1])
    words = [f"bins of {step:g} {unit}"]
    middle = float(np.median(diameters))
    axes.axvline(middle, color=PAPER_INK, lw=1, ls="--")
    words.append(f"dashed: median {middle:.3g} {unit}")
    if least is not None:
        axes.axvspan(edges[0], least, facecolor="none", edgecolor=PAPER_QUIET, hatch="////", lw=0)
        words.append("hatched: too small to be seen reliably")
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    panel_name(axes, ", ".join(words[:2]) + ("\n" + words[2] if len(words) > 2 else ""))
