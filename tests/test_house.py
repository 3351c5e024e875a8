"""The house rules that a machine can hold: floors, types, style, layout."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
BIN = Path(sys.executable).parent


def run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


@pytest.mark.slow
def test_floors():
    done = run(str(BIN / "lint-imports"), "--no-cache")
    assert done.returncode == 0, done.stdout


def test_style():
    done = run(str(BIN / "ruff"), "check", "poolwatch", "tests", "demo_clips")
    assert done.returncode == 0, done.stdout


def test_format():
    done = run(str(BIN / "ruff"), "format", "--check", "poolwatch", "tests", "demo_clips")
    assert done.returncode == 0, done.stdout


@pytest.mark.long
@pytest.mark.slow
def test_types():
    done = run(str(BIN / "mypy"))
    assert done.returncode == 0, done.stdout


def test_top_level_holds_what_it_should():
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout: nothing to compare the top level with")
    listed = run("git", "ls-files").stdout.split()
    top = {name.split("/")[0] for name in listed}
    extra = {name for name in top if not name.startswith(".")}
    assert extra <= {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "poolwatch",
        "tests",
        "demo_clips",
        "configs",
    }


def test_no_file_grows_into_a_hub():
    long = {
        str(path.relative_to(ROOT)): count
        for path in (ROOT / "poolwatch").rglob("*.py")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert long == {}
