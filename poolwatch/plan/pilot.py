"""What pilot welds tell: scatter between welds, uncertainty within them, length of clip."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..experiment.factors import BLOCK_COLUMN
from ..experiment.logit import expit, logit
from ..model.errors import UsageError

if TYPE_CHECKING:
    import pandas as pd

# Standard normal quantile of the 95 % intervals in score rows.
Z95 = 1.959963984540054


def points_to_logit(points: float, around: float) -> float:
    """Half-width on the logit scale of ± `points` around an index.

    Raises
    ------
    UsageError
        The interval would reach beyond 0 or 100.
    """
    if not 0 < around < 100:
        raise UsageError(f"the index around which to plan must be between 0 and 100, got {around:g}")
    if not (points > 0 and around - points > 0 and around + points < 100):
        raise UsageError(
            f"± {points:g} points around an index of {around:g} reaches beyond 0 to 100; "
            f"ask for less than {min(around, 100 - around):g} points"
        )
    high, low = (around + sign * points for sign in (1, -1))
    return (math.log(high / (100 - high)) - math.log(low / (100 - low))) / 2


def scatter_in_points(scatter: float, around: float) -> float:
    """Standard deviation in index points of welds that scatter by `scatter` on the logit scale around an index."""
    node, weight = np.polynomial.hermite_e.hermegauss(80)
    index = expit(math.log(around / (100 - around)) + scatter * node)
    weight = weight / weight.sum()
    return math.sqrt(float(weight @ (index - weight @ index) ** 2))


def scatter_from_points(points: float, around: float) -> float:
    """Scatter on the logit scale of welds with a standard deviation in index points around an index.

    Raises
    ------
    UsageError
        Welds around this index cannot scatter so far.
    """
    if not 0 < around < 100:
        raise UsageError(f"the index around which to plan must be between 0 and 100, got {around:g}")
    low, high = 0.0, 4.0
    most = scatter_in_points(high, around)
    if not 0 < points < most:
        raise UsageError(
            f"a standard deviation of {points:g} points around an index of {around:g} is not possible: give more than "
            f"0 and less than {most:.0f}"
        )
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if scatter_in_points(middle, around) < points else (low, middle)
    return (low + high) / 2


@dataclass(frozen=True)
class Pilot:
    """What pilot score rows tell.

    Attributes
    ----------
    index
        Mean index.
    welds, shapes
        How many there are.
    scatter
        Standard deviation of the logit of the index from weld to weld of one shape, pooled over shapes: it
        holds the uncertainty within the welds, and what blocks differ by unless they are taken out. NaN where no
        degree of freedom is left.
    df
        Its degrees of freedom.
    within
        Root mean square of the standard errors within the welds, logit scale; NaN where no row has an interval.
    half_width
        Half-width of each weld's own 95 % interval, logit scale, NaN where unknown, shape (welds,).
    clip_s
        Length of each weld's steady part, s, NaN where unknown, shape (welds,).
    notes
        What to know before using the figures.
    """

    index: float
    welds: int
    shapes: int
    scatter: float
    df: int
    within: float
    half_width: NDArray[np.float64]
    clip_s: NDArray[np.float64]
    notes: tuple[str, ...]

    @property
    def between(self) -> float:
        """Scatter from weld to weld with the uncertainty within the welds taken out; 0 where that is larger."""
        within = 0.0 if math.isnan(self.within) else self.within
        return math.sqrt(max(self.scatter**2 - within**2, 0.0))

    def scatter_interval(self, confidence: float = 0.8) -> tuple[float, float]:
        """Interval of `scatter` from the chi-squared distribution: few pilot welds know it poorly."""
        from scipy.stats import chi2

        if self.df < 1:
            return math.nan, math.nan
        tail = (1 - confidence) / 2
        return (
            self.scatter * math.sqrt(self.df / chi2.ppf(1 - tail, self.df)),
            self.scatter * math.sqrt(self.df / chi2.ppf(tail, self.df)),
        )


def read_pilot(rows: pd.DataFrame, *, blocked: bool = False) -> Pilot:
    """What score rows of pilot welds tell.

    Parameters
    ----------
    rows
        Columns of `poolwatch.model.tables.SCORE`; needs ``stability_index`` and ``beam_shape``.
    blocked
        Take out what blocks (column ``factor_block``) differ by. A weld without a block then tells no scatter.

    Raises
    ------
    UsageError
        No row has an index, or there are no blocks to take out.
    """
    rows = rows[rows["stability_index"].notna()]
    if rows.empty:
        raise UsageError("no pilot row has a stability index; give score rows of measured welds")
    value = logit(rows["stability_index"])
    shape = rows["beam_shape"].to_numpy(dtype=object)
    names = dict.fromkeys(shape.tolist())
    squares, df = 0.0, 0
    for name in names:
        mine = value[shape == name]
        squares += float(((mine - mine.mean()) ** 2).sum())
        df += len(mine) - 1
    half = (logit(rows["stability_index_high"]) - logit(rows["stability_index_low"])) / 2
    within = float(np.sqrt(np.nanmean((half / Z95) ** 2))) if np.isfinite(half).any() else math.nan
    length = (rows["steady_end_s"] - rows["steady_start_s"]).to_numpy(dtype=np.float64)
    notes = []
    if blocked:
        squares, df = _within_blocks(rows, value, shape)
    elif len(set(_blocks(rows)) - {""}) > 1:
        notes.append("the pilot's blocks are not taken out: what they differ by is in the scatter")
    if df == 0 and blocked:
        notes.append("shapes and blocks leave no degree of freedom: the scatter from weld to weld is unknown")
    elif df == 0:
        notes.append(
            "one weld a shape: the scatter from weld to weld is unknown; weld each pilot shape again"
        )
    short = [
        str(clip)
        for clip, flags in zip(rows["clip"], rows["flags"], strict=True)
        if "too_short" in str(flags).split()
    ]
    if short:
        notes.append(
            f"too short for its own interval to be trusted: {', '.join(short)}; what follows from it is a guess"
        )
    return Pilot(
        float(rows["stability_index"].mean()),
        len(rows),
        len(names),
        math.sqrt(squares / df) if df else math.nan,
        df,
        within,
        np.asarray(half),
        length,
        tuple(notes),
    )


def _blocks(rows: pd.DataFrame) -> list[str]:
    """The block of each row, empty where it has none."""
    if BLOCK_COLUMN not in rows:
        return [""] * len(rows)
    return ["" if value is None or value != value else str(value).strip() for value in rows[BLOCK_COLUMN]]


def _within_blocks(rows: pd.DataFrame, value: NDArray[np.float64], shape: NDArray[Any]) -> tuple[float, int]:
    """Sum of squares that shape and block leave on the logit scale, and its degrees of freedom."""
    blocks = np.array(_blocks(rows))
    known = blocks != ""
    if len(set(blocks[known])) < 2:
        raise UsageError(
            "the pilot rows have no two blocks (column factor_block): nothing shows the scatter within a block; give "
            "--scatter in points"
        )
    columns = [
        (names[:, None] == np.unique(names)).astype(float)
        for names in (shape[known].astype(str), blocks[known])
    ]
    model = np.hstack(columns)
    fitted, _, rank, _ = np.linalg.lstsq(model, value[known], rcond=None)
    return float(((value[known] - model @ fitted) ** 2).sum()), int(known.sum() - rank)
