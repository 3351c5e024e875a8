"""The reference holds what the code uses, finds words, and its page is up to date."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest
from click.testing import CliRunner

from poolwatch.cli.explain import command
from poolwatch.clips.opening import READERS
from poolwatch.model.errors import UsageError
from poolwatch.model.flags import BEAD_FLAGS, FLAGS, STATUSES
from poolwatch.model.settings import Settings
from poolwatch.model.tables import TABLES
from poolwatch.reference import markdown_page, sections
from poolwatch.reference.attributes import field_meanings
from poolwatch.reference.entries import ReferenceEntry, Section, find
from poolwatch.reference.words import CLIP_FILES, FORMATS, MANIFEST
from poolwatch.spatter.counting import ENDS
from poolwatch.spatter.judging import REASONS
from poolwatch.trial.manifest import KNOWN

ROOT = Path(__file__).resolve().parents[2]
EVERY = sections()


def words_of(name):
    return [entry.word for section in EVERY if section.name == name for entry in section.entries]


def test_the_page_in_the_package_is_what_the_code_says():
    page = resources.files("poolwatch.reference").joinpath("reference.md").read_text(encoding="utf-8")
    assert page == markdown_page(EVERY), "run `poolwatch explain --out poolwatch/reference/reference.md`"


def test_the_words_of_the_code_are_there():
    assert words_of("statuses") == list(STATUSES)
    assert words_of("flags") == list(FLAGS)
    assert words_of("bead-flags") == list(BEAD_FLAGS)
    assert words_of("ends") == list(ENDS)
    assert words_of("reasons") == list(REASONS)
    assert set(words_of("manifest")) > set(KNOWN)
    assert list(FORMATS) == list(READERS)
    for table in TABLES:
        if table.name != "spatter_rejected.csv":
            assert words_of(table.name) == table.names
    files = {entry.word for entry in CLIP_FILES}
    assert {table.name for table in TABLES} - files == {"ranking.csv", "handcheck.csv"}
    assert len({entry.word for entry in MANIFEST}) == len(MANIFEST)


def test_every_setting_that_the_shipped_file_names_is_there():
    import tomllib

    def names(values, place=""):
        for name, value in values.items():
            if isinstance(value, dict):
                yield from names(value, f"{place}{name}.")
            else:
                yield place + name

    text = (ROOT / "configs" / "glowing.toml").read_text(encoding="utf-8")
    assert set(names(tomllib.loads(text))) <= set(words_of("settings"))


def test_a_word_is_found_by_its_name_then_by_a_part_of_it():
    assert [(s.name, [e.word for e in s.entries]) for s in find(EVERY, "Tail_Faint")] == [
        ("flags", ["tail_faint"])
    ]
    assert [e.word for s in find(EVERY, "tail_") for e in s.entries if s.name == "flags"] == [
        "tail_narrow",
        "tail_faint",
    ]
    assert [s.name for s in find(EVERY, "exit-codes")] == ["exit-codes"]
    # A section and a column of one name: both.
    assert [s.name for s in find(EVERY, "settings")] == ["settings", "manifest"]


def test_a_word_that_is_not_there_names_near_ones():
    with pytest.raises(UsageError, match="did you mean tail_faint"):
        find(EVERY, "tail_fiant")
    with pytest.raises(UsageError, match="lists the sections"):
        find(EVERY, "")


def test_an_entry_needs_a_cell_for_each_head():
    with pytest.raises(ValueError, match="1 cells for"):
        Section("a", "A", "", ("word", "meaning"), (ReferenceEntry("b", "c", ("d",)),))


def test_a_field_that_no_docstring_describes_is_refused():
    class Strange(Settings):
        """Something.

        Attributes
        ----------
        known
            It is known.
        """

        known: int = 1
        unknown: int = 2

    with pytest.raises(KeyError, match="unknown"):
        field_meanings(Strange)


def test_the_command_lists_shows_and_writes(tmp_path):
    run = CliRunner().invoke
    listed = run(command, [])
    assert listed.exit_code == 0
    assert all(section.name in listed.output for section in EVERY)
    shown = run(command, ["flags"])
    assert all(flag in shown.output for flag in FLAGS)
    assert "tail_faint" not in run(command, ["statuses"]).output
    page = tmp_path / "page.md"
    assert run(command, ["--out", str(page)]).exit_code == 0
    assert page.read_text(encoding="utf-8") == markdown_page(EVERY)
    assert isinstance(run(command, ["flags", "--out", str(page)]).exception, UsageError)


def test_words_of_the_report_are_explained():
    def shown(word):
        return CliRunner().invoke(command, [word]).output

    assert "1 / (1 + x / half)" in shown("desirability")
    assert "red-noise" in shown("peak")
    assert "pool_length_peak_hz" in shown("peak")
    assert "see `peak`" in shown("tone")
    assert "as a share of the pool's" in " ".join(shown("surface agitation").split())
    assert "Garwood 1936" in shown("keyhole_collapses_per_s_high")
    assert "further down than up" in " ".join(shown("interval").split())
    # A word that is no name is looked for in the meanings.
    assert "stability index" in shown("Derringer")
