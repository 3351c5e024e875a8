"""Sentences of a text, and the long ones among them."""

from __future__ import annotations

import re

LONGEST = 30
_FENCE = re.compile(r"^```.*?^```", re.MULTILINE | re.DOTALL)
# Where a thought ends without a full stop: an empty line, a table cell, an item of a list, a heading, an indent.
_BREAK = re.compile(r"\n\s*\n|\n(?=\s*(?:[-*|#]|\d+\.)\s)|\|")
_STOP = re.compile(r"(?<=[.!?])[)\"*_]*\s+")
_WORD = re.compile(r"\w")


def sentences(text: str) -> list[str]:
    """Sentences of plain text or Markdown, code blocks left out; a cell or an item ends one."""
    found = []
    for part in _BREAK.split(_FENCE.sub("\n\n", text)):
        found += [" ".join(sentence.split()) for sentence in _STOP.split(part) if sentence.strip()]
    return found


def words(sentence: str) -> int:
    """How many words a sentence has: what holds a letter or a digit."""
    return sum(1 for word in sentence.split() if _WORD.search(word))


def too_long(text: str) -> list[str]:
    """Sentences of more than `LONGEST` words, each with its count before it."""
    return [f"{words(one)}: {one}" for one in sentences(text) if words(one) > LONGEST]
