"""Tool minus hand against their mean: a dot a frame, with bias and limits of agreement."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from ..palette import FLAGGED_ON_PAPER, PAPER_INK, PAPER_QUIET, POOL_ON_PAPER
from .style import COLUMN, new_figure, panel_name, styled


@styled
def agreement_figure(check: Mapping[str, Any]) -> Figure:
    """Difference against mean for length and width (Bland & Altman 1986), from ``handcheck`` of ``run.json``."""
    figure = new_figure(5.2, width=COLUMN)
    panels = figure.subplots(2, 1)
    for axes, name in zip(panels, ("length", "width"), strict=True):
        found = check["quantities"][name]
        rows = [row for row in check["frames_by_hand"] if f"hand_{name}_px" in row]
        tool, hand = (np.array([row[f"{way}_{name}_px"] for row in rows]) for way in ("tool", "hand"))
        worst = np.array([row["worst"] for row in rows], dtype=bool)
        for end, style in (("bias", "-"), ("lower", "--"), ("upper", "--")):
            axes.axhspan(found[end]["low"], found[end]["high"], color=POOL_ON_PAPER, alpha=0.13, lw=0)
            axes.axhline(found[end]["value"], color=POOL_ON_PAPER, ls=style, lw=1.2)
        axes.axhline(0.0, color=PAPER_QUIET, lw=0.8)
        mean, away = (tool + hand) / 2, tool - hand
        axes.plot(mean[~worst], away[~worst], "o", color=PAPER_INK, ms=4, label="drawn at random")
        if worst.any():
            axes.plot(
                mean[worst], away[worst], "D", mfc="none", mec=FLAGGED_ON_PAPER, ms=6, label="worst moments"
            )
        axes.set_xlabel(f"{name}, mean of tool and hand, px")
        axes.set_ylabel("tool minus hand, px")
        panel_name(axes, name)
    figure.legend(
        *panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=2, handletextpad=0.2
    )
    return figure
