"""Kernels are compiled once, before the workers of the test run would each do it; slow files are run first."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
# Whole clips, whole commands, every kind of file, or other processes, in nearly every test.
SLOW = {
    TESTS / "accuracy",
    TESTS / "cli",
    TESTS / "contracts",
    TESTS / "faults",
    TESTS / "metamorphic",
    TESTS / "show" / "browser",
}


def pytest_configure(config: pytest.Config) -> None:
    # A run in the background ignores Ctrl-C, and so would every command that a test starts and interrupts.
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if hasattr(config, "workerinput") or config.option.collectonly:
        return
    # Else every worker and every command that a test starts compiles the package's and the tests' sources anew.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    # There is a worker for each core: more threads of linear algebra wait for one another in busy loops.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if config.args_source is not config.ArgsSource.TESTPATHS:
        return  # A few files need few kernels.
    from poolwatch.measure import compile_kernels, is_compiled
    from tests.lit_kernels import are_compiled

    lit = None
    if not are_compiled():
        lit = subprocess.Popen([sys.executable, "-m", "tests.lit_kernels"], cwd=TESTS.parent)
    if not is_compiled():
        compile_kernels()
    if lit is not None:
        lit.wait()


def pytest_xdist_auto_num_workers() -> int:
    """One more than cores: many tests wait for a process, a file or a browser."""
    return (os.cpu_count() or 1) + 1


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        for often in item.iter_markers("often"):
            if not any(part in item.name.partition("[")[2] for part in often.args):
                item.add_marker(pytest.mark.long)
        if SLOW & set(item.path.parents) or item.get_closest_marker("long"):
            item.add_marker(pytest.mark.slow)
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    # No worker ends with a slow file alone.
    items.sort(key=lambda item: item.path not in slow)


@pytest.fixture(params=[False, pytest.param(True, marks=pytest.mark.long)], ids=["few", "many"])
def many(request: pytest.FixtureRequest) -> bool:
    """Whether a test takes as many draws as its bound is stated for; few by default."""
    return bool(request.param)
