"""The report of a trial: ranking first, then the evidence of each shape, then each clip."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...model.files import write_text
from ..stills.trial import (
    effects_figure,
    factor_columns,
    factor_figure,
    outcome_columns,
    outcomes_figure,
    plain,
    ranking_figure,
)
from .clip import clip_section
from .evidence import ClipEvidence, ClipPiece, TrialEvidence
from .figures import SHORT, figure, index_words
from .head import head_lines
from .page import Picture, known, number, picture, render

if TYPE_CHECKING:
    import pandas as pd


def trial_report(path: str | Path, trial: TrialEvidence) -> None:
    """Write the report of a trial.

    Parameters
    ----------
    path
        The page, ``report.html``; the videos' paths are relative to its folder.
    trial
        What it shows. Its clips are gone through once, so they may be read one after the other.

    Raises
    ------
    OutputError
        The page cannot be written.
    """
    # Each clip becomes a piece of text at once, so that a long trial never stands in memory whole.
    pieces = [
        made if isinstance(made, ClipPiece) else clip_piece(made, count)
        for count, made in enumerate(trial.clips, 1)
    ]
    anchors = {piece.key: piece.anchor for piece in pieces}
    ranking = trial.ranking.sort_values("rank", kind="stable")
    shapes = [_shape(row, trial, anchors) for row in ranking.to_dict("records")]
    counted = _counted(trial)
    values = {
        "title": trial.name,
        "about": trial.about,
        "head": head_lines(counted),
        "ranking_picture": picture(
            ranking_figure(trial.ranking, counted),
            dpi=150.0,
            narrow=ranking_figure(trial.ranking, counted, narrow=True),
        ),
        "ranking": [_ranked(row) for row in ranking.to_dict("records")],
        "reading": list(trial.reading),
        "shapes": shapes,
        "sections": [piece.html for piece in pieces],
        "figures": _figures(trial),
        "advice": _advice(trial.next_welds),
        "excluded": list(trial.excluded),
        "notes": list(trial.notes),
        "checked": [(piece.anchor, piece.checked) for piece in pieces if piece.checked],
        "run": trial.run,
        "sidebyside": trial.sidebyside,
        "clip_count": len(pieces),
        "short": [words for _, words in SHORT],
    }
    write_text(path, render("trial.html.j2", values))


def clip_piece(evidence: ClipEvidence, number: int) -> ClipPiece:
    """A clip's part of a trial's page, the `number`-th from 1; clips may be made side by side in processes."""
    section = clip_section(evidence, number, dpi=88.0)
    html = render("section.html.j2", {"clip": section, "alone": False})
    checked = f"{evidence.result.name}: {section['checked']['headline']}" if section["checked"] else ""
    key = str(evidence.result.score_of("clip_id") or evidence.result.name)
    return ClipPiece(html, section["id"], key, checked)


def _counted(trial: TrialEvidence) -> pd.DataFrame:
    """Score rows of the clips that count: the others are listed, but enter no mean, scatter or figure."""
    left_out = [clip for clip, _ in trial.excluded]
    return trial.scores[~trial.scores["clip"].isin(left_out)]


def _figures(trial: TrialEvidence) -> list[tuple[Picture, str, str]]:
    """Address, title and words of the figures about factors and outcomes that have something to show."""
    scores, found = _counted(trial), []
    if factor_columns(scores):
        words = "Every weld, with the mean of each level."
        found.append((partial(factor_figure, scores), "Index against process factors", words))
    if trial.effects is not None and len(trial.effects):
        words = "Estimated effects on the index with their 95 % intervals."
        found.append((partial(effects_figure, trial.effects), "Effects of the process factors", words))
    if outcome_columns(scores):
        words = "One dot a weld. A cloud without a slope means that the index says nothing about that result."
        found.append((partial(outcomes_figure, scores), "Index against laboratory results", words))
    return [
        (picture(draw(), dpi=150.0, narrow=draw(narrow=True)), title, words) for draw, title, words in found
    ]


def _advice(next_welds: pd.DataFrame | None) -> dict[str, list[Any]]:
    """Head and rows of the table of what to weld next; empty where there is none."""
    if next_welds is None or not len(next_welds):
        return {}
    settings = [name for name in next_welds if name == "beam_shape" or str(name).startswith("factor_")]
    welds = Counter(
        (
            *(row[name] if isinstance(row[name], str) else number(row[name]) for name in settings),
            f"{row['predicted']:.0f} ± {row['predicted_u']:.0f}",
            f"{row['weld_low']:.0f} to {row['weld_high']:.0f}",
        )
        for row in next_welds.to_dict("records")
    )
    rows = [[*cells, str(times)] for cells, times in welds.items()]
    return {"head": [plain(name) for name in settings], "rows": rows}


def _ranked(row: Mapping[str, Any]) -> dict[str, str]:
    def share(value: Any) -> str:
        return f"{100 * float(value):.0f} %" if known(value) else "–"

    def chance(value: Any) -> str:
        # Draws never make it certain, nor impossible.
        if known(value) and not 0.005 <= float(value) <= 0.995:
            return "over 99 %" if float(value) > 0.5 else "under 1 %"
        return share(value)

    return {
        "rank": number(row.get("rank")),
        "shape": str(row.get("beam_shape") or ""),
        "clips": number(row.get("clips")),
        "index": index_words(row),
        "group": str(row.get("group") or ""),
        "best": chance(row.get("probability_best")),
        "holds": share(row.get("order_holds")),
        "remarks": str(row.get("remarks") or ""),
    }


def _shape(row: Mapping[str, Any], trial: TrialEvidence, anchors: Mapping[str, str]) -> dict[str, Any]:
    name = str(row.get("beam_shape") or "")
    scores = trial.scores[trial.scores["beam_shape"].astype(str) == name]
    left_out = {str(clip) for clip, _ in trial.excluded}
    clips = [
        {
            "name": str(score["clip"]),
            "anchor": anchors.get(str(score.get("clip_id") or score["clip"]), ""),
            "index": index_words(score),
            "figures": [figure(score, column) for column, _ in SHORT],
            "flags": str(score.get("flags") or "").split(),
            "excluded": str(score["clip"]) in left_out,
        }
        for score in scores.to_dict("records")
    ]
    index = scores.loc[~scores["clip"].astype(str).isin(left_out), "stability_index"].dropna()
    spread = float(index.std(ddof=1)) if len(index) > 1 else math.nan
    return {
        "name": name,
        "clips": clips,
        "spread": number(spread),
        "count": len(index),
        "one": len(index) == 1,
    }
