"""The order of the beam shapes, how sure it is, and what it rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..experiment.comparing import PairTests
from ..experiment.logit import logit
from ..model.quantities import PARTS
from ..model.tables import RANKING
from .blocked import BlockedComparison, compare_in_blocks
from .blocks import Kind, Layout, block_labels, block_notes, lay_out
from .comparability import Comparability, check_comparability
from .index import desirabilities, order_under_weights, part_weights, weighted_index
from .letters import group_letters
from .reading import read_ranking
from .rows import completed
from .settings import RankSettings
from .shape_means import (
    Groups,
    best_probability,
    compare_pairs,
    group_welds,
    index_intervals,
    outlying,
    own_intervals,
    within_weld_error,
)

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
# An index computed again from the desirabilities in a CSV (nine digits) agrees to better than this.
_SAME_INDEX = 0.01


@dataclass(frozen=True)
class Ranking:
    """The result of comparing beam shapes.

    Attributes
    ----------
    table
        Columns of `poolwatch.model.tables.RANKING`, steadiest first.
    pairs
        One row a pair, steadier shape first: ``shape_a``, ``shape_b``, ``difference`` of the mean indices with
        its 95 % interval ``difference_low``, ``difference_high`` (for this pair alone), ``p``, ``p_holm``,
        ``differ`` (1 or 0; missing where no test can be made), ``df`` and ``error_from`` of the test behind ``p``.
        Where shapes share blocks (``factor_block`` in the rows), what these differ by is taken out.
    parts
        One row a shape and index part: ``beam_shape``, ``part``, ``weight``, ``desirability`` (geometric mean
        over welds) and ``effect``: by what factor, as a logarithm times the weight, the part lifts the shape's index
        above the average shape; a shape's effects add up to that logarithm. Blocks are not taken out of them.
    part_share
        Share of the spread between shapes that each part makes, by part; sums to 1. Empty with one shape.
    welds
        One row a weld that counts: ``clip``, ``folder`` where the rows have it, ``beam_shape``, ``replicate``,
        ``stability_index`` as compared, ``within_error`` (standard error within the weld, index points), ``outlier_p``,
        ``outlying`` (1 or 0).
    excluded
        ``clip``, ``beam_shape``, ``reason``: clips that do not count.
    left_out
        Index parts left out for all clips because some cannot give them.
    notes
        What to know before using the ranking, one sentence each.
    reading
        The result in plain words.
    """

    table: pd.DataFrame
    pairs: pd.DataFrame
    parts: pd.DataFrame
    part_share: dict[str, float]
    welds: pd.DataFrame
    excluded: pd.DataFrame
    left_out: tuple[str, ...]
    notes: tuple[str, ...]
    reading: str


def rank_shapes(
    scores: pd.DataFrame,
    *,
    weights: Mapping[str, float] | None = None,
    settings: RankSettings | None = None,
    failed: pd.DataFrame | None = None,
) -> Ranking:
    """Rank beam shapes from score rows.

    Parameters
    ----------
    scores
        One row a weld, columns of `poolwatch.model.tables.SCORE` (or as `pandas.read_csv` gives them) and others.
    weights
        Weight of each index part: indices made with others are worked out again. None for those in `settings`,
        or else the default weights, with which indices stand as they are.
    settings
        How to compare; None for the defaults.
    failed
        ``clip``, ``beam_shape``, ``reason``: clips of the trial that have no row; they are named in the result.

    Raises
    ------
    UsageError
        A column that no row can do without is missing, a clip is there twice, a shape has no name, no row has an index.
    """
    settings = settings or RankSettings()
    given = weights is not None or settings.weights is not None
    weights = weights or settings.weights or default_weights()
    comparability = check_comparability(completed(scores))
    if failed is not None and len(failed):
        comparability = comparability.without(failed)
    rows = comparability.rows
    notes = list(comparability.notes)
    parts, values, left_out = desirabilities(rows)
    index = _index(rows, parts, values, left_out, weights, notes, given=given)
    error = within_weld_error(rows["stability_index_low"], rows["stability_index_high"])
    shapes = _compare(rows, index, error, settings)
    groups, layout = shapes.groups, shapes.layout
    outlier_p = outlying(rows["beam_shape"].to_numpy(dtype=object), logit(index))
    welds = _weld_table(rows, index, error, outlier_p, settings.outlier_alpha)
    table = RANKING.frame(
        {
            **shapes.columns(settings),
            "order_holds": _order_holds(shapes.place, values, settings, layout),
            "remarks": _remarks(groups, comparability, welds),
        }
    )
    part_table, share = _parts(shapes.order, shapes.place, parts, values, weights)
    pairs = _pair_table(shapes, settings)
    notes += _left_out_note(left_out)
    notes += block_notes(layout, rows["clip"].tolist(), shapes.order)
    notes += _copies(rows, index, groups)
    if (pairs["differ"] == 1).any() and not layout.paired:
        notes += _few_welds(shapes.blocked.units if shapes.blocked else groups, settings.alpha, layout.kind)
    reading = read_ranking(table, pairs, share, welds, comparability.excluded, replicated=groups.replicated)
    return Ranking(
        table, pairs, part_table, share, welds, comparability.excluded, left_out, tuple(notes), reading
    )


class _ShapesCompared(NamedTuple):
    """Shapes in the order of the ranking, and the place of each weld's shape in it.

    With the welds in groups, in the blocks that they share if any; mean indices, their intervals, tests of pairs.
    """

    order: list[str]
    place: NDArray[np.int64]
    groups: Groups
    layout: Layout
    blocked: BlockedComparison | None
    means: Floats
    low: Floats
    high: Floats
    tests: PairTests

    def columns(self, settings: RankSettings) -> dict[str, Any]:
        """Columns of the ranking that need no more."""
        apart = self.tests.apart(len(self.order), settings.alpha)
        blocked = self.blocked
        return {
            "rank": range(1, len(self.order) + 1),
            "beam_shape": self.order,
            "clips": self.groups.count,
            "stability_index": self.means,
            "stability_index_low": self.low,
            "stability_index_high": self.high,
            "group": group_letters(apart) if self.groups.replicated else [""] * len(self.order),
            "probability_best": blocked.best
            if blocked
            else best_probability(self.groups, settings.draws, settings.seed),
        }


def _compare(rows: pd.DataFrame, index: Floats, error: Floats, settings: RankSettings) -> _ShapesCompared:
    """Order the shapes by their mean indices and test them against each other; blocks taken out."""
    value = logit(index)
    shapes = rows["beam_shape"].to_numpy(dtype=object)
    raw = rows.assign(i=index).groupby("beam_shape", sort=False)["i"].mean()
    labels = block_labels(rows)
    layout = lay_out(shapes, labels, raw.index.tolist())
    if layout.moved:
        raw = raw + layout.lift(index)
    order = raw.sort_values(ascending=False, kind="stable").index.tolist()
    place = np.array([order.index(shape) for shape in shapes])
    by_rank = np.argsort(place, kind="stable")
    groups = group_welds(shapes[by_rank], value[by_rank], error[by_rank], prior_df=settings.scatter_prior_df)
    means = raw[list(groups.names)].to_numpy()
    # Once more, shapes in the order of the ranking.
    layout = lay_out(shapes, labels, order)
    blocked = None
    if layout.kind != "none":
        blocked = compare_in_blocks(layout, value, error, groups, settings)
    low, high = _intervals(rows.iloc[by_rank], value[by_rank], means, groups, blocked, settings.confidence)
    tests = blocked.pairs if blocked else compare_pairs(groups)
    return _ShapesCompared(order, place, groups, layout, blocked, means, low, high, tests)


def _intervals(
    rows: pd.DataFrame,
    value: Floats,
    means: Floats,
    groups: Groups,
    blocked: BlockedComparison | None,
    confidence: float,
) -> tuple[Floats, Floats]:
    """Interval of each shape's mean index; rows and their logits in the order of the ranking."""
    if groups.replicated or groups.count.max() > 1:
        return index_intervals(blocked.units if blocked else groups, means, confidence)
    index, below, above = (rows[f"stability_index{end}"] for end in ("", "_low", "_high"))
    low, high = own_intervals(value, index, below, above, confidence)
    # The logit of an index at an end of the scale stops short of it.
    return np.minimum(low, means), np.maximum(high, means)


def _left_out_note(parts: Sequence[str]) -> list[str]:
    if not parts:
        return []
    words = ", ".join(part.words for part in PARTS if part.name in parts)
    return [f"left out of the index for all clips, because some cannot give it: {words}"]


def default_weights() -> dict[str, float]:
    """Weights of the index parts as poolwatch comes with them."""
    from ..stability.settings import IndexSettings

    return {name: part.weight for name, part in IndexSettings().parts.items()}


def _copies(rows: pd.DataFrame, index: Floats, groups: Groups) -> list[str]:
    """Welds of one shape whose index is the same to the last digit."""
    keys = list(zip(rows["beam_shape"], index.round(9), strict=True))
    same = [str(clip) for clip, key in zip(rows["clip"], keys, strict=True) if keys.count(key) > 1]
    if not same:
        return []
    more = f" and {len(same) - 6} more" if len(same) > 6 else ""
    said = f"{', '.join(same[:6])}{more}: the index of welds of one shape is the same to the last digit, as of copies"
    if not groups.replicated and groups.count.max() > 1:
        return [f"{said}; so nothing is known of the scatter from weld to weld, and no test is made"]
    return [f"{said}; check that no weld is given twice"]


def _few_welds(groups: Groups, alpha: float, kind: Kind) -> list[str]:
    """What too few welds cannot keep where shapes scatter unlike each other; the accuracy tests hold the shares."""
    fewest = int(groups.count[groups.count > 1].min())
    least = 5 if len(groups.names) == 2 else 4
    if fewest >= least or alpha > 0.05:
        return []
    share = 18 if fewest == 2 else 11 if kind == "crossed" else 9
    # Where blocks stand within shapes, they are what is counted.
    unit = "block" if kind == "nested" else "weld"
    return [
        f"few {unit}s (down to {fewest} of a shape): if one shape scatters much more from {unit} to {unit} than the "
        f"others, the risk of a false difference can reach {share} % instead of {100 * alpha:.3g} %; {least} {unit}s "
        "of every shape keep to that"
    ]


def _index(
    rows: pd.DataFrame,
    parts: tuple[str, ...],
    values: Floats,
    left_out: tuple[str, ...],
    weights: Mapping[str, float],
    notes: list[str],
    *,
    given: bool,
) -> Floats:
    """The index of each row over the parts that all rows have."""
    stored: Floats = rows["stability_index"].to_numpy(dtype=np.float64)
    if not parts:
        if left_out:
            notes.append(
                "the clips share no index part; their indices stand as they are and are not like for like"
            )
        else:
            notes.append("the rows have no desirabilities: nothing can be said on weights and parts")
        return stored
    if left_out:
        return weighted_index(values, part_weights(parts, weights))
    again = weighted_index(values, part_weights(parts, weights))
    if (np.abs(again - stored) <= _SAME_INDEX).all():
        return stored
    if given:
        notes.append("the index of the rows was worked out again with the weights given here")
        return again
    notes.append("the rows' index was made with other weights than the default ones; it stands as it is")
    return stored


def _order_holds(place: NDArray[np.int64], values: Floats, settings: RankSettings, layout: Layout) -> Floats:
    shapes = int(place.max()) + 1
    if values.shape[1] < 2:
        return np.full(shapes, np.nan)
    lift = layout.lift if layout.moved else None
    ranks = order_under_weights(place, values, settings.weight_draws, settings.seed, lift=lift)
    return np.asarray((ranks == np.arange(1, shapes + 1)).mean(axis=0))


def _weld_table(rows: pd.DataFrame, index: Floats, error: Floats, p: Floats, alpha: float) -> pd.DataFrame:
    named = [name for name in ("clip", "folder", "beam_shape", "replicate") if name in rows]
    return rows[named].assign(
        stability_index=index,
        within_error=error * index * (100 - index) / 100,
        outlier_p=p,
        outlying=(np.nan_to_num(p, nan=1.0) < alpha).astype(int),
    )


def _parts(
    order: list[str],
    place: NDArray[np.int64],
    parts: tuple[str, ...],
    values: Floats,
    weights: Mapping[str, float],
) -> tuple[pd.DataFrame, dict[str, float]]:
    """How each part moves each shape's index, and its share of the spread between shapes."""
    import pandas as pd

    columns = ["beam_shape", "part", "weight", "desirability", "effect"]
    if not parts:
        return pd.DataFrame(columns=columns), {}
    share = part_weights(parts, weights)
    logs = np.array([np.log(values[place == k]).mean(axis=0) for k in range(len(order))])
    effect = share * (logs - logs.mean(axis=0))
    total = effect.sum(axis=1)
    spread = float(total @ total)
    shares = effect.T @ total / spread if spread > 0 else np.zeros(len(parts))
    made: list[dict[str, Any]] = [
        dict(zip(columns, (shape, part, share[j], np.exp(logs[k, j]), effect[k, j]), strict=True))
        for k, shape in enumerate(order)
        for j, part in enumerate(parts)
    ]
    return pd.DataFrame(made, columns=columns), {
        part: float(value) for part, value in zip(parts, shares, strict=True)
    } if len(order) > 1 else {}


def _pair_table(shapes: _ShapesCompared, settings: RankSettings) -> pd.DataFrame:
    """All pairs in index points.

    The interval of a difference is put together from those of the two means (MOVER: Zou & Donner, Stat. Med.
    27 (2008) 1693, doi:10.1002/sim.3095), or is that within blocks.
    """
    import pandas as pd

    tests, means, low, high = shapes.tests, shapes.means, shapes.low, shapes.high
    a, b = tests.first, tests.second
    difference = means[a] - means[b]
    if shapes.blocked:
        below, above = -shapes.blocked.low, shapes.blocked.high
    else:
        below = np.hypot(means[a] - low[a], high[b] - means[b])
        above = np.hypot(high[a] - means[a], means[b] - low[b])
    told = pd.array([None] * len(a), dtype="Int64")
    if shapes.groups.replicated:
        told = pd.array((tests.p_holm <= settings.alpha).astype(int), dtype="Int64")
        told[np.isnan(tests.p)] = pd.NA
    rests_on = np.where(np.isfinite(tests.p_df), "scatter", "within")
    return pd.DataFrame(
        {
            "shape_a": [shapes.order[k] for k in a],
            "shape_b": [shapes.order[k] for k in b],
            "difference": difference,
            "difference_low": difference - below,
            "difference_high": difference + above,
            "p": tests.p,
            "p_holm": tests.p_holm,
            "differ": told,
            "df": np.where(np.isfinite(tests.p) & np.isfinite(tests.p_df), tests.p_df, np.nan),
            "error_from": np.where(np.isnan(tests.p), "", rests_on),
        }
    )


def _remarks(groups: Groups, comparability: Comparability, welds: pd.DataFrame) -> list[str]:
    remarks = []
    for shape, count in zip(groups.names, groups.count, strict=True):
        said = []
        if count == 1:
            scatter = "taken from the other shapes, no test made" if groups.replicated else "unknown"
            said.append(f"one weld only: weld-to-weld scatter {scatter}")
        mine = welds.index[welds["beam_shape"] == shape]
        said += [f"{welds['clip'][n]} stands outside the others" for n in mine if welds["outlying"][n]]
        said += [
            f"{welds['clip'][n]}: {', '.join(comparability.clip_remarks[n])}"
            for n in mine
            if n in comparability.clip_remarks
        ]
        gone = comparability.excluded.loc[comparability.excluded["beam_shape"] == shape, "clip"].tolist()
        said += [f"excluded: {', '.join(gone)}"] if gone else []
        remarks.append("; ".join(said))
    return remarks
