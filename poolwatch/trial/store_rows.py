"""Score rows as rows of a trial database's tables, and back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..model.tables import SCORE
from ..model.weld_facts import WELD_FACTS
from .facts import CONFIRMED
from .store_schema import KEY

if TYPE_CHECKING:
    import pandas as pd


def rows_of(
    scores: pd.DataFrame, keys: Sequence[tuple[str, str, str]], now: str
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Rows of the two tables."""
    folders = scores["folder"] if "folder" in scores else [""] * len(scores)
    rows = [
        {name: _plain(value) for name, value in zip(SCORE.names, values, strict=True)}
        | {"trial": key[0], "folder": folder, "stored_at": now}
        for values, key, folder in zip(
            scores[SCORE.names].itertuples(index=False, name=None), keys, folders, strict=True
        )
    ]
    passed = (CONFIRMED, *WELD_FACTS.names)
    extra = [name for name in scores if name.startswith(("factor_", "outcome_")) or name in passed]
    values = []
    for place, name in enumerate(extra):
        cells = list(zip(keys, map(_plain, scores[name]), strict=True))
        # An empty cell of the first weld keeps a column that nobody has filled in yet.
        filled = [(key, value) for key, value in cells if value not in (None, "")] or [
            (key, None) for key, _ in cells[:1]
        ]
        values += [
            dict(zip(KEY, key, strict=True)) | {"name": name, "place": place} | _number_or_words(value)
            for key, value in filled
        ]
    return rows, values


def latest(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row a clip and settings, the one stored last, in the order given."""
    chosen: dict[tuple[str, str], int] = {}
    for n, row in enumerate(rows):
        pair = (row["clip_id"], row["settings_id"])
        if pair not in chosen or str(row["stored_at"]) > str(rows[chosen[pair]]["stored_at"]):
            chosen[pair] = n
    return [rows[n] for n in sorted(chosen.values())]


def with_values(frame: pd.DataFrame, extra: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """Columns of factors and outcomes; in the first version of the tables these belonged to no trial."""
    pairs = list(zip(frame["clip_id"], frame["settings_id"], strict=True))
    place = {(trial, *pair): n for n, (trial, pair) in enumerate(zip(frame["trial"], pairs, strict=True))}
    first = {pair: n for n, pair in enumerate(pairs)}
    cells: dict[str, list[float | str | None]] = {}
    # Rows of an earlier version have no place; of several trials, a column stands where the first one has it.
    extra = sorted(extra, key=lambda row: (row.get("place") is None, row.get("place") or 0, row["name"]))
    for row in extra:
        pair = (row["clip_id"], row["settings_id"])
        number = place.get((row["trial"], *pair)) if "trial" in row else first.get(pair)
        if number is not None:
            column = cells.setdefault(row["name"], [None] * len(frame))
            column[number] = row["words"] if row["words"] is not None else row["number"]
    for name, column in cells.items():
        frame[name] = column
    return frame


def _plain(value: Any) -> Any:
    """A value as a database takes it: no NaN, no NumPy types."""
    if value is None or str(value) in ("nan", "<NA>"):
        return None
    return value.item() if hasattr(value, "item") else value


def _number_or_words(value: Any) -> dict[str, Any]:
    if value is None or isinstance(value, str):
        return {"number": None, "words": value}
    return {"number": float(value), "words": None}
