"""What the README shows can be typed as it is, and its tables are what the commands give."""

from __future__ import annotations

import importlib.util
import re
import shlex
from pathlib import Path

import click
import pytest

from poolwatch.cli.main import poolwatch

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```\n(.*?)^```", TEXT, re.DOTALL | re.MULTILINE)
COMMANDS = [
    line
    for block in BLOCKS
    for line in block.replace("\\\n", " ").splitlines()
    if line.startswith("poolwatch ")
]


def test_the_two_commands_stand_in_the_readme():
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/poolwatch demo\n" in TEXT
    assert "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest\n" in TEXT


def test_a_trial_is_shown_from_plan_to_check():
    shown = {line.split()[1] for line in COMMANDS}
    assert shown == {"plan", "calibrate", "inspect", "measure", "trial", "handcheck", "bead", "simulate"}
    assert all(f"**{step}. " in TEXT for step in range(1, 9))


@pytest.mark.parametrize("line", COMMANDS)
def test_a_command_of_the_readme_is_understood(line):
    command: click.Command = poolwatch
    _, *words = shlex.split(line)
    context = click.Context(command)
    while isinstance(command, click.Group):
        inner = command.get_command(context, words.pop(0))
        assert inner is not None
        command, context = inner, click.Context(inner)
    # Unknown options, values of a wrong kind and missing ones are errors here.
    given, rest, _ = command.make_parser(context).parse_args(args=list(words))
    assert given
    for parameter in command.get_params(context):
        parameter.handle_parse_result(context, given, rest)


def test_the_plan_in_the_readme_is_what_the_command_gives():
    spec = importlib.util.spec_from_file_location("fill_readme", ROOT / "demo_clips" / "fill_readme.py")
    fill_readme = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(fill_readme)
    assert fill_readme.plan_table(TEXT) in TEXT


PAGES = ("README.md", "DEVELOPERS.md", "tests/accuracy/RESULTS.md", "tests/benchmarks/RESULTS.md")


@pytest.mark.parametrize("page", PAGES)
def test_every_file_that_a_page_names_is_there(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    links = [ROOT / link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link]
    named = re.findall(r"\b[a-z_]+/[a-z_/]*\w+\.py\b", text)
    files = [
        ROOT / name if name.startswith(("tests/", "demo_clips/", "poolwatch/")) else ROOT / "poolwatch" / name
        for name in named
    ]
    assert [str(path) for path in (*links, *files) if not path.exists()] == []
