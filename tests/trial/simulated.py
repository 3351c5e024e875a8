"""Score rows of an invented trial with known truth, written without the code under test."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from poolwatch.model.tables import INDEX_PARTS, SCORE

HALF = {
    "pool_length": 0.05,
    "pool_width": 0.05,
    "pool_area": 0.08,
    "agitation": 0.10,
    "keyhole": 0.15,
    "collapses": 0.02,
    "spatter_count": 1.0,
    "spatter_mass": 10.0,
}
WEIGHT = {
    "pool_length": 0.15,
    "pool_width": 0.15,
    "pool_area": 0.10,
    "agitation": 0.10,
    "keyhole": 0.15,
    "collapses": 0.10,
    "spatter_count": 0.15,
    "spatter_mass": 0.10,
}
SHAPES = ("single-spot", "twin-spot", "flat-top", "crescent", "ring", "trident")


def score_rows(
    rng: np.random.Generator,
    unsteadiness: Sequence[float],
    welds: int | Sequence[int],
    *,
    between: float | Sequence[float] = 0.15,
    part_noise: float = 0.15,
    within: float = 0.05,
    parts: Sequence[str] = INDEX_PARTS,
) -> pd.DataFrame:
    """Rows whose part x is half · unsteadiness · exp(weld) · exp(weld and part) · exp(within the weld).

    `between`, `part_noise` and `within` are standard deviations of ln x; `within` is also what the rows'
    intervals report.
    """
    k = len(unsteadiness)
    counts = [welds] * k if isinstance(welds, int) else list(welds)
    sds = [between] * k if isinstance(between, float | int) else list(between)
    weight = np.array([WEIGHT[p] for p in parts])
    weight = weight / weight.sum()
    rows = []
    for shape, u, n, sd in zip(SHAPES, unsteadiness, counts, sds, strict=False):
        for replicate in range(1, n + 1):
            log_x = np.log(u) + rng.normal(0, sd) + rng.normal(0, part_noise, len(parts))
            log_x = log_x + rng.normal(0, within)
            d = 1 / (1 + np.exp(log_x))
            log_index = float(weight @ np.log(d))
            # d ln I / d ln x = -sum w (1 - d): what an error common to all parts does to the index.
            half_width = 1.959964 * within * float(weight @ (1 - d)) / (1 - np.exp(log_index))
            centre = log_index - np.log1p(-np.exp(log_index))
            rows.append(
                {
                    "clip": f"{shape}_{replicate}.avi",
                    "clip_id": f"{shape}{replicate}",
                    "settings_id": "s1",
                    "poolwatch_version": "0.1.0",
                    "beam_shape": shape,
                    "replicate": str(replicate),
                    "stability_index": 100 * np.exp(log_index),
                    "stability_index_low": 100 / (1 + np.exp(-(centre - half_width))),
                    "stability_index_high": 100 / (1 + np.exp(-(centre + half_width))),
                    "footage": "glowing",
                    "band_low_hz": 20.0,
                    "band_high_hz": 1000.0,
                    **{f"d_{p}": value for p, value in zip(parts, d, strict=True)},
                }
            )
    return SCORE.frame(rows)
