"""What Windows and macOS do otherwise, as far as it can be imposed here."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from poolwatch.cli.main import COMMANDS
from poolwatch.model.settings import read_toml
from poolwatch.model.table import csv_text, read_csv
from poolwatch.model.tables import SCORE
from poolwatch.trial.rows import read_rows
from tests.trial.simulated import score_rows

ROOT = Path(__file__).resolve().parents[2]

SPAWN_ONLY = """
import multiprocessing, os, sys
from pathlib import Path


def refuse(*args):
    raise OSError("there is no fork here")


if __name__ == "__main__":
    os.fork = os.forkpty = refuse
    multiprocessing.set_start_method("spawn")
    from poolwatch.trial.run import run_trial
    from tests.trial.invented import InventedMeasurer, lay_out, ordinary

    place = Path(sys.argv[1])
    manifest = lay_out(place, ordinary(2))
    result = run_trial(manifest, place / "out", workers=2, report=False, measurer=InventedMeasurer())
    print(result.measured, len(result.failures))
"""


def test_a_trial_needs_no_fork(tmp_path: Path) -> None:
    # Windows has no fork, and macOS starts processes by spawn since Python 3.8: the script is imported again there.
    script = tmp_path / "script.py"
    script.write_text(SPAWN_ONLY, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout.split() == ["6", "0"], done.stderr


ALL_HELP = """
import sys
from poolwatch.cli.letters import tolerant_streams
from poolwatch.cli.main import main
tolerant_streams()
sys.exit(max(main([name, "--help"]) for name in sys.argv[1:]))
"""


def test_every_help_page_on_a_console_of_cp1252() -> None:
    done = subprocess.run(
        [sys.executable, "-c", ALL_HELP, *COMMANDS],
        env={
            **os.environ,
            "PYTHONIOENCODING": "cp1252",
            "PYTHONUTF8": "0",
            "LC_ALL": "C",
            "PYTHONPATH": str(ROOT),
        },
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode("cp1252")
    shown = done.stdout.decode("cp1252")
    assert shown.count("Usage: ") >= len(COMMANDS)
    assert done.stderr == b""


def test_tables_that_a_spreadsheet_gave_line_ends_of_windows(tmp_path: Path) -> None:
    rows = score_rows(np.random.default_rng(3), [0.5, 0.9], 2)
    mine, theirs = tmp_path / "mine.csv", tmp_path / "theirs.csv"
    text = csv_text(rows)
    assert "\r" not in text
    mine.write_bytes(text.encode())
    theirs.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert csv_text(read_csv(theirs, SCORE)) == csv_text(read_csv(mine, SCORE))
    assert csv_text(read_rows(theirs)) == csv_text(read_rows(mine))


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_settings_that_an_editor_of_windows_wrote(tmp_path: Path, mark: bytes) -> None:
    path = tmp_path / "s.toml"
    path.write_bytes(mark + b'[pool]\r\nkind = "glowing"\r\n')
    assert read_toml(path) == {"pool": {"kind": "glowing"}}
