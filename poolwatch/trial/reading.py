"""The ranking in plain words."""

from __future__ import annotations

import operator
from typing import TYPE_CHECKING

from ..model.rounding import share_of_draws
from ..model.score_words import index_words
from .crosschecks import listed

if TYPE_CHECKING:
    import pandas as pd


def read_ranking(
    table: pd.DataFrame,
    pairs: pd.DataFrame,
    part_share: dict[str, float],
    welds: pd.DataFrame,
    excluded: pd.DataFrame,
    *,
    replicated: bool,
) -> str:
    """A few sentences that say what the evidence shows and what it does not."""
    best = table.iloc[0]
    sentences = []
    if len(table) == 1:
        sentences.append(f"Only one beam shape was measured, {best['beam_shape']}: there is nothing to rank.")
    elif not replicated and (table["clips"] > 1).any():
        order = ", ".join(table["beam_shape"])
        sentences.append(
            f"In order of the index: {order}. The welds of each shape agree to the last digit, as copies do, so "
            "weld-to-weld scatter is unknown: this is an order, no proof."
        )
    elif not replicated:
        order = ", ".join(table["beam_shape"])
        sentences.append(
            f"In order of the index: {order}. There is one weld a shape, so weld-to-weld scatter is unknown: this "
            "is an order, no proof. Weld each shape at least three times before you decide."
        )
    else:
        sentences += _leader(table, pairs)
    if replicated and len(table) > 1 and (table["clips"] == 1).any():
        alone = ", ".join(table.loc[table["clips"] == 1, "beam_shape"])
        sentences.append(f"Of {alone} there is one weld only: no test is made with it; weld it again.")
    sentences += _parts(part_share)
    sentences += _weights(table)
    odd = welds[welds["outlying"] == 1]
    if len(odd):
        named = ", ".join(f"{row.clip} ({row.beam_shape})" for row in odd.itertuples())
        sentences.append(
            f"Outside the scatter of its own shape: {named}; it counts, but look at its overlay first."
        )
    if len(excluded):
        sentences.append(
            f"Not counted: {', '.join(excluded['clip'])} (reasons in the list of excluded clips)."
        )
    return " ".join(sentences)


def _leader(table: pd.DataFrame, pairs: pd.DataFrame) -> list[str]:
    best = table.iloc[0]
    of_best = pairs[pairs["shape_a"] == best["beam_shape"]]
    level = of_best.loc[(of_best["differ"] == 1).fillna(value=False).eq(other=False), "shape_b"].tolist()
    interval = index_words(best.to_dict())
    if not level:
        first = (
            f"{best['beam_shape']} is the steadiest of the {len(table)} shapes, index {interval}: it differs from "
            "every other."
        )
    elif len(level) == len(table) - 1:
        first = (
            f"{best['beam_shape']} has the highest index, {interval}, but no other shape is shown to differ from it "
            "on these welds."
        )
    else:
        first = (
            f"{best['beam_shape']} has the highest index, {interval}; it is not shown to differ from "
            f"{listed(level)} on these welds."
        )
    told = int((pairs["differ"] == 1).sum())
    second = f"{told} of {len(pairs)} pairs of shapes differ."
    sentences = [first, second] if len(pairs) > 1 else [first]
    lone = set(table.loc[table["clips"] == 1, "beam_shape"])
    with_lone = pairs["shape_a"].isin(lone) | pairs["shape_b"].isin(lone)
    untested = int((pairs["differ"].isna() & ~with_lone).sum())
    if untested:
        sentences.append(
            f"No test is made between {'the two' if len(pairs) == 1 else f'the shapes of {untested} of the pairs'}: "
            "they share no blocks that would separate their difference from that between blocks."
        )
    return sentences


def _parts(part_share: dict[str, float]) -> list[str]:
    if not part_share or not any(part_share.values()):
        return []
    ordered = sorted(part_share.items(), key=operator.itemgetter(1), reverse=True)
    named = [f"{part.replace('_', ' ')} ({share:.0%})" for part, share in ordered[:3] if share > 0]
    leading = sum(share >= 0.2 for _, share in ordered)
    if leading and sum(share for _, share in ordered[:leading]) > 0.5:
        return [f"Most of the difference between shapes comes from {listed(named[:leading])}."]
    return [f"No part alone makes the difference between shapes; most comes from {listed(named)}."]


def _weights(table: pd.DataFrame) -> list[str]:
    best = table.iloc[0]
    holds = best["order_holds"]
    if len(table) < 2 or holds != holds:
        return []
    return [
        f"With other weights of the parts, drawn at random, {best['beam_shape']} stays first in "
        f"{share_of_draws(holds)} of the draws; the welds stay the same, so this tests no difference."
    ]
