"""How long a trial takes beside its clips alone; ratios, on a quiet machine: pytest tests/benchmarks -n 0."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from poolwatch.trial.run import run_trial
from tests.trial.invented import InventedMeasurer, lay_out


@pytest.fixture(autouse=True)
def _workers_find_the_tests(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[2]))


RESUME = """
import sys
from poolwatch.trial.run import run_trial
from tests.trial.invented import InventedMeasurer
run_trial(sys.argv[1], sys.argv[2], workers=2, report=False, measurer=InventedMeasurer())
"""


def test_forty_clips_on_two_workers_and_again_with_nothing_to_do(tmp_path: Path) -> None:
    """Clips that take 2 s each: wall time within 1.15 of half their sum; a resumed trial answers in 3 s."""
    clips = {
        f"s{k}/{n}": f"unsteadiness = {0.4 + k / 10}\nseconds = 2\n" for k in range(10) for n in range(1, 5)
    }
    manifest = lay_out(tmp_path, clips)
    started = time.perf_counter()
    run_trial(manifest, tmp_path / "out", workers=2, report=False, measurer=InventedMeasurer())
    assert time.perf_counter() - started <= 1.15 * 40 * 2 / 2
    started = time.perf_counter()
    subprocess.run(
        [sys.executable, "-c", RESUME, str(manifest), str(tmp_path / "out")],
        check=True,
        env={"PYTHONPATH": str(Path(__file__).parents[2])},
    )
    assert time.perf_counter() - started <= 3.0
