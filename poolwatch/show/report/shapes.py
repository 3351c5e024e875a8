"""Rows of the ranking, each shape's clips, and which clips are flagged, as a trial's page shows them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from ...model.flags import FLAGS, doubts
from ...model.rounding import number, share_of_draws
from ...model.score_words import figures, index_words
from .evidence import TrialEvidence
from .figures import SHORT
from .page import Picture, drawing
from .settings_tried import setting_columns, setting_heads, setting_words, settings_of

if TYPE_CHECKING:
    import pandas as pd


class Linked(NamedTuple):
    """A clip's name, and where its part of the page begins."""

    name: str
    anchor: str


class Flagged(NamedTuple):
    """A flag that casts a doubt, its meaning, and the clips that have it."""

    flag: str
    meaning: str
    clips: tuple[Linked, ...]


def flags_of(score: Mapping[Any, Any]) -> list[str]:
    """Flags of a score row."""
    return str(score.get("flags") or "").split()


def flagged_clips(scores: pd.DataFrame, anchors: Mapping[str, str]) -> list[Flagged]:
    """Flags that cast a doubt, one a line, with the clips that have them."""
    found: dict[str, list[Linked]] = {}
    for score in scores.to_dict("records"):
        for flag in doubts(flags_of(score)):
            found.setdefault(flag, []).append(Linked(str(score["clip"]), anchor_of(score, anchors)))
    return [Flagged(flag, FLAGS.get(flag, ""), tuple(clips)) for flag, clips in found.items()]


def anchor_of(score: Mapping[Any, Any], anchors: Mapping[str, str]) -> str:
    """Where the part of a clip begins; empty where the page has none."""
    return anchors.get(str(score.get("clip_id") or score["clip"]), "")


_CHANCES = {
    "probability_best": "probability of being steadiest",
    "order_holds": "rank kept under other weights, same welds",
}


def chance_heads(ranking: pd.DataFrame) -> dict[str, str]:
    """Columns of the ranking that say how sure the order is, where it can be said, and their heads."""
    return {
        name: words for name, words in _CHANCES.items() if name in ranking and ranking[name].notna().any()
    }


def ranking_rows(trial: TrialEvidence, counted: pd.DataFrame, *, settings: bool) -> list[dict[str, Any]]:
    """Cells of the ranking by name; with `settings`, those behind each shape."""
    tried = settings_of(counted) if settings else {}
    chances = chance_heads(trial.ranking)
    return [
        _ranked(row)
        | {
            "settings": tried.get(str(row.get("beam_shape") or ""), []),
            "chances": [share_of_draws(row.get(name)) for name in chances],
            "flagged": _flagged_words(counted, row.get("beam_shape")),
        }
        for row in trial.ranking.sort_values("rank", kind="stable").to_dict("records")
    ]


def _flagged_words(counted: pd.DataFrame, shape: Any) -> str:
    """How many of a shape's welds are flagged; empty where none is."""
    mine = counted[counted["beam_shape"] == shape]
    flagged = sum(bool(doubts(flags_of(score))) for score in mine.to_dict("records"))
    if not flagged:
        return ""
    return "flagged" if len(mine) == 1 else f"{flagged} of {len(mine)} welds flagged"


def _ranked(row: Mapping[Any, Any]) -> dict[str, Any]:
    return {
        "rank": number(row.get("rank")),
        "shape": str(row.get("beam_shape") or ""),
        "clips": number(row.get("clips")),
        "index": index_words(row),
        "group": str(row.get("group") or ""),
        "remarks": _without_flags(str(row.get("remarks") or "")),
    }


def _without_flags(remarks: str) -> str:
    """Remarks without those that only list a clip's flags: these have a place of their own."""
    parts = remarks.split("; ")
    return "; ".join(part for part in parts if not set(part.rpartition(": ")[2].split(", ")) <= set(FLAGS))


def other_notes(notes: Sequence[str], flagged: Sequence[Flagged]) -> list[str]:
    """Notes but for those that say what a flag means, which is said with the flag."""
    meanings = tuple(one.meaning for one in flagged if one.meaning)
    return [note for note in notes if not (meanings and note.endswith(meanings))]


def shape_view(row: Mapping[Any, Any], trial: TrialEvidence, anchors: Mapping[str, str]) -> dict[str, Any]:
    """What the page shows of one beam shape: its clips, their scatter, its settings and the profile of its beam."""
    name = str(row.get("beam_shape") or "")
    scores = trial.scores[trial.scores["beam_shape"].astype(str) == name]
    left_out = {str(clip) for clip, _ in trial.excluded}
    alone = settings_of(trial.scores).get(name, [])
    columns = [] if alone else setting_columns(trial.scores)
    records = scores.to_dict("records")
    short = zip(*(figures(records, column) for column, _ in SHORT), strict=True)
    clips = [
        {
            "name": str(score["clip"]),
            "anchor": anchor_of(score, anchors),
            "settings": setting_words(score, columns),
            "index": index_words(score),
            "figures": list(cells),
            "flags": flags_of(score),
            "doubts": doubts(flags_of(score)),
            "excluded": str(score["clip"]) in left_out,
        }
        for score, cells in zip(records, short, strict=True)
    ]
    index = scores.loc[~scores["clip"].astype(str).isin(left_out), "stability_index"].dropna()
    spread = float(index.std(ddof=1)) if len(index) > 1 else math.nan
    beam = trial.beams.get(name)
    shown: Picture | None = None if beam is None else drawing(beam)
    return {
        "name": name,
        "clips": clips,
        "spread": number(spread, spread),
        "count": len(index),
        "one": len(index) == 1,
        "settings": [
            pair for pair in zip(setting_heads(trial.scores), alone, strict=False) if pair[1] != "–"
        ],
        "tried": bool(columns),
        "beam": shown,
    }
