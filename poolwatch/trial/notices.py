"""Notices of a followed trial: how far it is, what a clip came to, what that does to the ranking."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from ..model.score_words import index_words

if TYPE_CHECKING:
    import pandas as pd

    from .results import TrialResult


class Notice(NamedTuple):
    """Something that a followed trial says.

    Attributes
    ----------
    kind
        ``sheet`` (how far it is filled in), ``arriving``, ``measuring``, ``clip`` (its figures), ``failed``,
        ``ranking``, ``note``, ``trouble`` or ``idle`` (nothing to do until something changes).
    text
        In words, one line.
    """

    kind: str
    text: str


Notify = Callable[[Notice], None]


@dataclass(frozen=True)
class FollowState:
    """How far a followed trial is.

    Attributes
    ----------
    rows
        Welds in the manifest.
    measured, failed
        Clips that are measured, and that could not be.
    """

    rows: int
    measured: int
    failed: int

    @property
    def words(self) -> str:
        """Such as ``6 of 9 welds measured, 1 failed, 2 to come``."""
        said = f"{self.measured} of {self.rows} welds measured"
        said += f", {self.failed} failed" if self.failed else ""
        left = self.rows - self.measured - self.failed
        return said + (f", {left} to come" if left else "")


class Announcer:
    """Says what is new, and nothing twice."""

    def __init__(self, notify: Notify) -> None:
        self._notify = notify
        self._last: dict[str, str] = {}
        self._said: set[str] = set()

    def say(self, kind: str, text: str) -> None:
        """In any case."""
        self._last.pop("idle", None)
        self._notify(Notice(kind, text))

    def say_once(self, kind: str, text: str) -> None:
        """Unless it is what was said last of this kind."""
        if self._last.get(kind) != text:
            self.say(kind, text)
            self._last[kind] = text

    def say_new(self, kind: str, texts: Sequence[str]) -> None:
        """What was never said."""
        for text in texts:
            if text not in self._said:
                self._said.add(text)
                self.say(kind, text)

    def trouble(self, what: str, text: str) -> None:
        """A trouble of one thing, once until it is another one or over; each line of it by itself."""
        if self._last.get(f"trouble {what}") != text:
            self._last[f"trouble {what}"] = text
            for line in text.splitlines():
                self.say("trouble", line)

    def over(self, what: str) -> None:
        """Trouble of one thing is over: the same is news again."""
        self._last.pop(f"trouble {what}", None)

    def figures(self, result: TrialResult, before: TrialResult | None, fresh: set[str]) -> None:
        """The clips measured since, and what they do to the ranking."""
        excluded = dict(zip(result.ranking.excluded["clip"], result.ranking.excluded["reason"], strict=True))
        for row in result.scores.to_dict("records"):
            if row["clip"] in fresh:
                self.say("clip", _clip_words(row, excluded.get(row["clip"], "")))
        self.say_once(
            "ranking", _ranking_words(result.ranking.table, before.ranking.table if before else None)
        )
        self.say_new("note", [*result.ranking.notes, *result.notes])


def _clip_words(row: dict[str, object], excluded: str) -> str:
    name = f"{row['clip']} ({row['beam_shape']}, {row['replicate']})"
    index = index_words(row)
    flags = f"; {', '.join(str(row['flags']).split())}" if row["flags"] else ""
    return f"{name}: index {index}{flags}" + (f"; not counted: {excluded}" if excluded else "")


def _ranking_words(table: pd.DataFrame, before: pd.DataFrame | None) -> str:
    rows = table.to_dict("records")
    listed = ", ".join(
        f"{row['beam_shape']} {index_words(row)}" + (f" {row['group']}" if row["group"] else "")
        for row in rows
    )
    welds = int(table["clips"].sum())
    said = f"{welds} weld{'s' * (welds > 1)}: {listed}"
    if before is None:
        return said
    was = before["beam_shape"].tolist()
    now = [shape for shape in table["beam_shape"] if shape in was]
    kept = [shape for shape in was if shape in now]
    return said + (" (order as before)" if now == kept else f" (order changed: was {', '.join(kept)})")
