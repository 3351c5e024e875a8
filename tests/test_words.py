"""Pages, help texts and messages are in short sentences."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from poolwatch.cli.main import poolwatch
from poolwatch.model.flags import BEAD_FLAGS, FLAGS, STATUSES
from poolwatch.reference import markdown_page, sections

from .messages import messages, text_of
from .words import sentences, too_long, words

ROOT = Path(__file__).resolve().parents[1]
LARGEST = {"README.md": 12 * 1024, "DEVELOPERS.md": 15 * 1024}


def commands(command: click.Command, name: str) -> Iterator[tuple[str, click.Command]]:
    yield name, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for word in command.list_commands(context):
            inner = command.get_command(context, word)
            assert inner is not None
            yield from commands(inner, f"{name} {word}")


def help_texts() -> Iterator[tuple[str, str]]:
    for name, command in commands(poolwatch, "poolwatch"):
        paragraphs = inspect.cleandoc(command.help or "").split("\n\n")
        # Click leaves a paragraph as it is that begins with a backspace: those are examples.
        yield name, "\n\n".join(part for part in paragraphs if not part.startswith("\b"))
        for option in command.params:
            if isinstance(option, click.Option):
                yield f"{name} {option.opts[0]}", option.help or ""


def test_sentences_are_counted():
    text = (
        "One two three. Four (five)! **Six.** Seven\n\n```\nnot counted\n```\n| cell one | cell two |\n- item"
    )
    assert sentences(text) == [
        "One two three.",
        "Four (five)!",
        "**Six.",
        "Seven",
        "cell one",
        "cell two",
        "- item",
    ]
    assert [words(one) for one in sentences(text)] == [3, 2, 1, 1, 2, 2, 1]
    assert too_long("word " * 30) == []
    assert len(too_long("word " * 31)) == 1


@pytest.mark.parametrize("page", LARGEST)
def test_a_page_is_short_and_so_are_its_sentences(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    assert too_long(text) == []
    assert len(text.encode()) <= LARGEST[page]


def test_sentences_of_the_reference_are_short():
    assert too_long(markdown_page(sections())) == []


def test_sentences_of_help_texts_are_short():
    texts = dict(help_texts())
    assert len(texts) > 200
    assert {name: long for name, text in texts.items() if (long := too_long(text))} == {}


def test_every_command_and_option_has_a_help_text():
    assert [name for name, text in help_texts() if not text] == []


def test_sentences_of_flags_are_short():
    texts = {**STATUSES, **FLAGS, **BEAD_FLAGS}
    assert {name: long for name, text in texts.items() if (long := too_long(text))} == {}


def test_messages_are_found_in_the_source():
    found = dict(messages())
    assert len(found) > 700
    assert any("give a name that ends in .png" in text for text in found.values())
    node = ast.parse('f"{a} is {b:.2f}" + (" long one" if c else " short") + f"{d}"', mode="eval").body
    assert text_of(node) == "VALUE is VALUE long oneVALUE"


def test_sentences_of_messages_are_short():
    assert {place: long for place, text in messages() if (long := too_long(text))} == {}
