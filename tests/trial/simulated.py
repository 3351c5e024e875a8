"""Score rows of an invented trial with known truth, written without the code under test."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from poolwatch.model.tables import INDEX_PARTS, SCORE

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


def desirability_draws(
    rng: np.random.Generator,
    unsteadiness: np.ndarray,
    *,
    between: float | np.ndarray = 0.15,
    part_noise: float = 0.15,
    within: float = 0.05,
    parts: Sequence[str] = INDEX_PARTS,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Desirabilities (n, parts), index (n,) and its standard error within the weld on the logit scale (n,).

    Part x of each weld is half · unsteadiness · exp(weld) · exp(weld and part) · exp(within the weld);
    `between`, `part_noise` and `within` are the standard deviations of these three.
    """
    n = len(unsteadiness)
    weight = np.array([WEIGHT[p] for p in parts])
    weight = weight / weight.sum()
    log_x = np.log(unsteadiness) + rng.normal(0, between, n) + rng.normal(0, within, n)
    d = 1 / (1 + np.exp(log_x[:, None] + rng.normal(0, part_noise, (n, len(parts)))))
    index = 100 * np.exp(np.log(d) @ weight)
    # d ln I / d ln x = -sum w (1 - d): what an error common to all parts does to the index.
    error = within * ((1 - d) @ weight) / (1 - index / 100)
    return d, index, error


def score_rows(
    rng: np.random.Generator,
    unsteadiness: Sequence[float],
    welds: int | Sequence[int],
    *,
    parts: Sequence[str] = INDEX_PARTS,
    **noise: float,
) -> pd.DataFrame:
    """Score rows of a trial, shapes named in the order of `SHAPES`; `noise` as for `desirability_draws`."""
    counts = [welds] * len(unsteadiness) if isinstance(welds, int) else list(welds)
    shapes = np.repeat(SHAPES[: len(counts)], counts)
    replicates = np.concatenate([np.arange(1, n + 1) for n in counts]).astype(str)
    d, index, error = desirability_draws(rng, np.repeat(unsteadiness, counts), parts=parts, **noise)
    centre = np.log(index / (100 - index))
    return SCORE.frame(
        {
            "clip": [f"{shape}_{n}.avi" for shape, n in zip(shapes, replicates, strict=True)],
            "clip_id": [f"{shape}{n}" for shape, n in zip(shapes, replicates, strict=True)],
            "settings_id": "s1",
            "poolwatch_version": "0.1.0",
            "beam_shape": shapes,
            "replicate": replicates,
            "stability_index": index,
            "stability_index_low": 100 / (1 + np.exp(-(centre - 1.959964 * error))),
            "stability_index_high": 100 / (1 + np.exp(-(centre + 1.959964 * error))),
            "footage": "glowing",
            "band_low_hz": 20.0,
            "band_high_hz": 1000.0,
            **{f"d_{p}": d[:, k] for k, p in enumerate(parts)},
        }
    )
