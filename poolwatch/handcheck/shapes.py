"""How far the beam shapes of a trial lie apart: what a difference between tool and hand is set against."""

from __future__ import annotations

from pathlib import Path

from ..trial.rows import read_rows

TRIAL_SCORES = "scores.csv"


def shapes_apart(scores: str | Path) -> dict[str, float]:
    """Largest less smallest mean over welds of the beam shapes, mm, by ``length`` and ``width``.

    Parameters
    ----------
    scores
        ``scores.csv`` of a trial.

    Returns
    -------
    dict
        Without a quantity that fewer than two shapes have.

    Raises
    ------
    UsageError
        The file cannot be read.
    """
    rows = read_rows(scores)
    apart = {}
    for name in ("length", "width"):
        means = rows.groupby("beam_shape")[f"pool_{name}_mean_mm"].mean().dropna()
        if len(means) > 1 and means.max() > means.min():
            apart[name] = float(means.max() - means.min())
    return apart
