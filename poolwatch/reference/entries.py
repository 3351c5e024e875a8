"""An entry of the reference, a section of entries, and how words are found in them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ..model.errors import UsageError

_SUGGESTIONS = 3


@dataclass(frozen=True)
class ReferenceEntry:
    """One word and what it means.

    Attributes
    ----------
    word
        As it is written in a file, a settings file or on the command line.
    meaning
        In plain words.
    extra
        Cells of the section's other columns, in their order.
    """

    word: str
    meaning: str
    extra: tuple[str, ...] = ()


@dataclass(frozen=True)
class Section:
    """Entries of one kind.

    Attributes
    ----------
    name
        A word by which `poolwatch explain` shows the section.
    title
        Its heading.
    about
        What to know before reading it; may be empty.
    heads
        Head of the word's column, of each extra column, and of the meaning's.
    entries
        In the order of the code.
    """

    name: str
    title: str
    about: str
    heads: tuple[str, ...]
    entries: tuple[ReferenceEntry, ...]

    def __post_init__(self) -> None:
        for entry in self.entries:
            if len(entry.extra) != len(self.heads) - 2:
                raise ValueError(f"{self.name}, {entry.word}: {len(entry.extra)} cells for {self.heads}")

    def rows(self) -> list[tuple[str, ...]]:
        """Cells of every entry, in the order of `heads`."""
        return [(entry.word, *entry.extra, entry.meaning) for entry in self.entries]

    def only(self, entries: Sequence[ReferenceEntry]) -> Section:
        """The same section with some of its entries."""
        return Section(self.name, self.title, "", self.heads, tuple(entries))


def find(sections: Sequence[Section], word: str) -> list[Section]:
    """What the reference says of a word: sections and entries of that name, else entries with the word in their name.

    Where no name holds it, entries whose meaning does.

    Raises
    ------
    UsageError
        The word is nowhere in the reference; near ones are named.
    """
    wanted = word.strip().casefold()
    whole = [section for section in sections if section.name == wanted]
    # A letter or two are in every meaning.
    in_meanings = wanted if len(wanted) > 2 else "\0"
    ways: tuple[Callable[[ReferenceEntry], bool], ...] = (
        lambda entry: entry.word.casefold() == wanted,
        lambda entry: wanted in entry.word.casefold(),
        lambda entry: in_meanings in entry.meaning.casefold(),
    )
    for fits in ways:
        found = [
            section.only(entries)
            for section in sections
            if (entries := [entry for entry in section.entries if wanted and fits(entry)])
        ]
        if whole or found:
            return [*whole, *found]
    names = _names(sections)
    near = difflib.get_close_matches(
        wanted, sorted(names | {section.name for section in sections}), _SUGGESTIONS
    )
    cure = f"did you mean {', '.join(near)}?" if near else "`poolwatch explain` lists the sections"
    raise UsageError(f"{word!r} is no word of the reference; {cure}")


def longer_names(sections: Sequence[Section], word: str) -> list[str]:
    """Words of the reference that hold a word of it, in order of the alphabet: `find` does not show them with it."""
    wanted = word.strip().casefold()
    names = _names(sections)
    if wanted not in {name.casefold() for name in names}:
        return []
    pattern = re.compile(rf"(?<![a-z]){re.escape(wanted)}(?![a-z])")
    return sorted(name for name in names if name.casefold() != wanted and pattern.search(name.casefold()))


def _names(sections: Sequence[Section]) -> set[str]:
    return {entry.word for section in sections for entry in section.entries}
