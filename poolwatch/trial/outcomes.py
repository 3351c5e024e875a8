"""How laboratory results go with the index and its parts, and how little a few welds can show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..model.tables import INDEX_PARTS
from .scatter import holm

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
COLUMNS = ["outcome", "measure", "welds", "rho", "rho_low", "rho_high", "p", "p_holm", "least_rho", "reading"]
MIN_WELDS = 4
_RESAMPLES = 4000
_SEED = 19_041_501


@dataclass(frozen=True)
class OutcomeStudy:
    """Laboratory results against the index and its parts.

    Attributes
    ----------
    table
        One row an outcome and measure: ``outcome`` (without its prefix), ``measure`` (``stability_index`` or an
        index part), ``welds``, ``rho`` (Spearman), ``rho_low``, ``rho_high`` (95 %, bootstrap over welds),
        ``p``, ``p_holm`` (over the measures of one outcome), ``least_rho`` (the weakest rank correlation that so
        many welds would tell from none) and ``reading``.
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
    for column in (name for name in scores if name.startswith("outcome_")):
        outcome = column.removeprefix("outcome_")
        values = pd.to_numeric(scores[column]).to_numpy(dtype=float)
        clips = scores["clip"].tolist()
        rows = [_correlate(outcome, name, measure, values, clips) for name, measure in measures.items()]
        for row, corrected in zip(rows, holm([row["p"] for row in rows]), strict=True):
            row["p_holm"] = corrected
        made += rows
        known = ~np.isnan(values)
        points.append(
            scores.loc[known, ["clip", "beam_shape"]].assign(
                outcome=outcome,
                value=values[known],
                **{name: measure[known] for name, measure in measures.items()},
            )
        )
    table = pd.DataFrame(made, columns=COLUMNS)
    together = pd.concat(points, ignore_index=True) if points else pd.DataFrame()
    of_index = table.loc[table["measure"] == "stability_index", "reading"]
    return OutcomeStudy(table, together, tuple(of_index))


def _correlate(outcome: str, name: str, measure: Floats, values: Floats, clips: list[str]) -> dict[str, Any]:
    both = ~np.isnan(measure) & ~np.isnan(values)
    x, y = measure[both], values[both]
    count = len(x)
    row: dict[str, Any] = dict.fromkeys(COLUMNS, np.nan) | {
        "outcome": outcome,
        "measure": name,
        "welds": count,
    }
    if count < MIN_WELDS or np.ptp(x) == 0 or np.ptp(y) == 0:
        why = "the values are all the same" if count >= MIN_WELDS else f"{count} welds have a value"
        return row | {"reading": f"{outcome}: nothing can be said, {why}."}
    left = _left_out(x, y)
    rho, low, high, p = rank_correlation(x, y, left=left)
    least = least_correlation(count)
    row |= {"rho": rho, "rho_low": low, "rho_high": high, "p": p, "least_rho": least}
    alone = _hangs_on(x, y, left, _verdict(rho, low, high, p))
    hangs = ""
    if alone is not None:
        clip, text = np.array(clips)[both][alone[0]], alone[1]
        hangs = f" That hangs on one weld: without {clip} it is {text}; look at it first."
    return row | {"reading": _read(outcome, name, count, rho, low, high, p, least, hangs)}


def _verdict(rho: float, low: float, high: float, p: float) -> int:
    """1 or -1 where a relation is shown, by its sign; else 0."""
    return int(np.sign(rho)) if p <= 0.05 and (low > 0 or high < 0) else 0


def _hangs_on(x: Floats, y: Floats, left: Floats, verdict: int) -> tuple[int, str] | None:
    """The weld without which the verdict is another, such as a slip of the pen, and what it is then."""
    if len(x) <= MIN_WELDS or np.isnan(left).any():
        return None
    place = int(np.argmax(np.abs(left - left.mean())))
    rho, low, high, p = rank_correlation(np.delete(x, place), np.delete(y, place))
    if _verdict(rho, low, high, p) == verdict:
        return None
    return place, f"rho {rho:+.2f} ({low:+.2f} to {high:+.2f})"


def rank_correlation(
    x: Floats, y: Floats, *, left: Floats | None = None
) -> tuple[float, float, float, float]:
    """Spearman's rho, its 95 % bootstrap interval and p.

    The interval is bias-corrected and accelerated over resampled welds; p is exact over all orders up to 8
    welds, and from random orders above.

    Parameters
    ----------
    x, y
        Shape (n,), n at least 4, neither constant.
    left
        Rho without each weld, shape (n,), where it is known already.

    References
    ----------
    Efron B., Better bootstrap confidence intervals, J. Am. Stat. Assoc. 82 (1987) 171-185,
    doi:10.1080/01621459.1987.10478410.
    """
    from scipy.stats import norm, rankdata

    rho = float(_rho(rankdata(x), rankdata(y)))
    rng = np.random.default_rng(_SEED)
    count = len(x)
    drawn = rng.integers(0, count, (_RESAMPLES, count))
    with np.errstate(invalid="ignore", divide="ignore"):
        sample = _rho(rankdata(x[drawn], axis=1), rankdata(y[drawn], axis=1))
    left = _left_out(x, y) if left is None else left
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


def _left_out(x: Floats, y: Floats) -> Floats:
    """Spearman's rho without each weld, shape (n,); NaN where what is left is constant."""
    from scipy.stats import rankdata

    with np.errstate(invalid="ignore", divide="ignore"):
        return np.array([_rho(rankdata(np.delete(x, k)), rankdata(np.delete(y, k))) for k in range(len(x))])


def _p_of_order(x: Floats, y: Floats, rho: float) -> float:
    from itertools import permutations

    from scipy.stats import rankdata

    first, second = rankdata(x), rankdata(y)
    if len(x) <= 8:
        orders = np.array(list(permutations(second)))
        return float((np.abs(_rho(first, orders)) >= abs(rho) - 1e-9).mean())
    orders = np.random.default_rng(_SEED).permuted(np.tile(second, (9999, 1)), axis=1)
    return float((1 + (np.abs(_rho(first, orders)) >= abs(rho) - 1e-9).sum()) / 10_000)


def _rho(first: Floats, second: Floats) -> Floats:
    """Correlation of ranks along the last axis."""
    a = first - first.mean(axis=-1, keepdims=True)
    b = second - second.mean(axis=-1, keepdims=True)
    return np.asarray((a * b).sum(axis=-1) / np.sqrt((a * a).sum(axis=-1) * (b * b).sum(axis=-1)))


def least_correlation(welds: int) -> float:
    """The weakest correlation that so many welds tell from none at the 5 % level, by Student's approximation."""
    from scipy.stats import t

    critical = t.ppf(0.975, welds - 2)
    return float(critical / np.sqrt(welds - 2 + critical**2))


def _read(
    outcome: str,
    name: str,
    count: int,
    rho: float,
    low: float,
    high: float,
    p: float,
    least: float,
    hangs: str,
) -> str:
    # Parts enter as desirabilities: "falls with spatter count" would be read the other way round.
    measure = (
        "the index"
        if name == "stability_index"
        else f"the desirability of {name.replace('_', ' ')} (higher is steadier)"
    )
    interval = f"rho {rho:+.2f} ({low:+.2f} to {high:+.2f}) over {count} welds"
    way = "rises" if rho > 0 else "falls"
    if _verdict(rho, low, high, p):
        text = f"{outcome} {way} with {measure}: {interval}."
    elif p <= 0.05:
        text = f"{outcome}: it is not sure that it {way} with {measure}: {interval}, p {p:.2g}."
    else:
        text = f"{outcome}: no relation to {measure} can be shown, {interval}."
    text += hangs
    if count < 30:
        text += f" So few welds tell only a correlation beyond {least:.2f} from none."
    return text + (" A correlation is no cause." if p <= 0.05 else "")
