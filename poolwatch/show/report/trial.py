"""The report of a trial: ranking first, then the evidence of each shape, then each clip."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matplotlib.figure import Figure

from ...experiment.factors import BLOCK, BLOCK_COLUMN, SHAPE
from ...model.files import write_text
from ...model.rounding import with_uncertainty
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
from .figures import SHORT
from .head import head_lines
from .notes import grouped, grouped_reasons
from .page import Picture, picture, render
from .settings_tried import is_designed, setting, setting_heads, short_settings
from .shapes import chance_heads, flagged_clips, other_notes, ranking_rows, shape_view

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
    # Each clip becomes a piece of text at once, so that a long trial never is in memory whole.
    pieces = [
        made if isinstance(made, ClipPiece) else clip_piece(made, count)
        for count, made in enumerate(trial.clips, 1)
    ]
    anchors = {piece.key: piece.anchor for piece in pieces}
    ranking = trial.ranking.sort_values("rank", kind="stable")
    counted = _counted(trial)
    designed = is_designed(counted, trial.effects)
    names = _names(trial)
    flagged = flagged_clips(trial.scores, anchors)
    tried = short_settings(counted) if designed else {}
    draw = partial(ranking_figure, trial.ranking, counted, settings=tried)
    values = {
        "title": trial.name,
        "about": trial.about,
        "head": head_lines(counted),
        "designed": designed,
        "ranking_picture": picture(draw(), dpi=150.0, narrow=draw(narrow=True)),
        "ranking": ranking_rows(trial, counted, settings=designed),
        "chances": list(chance_heads(trial.ranking).values()),
        "setting_heads": setting_heads(counted) if designed else [],
        "reading": list(trial.reading),
        "factor_reading": list(trial.factor_reading),
        "outcome_reading": list(trial.outcome_reading),
        "shapes": [shape_view(row, trial, anchors) for row in ranking.to_dict("records")],
        "sections": [piece.html for piece in pieces],
        "factor_figures": _factor_figures(trial, counted),
        "outcome_figures": _outcome_figures(counted),
        "advice": _advice(trial.next_welds),
        "excluded": grouped_reasons(trial.excluded, names),
        "notes": grouped(other_notes(trial.notes, flagged), names),
        "flagged": flagged,
        "checked": [(piece.anchor, piece.checked) for piece in pieces if piece.checked],
        "run": _run_rows(trial.run),
        "sidebyside": trial.sidebyside,
        "clip_count": len(pieces),
        "short": [words for _, words in SHORT],
    }
    write_text(path, render("trial.html.j2", values))


def clip_piece(evidence: ClipEvidence, number: int) -> ClipPiece:
    """A clip's part of a trial's page, the `number`-th from 1; clips may be made side by side in processes."""
    section = clip_section(evidence, number, dpi=132.0)
    html = render("section.html.j2", {"clip": section, "alone": False})
    checked = f"{evidence.result.name}: {section['checked']['headline']}" if section["checked"] else ""
    key = str(evidence.result.score_of("clip_id") or evidence.result.name)
    return ClipPiece(html, section["id"], key, checked)


def _run_rows(run: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Words and value of what a trial was ranked with."""
    return [
        (
            str(words),
            ", ".join(f"{name.replace('_', ' ')} {one}" for name, one in value.items())
            if isinstance(value, Mapping)
            else str(value),
        )
        for words, value in run.items()
    ]


def _counted(trial: TrialEvidence) -> pd.DataFrame:
    """Score rows of the clips that count: the others are listed, but enter no mean, scatter or figure."""
    left_out = [clip for clip, _ in trial.excluded]
    return trial.scores[~trial.scores["clip"].isin(left_out)]


def _names(trial: TrialEvidence) -> list[str]:
    """What notes may differ in and still say the same: clips, shapes, columns."""
    columns = [str(name) for name in trial.scores if str(name).startswith(("factor_", "outcome_"))]
    bare = [name.split("_", 1)[1] for name in columns]
    return [*map(str, trial.scores["clip"]), *map(str, trial.scores["beam_shape"]), *columns, *bare]


Drawn = tuple[Picture, str, str]
"""A figure, its title and its words."""


def _factor_figures(trial: TrialEvidence, counted: pd.DataFrame) -> list[Drawn]:
    """What the factors do: effects first, then every weld; blocks, which nobody chooses, by themselves."""
    found = []
    names = factor_columns(counted)
    effects = trial.effects
    if effects is not None:
        effects = effects[effects["term"] != BLOCK]
        if (effects["term"] == SHAPE).any():
            names = [SHAPE, *names]
    if effects is not None and len(effects):
        words = (
            "Estimated effects on the index with their 95 % intervals: of a number from its lowest to its highest "
            "value, of one of several words against the mean of all."
        )
        found.append((partial(effects_figure, effects), "Effects of the process factors", words))
    if names:
        words = "Every weld, with the mean of each level."
        found.append((partial(factor_figure, counted, names), "Index against process factors", words))
    if BLOCK_COLUMN in counted and len(set(counted[BLOCK_COLUMN].dropna())) > 1:
        words = "Every weld, with the mean of each day, sheet or batch: no factor, for nobody chooses it."
        found.append((partial(factor_figure, counted, [BLOCK_COLUMN]), "Index against blocks", words))
    return _drawn(found)


def _outcome_figures(counted: pd.DataFrame) -> list[Drawn]:
    if not outcome_columns(counted):
        return []
    words = "One dot a weld. A cloud without a slope means that the index says nothing about that result."
    return _drawn([(partial(outcomes_figure, counted), "Index against laboratory results", words)])


def _drawn(figures: Iterable[tuple[Callable[..., Figure], str, str]]) -> list[Drawn]:
    return [
        (picture(draw(), dpi=150.0, narrow=draw(narrow=True)), title, words) for draw, title, words in figures
    ]


def _advice(next_welds: pd.DataFrame | None) -> dict[str, list[Any]]:
    """Head and rows of the table of what to weld next; empty where there is none."""
    if next_welds is None or not len(next_welds):
        return {}
    settings = [name for name in next_welds if name == "beam_shape" or str(name).startswith("factor_")]
    welds = Counter(
        (
            *(setting(row[name]) for name in settings),
            with_uncertainty(row["predicted"], row["predicted_u"]),
            f"{row['weld_low']:.0f} to {row['weld_high']:.0f}",
        )
        for row in next_welds.to_dict("records")
    )
    rows = [[*cells, str(times)] for cells, times in welds.items()]
    return {"head": [plain(name) for name in settings], "rows": rows}
