"""How laboratory results go with the index and its parts, and how little a few welds can show."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..experiment.comparing import holm
from ..model.tables import INDEX_PARTS

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
COLUMNS = ["outcome", "measure", "welds", "rho", "rho_low", "rho_high", "p", "p_holm", "least_rho", "reading"]
MIN_WELDS = 4
_LEAST_FOR_INTERVAL = 6
_EXACT = 8
_RESAMPLES = 4000
_SEED = 19_041_501


@dataclass(frozen=True)
class OutcomeStudy:
    """Laboratory results against the index and its parts.

    Attributes
    ----------
    table
        One row an outcome and measure: ``outcome`` (without its prefix), ``measure`` (``stability_index`` or an
        index part), ``welds``, ``rho`` (Spearman), ``rho_low``, ``rho_high`` (95 %, bootstrap over welds; empty where
        none can be given: with fewer than six welds, and where the orders are the same), ``p``, ``p_holm`` (Holm's
        correction over all outcomes and measures; half of the error is kept for the index, half for its parts),
        ``least_rho`` (the weakest rank correlation that so many welds can show by itself at the 5 % level; empty where
        they can show none) and ``reading``, which goes by ``p_holm``.
    points
        What to plot: ``clip``, ``beam_shape``, ``outcome``, ``value``, and one column a measure.
    readings
        How each outcome goes with the index, in plain words.
    """

    table: pd.DataFrame
    points: pd.DataFrame
    readings: tuple[str, ...]

    @property
    def reading(self) -> str:
        """All of them in one text."""
        return " ".join(self.readings)


def study_outcomes(scores: pd.DataFrame) -> OutcomeStudy:
    """Rank correlations of each ``outcome_…`` column with the stability index and its parts.

    Parameters
    ----------
    scores
        One row a weld: ``clip``, ``beam_shape``, ``stability_index``, ``d_<part>`` and columns ``outcome_…``.
        Parts are desirabilities: higher is steadier, as with the index.
    """
    import pandas as pd

    measures = {"stability_index": scores["stability_index"].to_numpy(dtype=float)}
    for part in INDEX_PARTS:
        if f"d_{part}" in scores and scores[f"d_{part}"].notna().any():
            measures[part] = scores[f"d_{part}"].to_numpy(dtype=float)
    made: list[dict[str, Any]] = []
    points = []
    cells: dict[tuple[str, str], tuple[Floats, Floats]] = {}
    for column in (name for name in scores if name.startswith("outcome_")):
        outcome = column.removeprefix("outcome_")
        values = pd.to_numeric(scores[column]).to_numpy(dtype=float)
        made += [_correlate(outcome, name, measure, values) for name, measure in measures.items()]
        cells |= {(outcome, name): (measure, values) for name, measure in measures.items()}
        known = ~np.isnan(values)
        points.append(
            scores.loc[known, ["clip", "beam_shape"]].assign(
                outcome=outcome,
                value=values[known],
                **{name: measure[known] for name, measure in measures.items()},
            )
        )
    for row, corrected in zip(made, _corrected(made), strict=True):
        row["p_holm"] = corrected
        if not row["reading"]:
            row["reading"] = _read(
                row, _hangs_on(row, *cells[row["outcome"], row["measure"]], scores["clip"].tolist())
            )
    table = pd.DataFrame(made, columns=COLUMNS)
    together = pd.concat(points, ignore_index=True) if points else pd.DataFrame()
    of_index = table.loc[table["measure"] == "stability_index", "reading"]
    return OutcomeStudy(table, together, tuple(of_index))


def _corrected(rows: list[dict[str, Any]]) -> Floats:
    """Holm's correction: the index, which is asked first, has half of the error, all parts together the other half."""
    tested = np.array([row["p"] == row["p"] for row in rows], dtype=np.bool_)
    index = np.array([row["measure"] == "stability_index" for row in rows], dtype=np.bool_)
    weights = np.where(index, 0.5 / max((index & tested).sum(), 1), 0.5 / max((~index & tested).sum(), 1))
    if not (~index & tested).any() or not (index & tested).any():
        weights = np.ones(len(rows))
    return holm([row["p"] for row in rows], weights) if rows else np.zeros(0)


def _correlate(outcome: str, name: str, measure: Floats, values: Floats) -> dict[str, Any]:
    both = ~np.isnan(measure) & ~np.isnan(values)
    x, y = measure[both], values[both]
    count = len(x)
    row: dict[str, Any] = dict.fromkeys(COLUMNS, np.nan) | {
        "outcome": outcome,
        "measure": name,
        "welds": count,
        "reading": "",
    }
    if count < MIN_WELDS or np.ptp(x) == 0 or np.ptp(y) == 0:
        why = "the values are all the same" if count >= MIN_WELDS else f"{count} welds have a value"
        return row | {"reading": f"{outcome}: nothing can be said, {why}."}
    rho, low, high, p = rank_correlation(x, y)
    return row | {
        "rho": rho,
        "rho_low": low,
        "rho_high": high,
        "p": p,
        "least_rho": least_correlation(count),
    }


def _verdict(rho: float, low: float, high: float, p: float) -> int:
    """1 or -1 where a relation is shown, by its sign; else 0. An interval that is not known does not object."""
    return int(np.sign(rho)) if p <= 0.05 and not low <= 0 <= high else 0


def _hangs_on(row: dict[str, Any], measure: Floats, values: Floats, clips: list[str]) -> str:
    """The weld without which the verdict is another, such as a slip of the pen, and what it is then."""
    both = ~np.isnan(measure) & ~np.isnan(values)
    x, y = measure[both], values[both]
    left = _left_out(x, y)
    if len(x) <= MIN_WELDS or np.isnan(left).any():
        return ""
    place = int(np.argmax(np.abs(left - left.mean())))
    rho, low, high, p = rank_correlation(np.delete(x, place), np.delete(y, place))
    corrected = min(p * row["p_holm"] / row["p"], 1.0)
    if _verdict(rho, low, high, corrected) == _verdict(
        row["rho"], row["rho_low"], row["rho_high"], row["p_holm"]
    ):
        return ""
    clip = np.array(clips)[both][place]
    return f" That hangs on one weld: without {clip} it is {_rho_words(rho, low, high)}; look at it first."


def _rho_words(rho: float, low: float, high: float) -> str:
    return f"rho {rho:+.2f}" + (f" ({low:+.2f} to {high:+.2f})" if low == low else "")


def rank_correlation(x: Floats, y: Floats) -> tuple[float, float, float, float]:
    """Spearman's rho, its 95 % bootstrap interval and p.

    The interval is bias-corrected and accelerated over resampled welds; NaN with fewer than six, and where the two
    orders are the same or reversed: resampling then gives nothing else. p is exact over all orders up to 8 welds, and
    from random orders above.

    Parameters
    ----------
    x, y
        Shape (n,), n at least 4, neither constant.

    References
    ----------
    Efron B., Better bootstrap confidence intervals, J. Am. Stat. Assoc. 82 (1987) 171-185,
    doi:10.1080/01621459.1987.10478410.
    """
    from scipy.stats import norm, rankdata

    rho = float(_rho(rankdata(x), rankdata(y)))
    if len(x) < _LEAST_FOR_INTERVAL or abs(rho) > 1 - 1e-9:
        return rho, np.nan, np.nan, _p_of_order(x, y, rho)
    with np.errstate(invalid="ignore", divide="ignore"):
        sample = _rho(_resampled_ranks(x.tobytes()), _resampled_ranks(y.tobytes()))
    left = _left_out(x, y)
    sample = np.sort(sample[~np.isnan(sample)])
    left = left[~np.isnan(left)]
    below = (np.sum(sample < rho) + 0.5 * np.sum(sample == rho)) / len(sample)
    shift = norm.ppf(np.clip(below, 1 / len(sample), 1 - 1 / len(sample)))
    departure = left.mean() - left
    power = (departure**2).sum() ** 1.5
    bend = (departure**3).sum() / (6 * power) if power > 0 else 0.0
    z = shift + norm.ppf([0.025, 0.975])
    low, high = np.quantile(sample, norm.cdf(shift + z / (1 - bend * z)))
    return rho, float(min(low, rho)), float(max(high, rho)), _p_of_order(x, y, rho)


# A measure is held against all outcomes, and an outcome against all measures.
@lru_cache(maxsize=64)
def _resampled_ranks(values: bytes) -> Floats:
    """Ranks of resampled values, shape (resamples, n); of so many values the same welds each time."""
    from scipy.stats import rankdata

    numbers = np.frombuffer(values)
    drawn = np.random.default_rng(_SEED).integers(0, len(numbers), (_RESAMPLES, len(numbers)))
    return np.asarray(rankdata(numbers[drawn], axis=1))


def _left_out(x: Floats, y: Floats) -> Floats:
    """Spearman's rho without each weld, shape (n,); NaN where what is left is constant."""
    from scipy.stats import rankdata

    with np.errstate(invalid="ignore", divide="ignore"):
        return np.array([_rho(rankdata(np.delete(x, k)), rankdata(np.delete(y, k))) for k in range(len(x))])


def _p_of_order(x: Floats, y: Floats, rho: float) -> float:
    from scipy.stats import rankdata

    orders, more = _orders(rankdata(y))
    reached = int((np.abs(_rho(rankdata(x), orders)) >= abs(rho) - 1e-9).sum())
    return (more + reached) / (more + len(orders))


def _orders(ranks: Floats) -> tuple[Floats, int]:
    """Orders of ranks, shape (orders, n): all of them and 0, or random ones and 1 for that found."""
    return ranks[_places(len(ranks))], int(len(ranks) > _EXACT)


@cache
def _places(count: int) -> NDArray[np.int64]:
    from itertools import permutations

    if count <= _EXACT:
        return np.array(list(permutations(range(count))))
    return np.random.default_rng(_SEED).permuted(np.tile(np.arange(count), (9999, 1)), axis=1)


def _rho(first: Floats, second: Floats) -> Floats:
    """Correlation of ranks along the last axis."""
    a = first - first.mean(axis=-1, keepdims=True)
    b = second - second.mean(axis=-1, keepdims=True)
    return np.asarray((a * b).sum(axis=-1) / np.sqrt((a * a).sum(axis=-1) * (b * b).sum(axis=-1)))


@cache
def least_correlation(welds: int) -> float:
    """The weakest rank correlation without ties that so many welds can show at the 5 % level; NaN where they show none.

    From the orders that p is worked out from: all of them up to 8 welds, else random ones.
    """
    first = np.arange(float(welds))
    orders, more = _orders(first)
    sizes = np.sort(np.abs(_rho(first, orders)).round(9))
    values = np.unique(sizes)
    share = (more + len(sizes) - np.searchsorted(sizes, values)) / (more + len(sizes))
    enough = values[share <= 0.05]
    return float(enough[0]) if len(enough) else np.nan


def _read(row: dict[str, Any], hangs: str) -> str:
    # Parts enter as desirabilities: "falls with spatter count" would be read the other way round.
    name, outcome, rho, p = row["measure"], row["outcome"], row["rho"], row["p_holm"]
    measure = (
        "the index"
        if name == "stability_index"
        else f"the desirability of {name.replace('_', ' ')} (higher is steadier)"
    )
    interval = f"{_rho_words(rho, row['rho_low'], row['rho_high'])} over {row['welds']} welds"
    way = "rises" if rho > 0 else "falls"
    if _verdict(rho, row["rho_low"], row["rho_high"], p):
        text = f"{outcome} {way} with {measure}: {interval}."
    elif p <= 0.05:
        text = f"{outcome}: it is not sure that it {way} with {measure}: {interval}, p {p:.2g}."
    else:
        text = f"{outcome}: no relation to {measure} can be shown, {interval}."
        if row["p"] <= 0.05:
            text += f" By itself p is {row['p']:.2g}, but among so many comparisons chance gives that too (p {p:.2g})."
    text += hangs
    if row["least_rho"] != row["least_rho"]:
        text += " So few welds cannot show any correlation."
    elif row["welds"] < 30:
        text += f" So few welds show only a correlation of {row['least_rho']:.2f} or more."
    return text + (" A correlation is no cause." if p <= 0.05 else "")
