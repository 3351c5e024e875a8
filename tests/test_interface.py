"""The Python interface: listed, light, typed, and as its docstrings say."""

from __future__ import annotations

import doctest
import inspect
import subprocess
import sys

import pytest

import poolwatch

FUNCTIONS = ("inspect_clip", "measure_clip", "rank", "read_measurement", "run_trial", "write_overlay")


def test_all_that_is_listed_is_there():
    assert dir(poolwatch) == sorted(poolwatch.__all__)
    assert set(FUNCTIONS) < set(dir(poolwatch))
    for name in dir(poolwatch):
        assert getattr(poolwatch, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'mesure_clip'"):
        poolwatch.mesure_clip  # noqa: B018


def test_importing_is_light():
    program = "import sys, poolwatch; dir(poolwatch); print(*[m for m in ('numpy', 'pandas', 'pydantic') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    assert done.stdout.split() == []


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_says_what_it_takes_and_gives(name):
    function = getattr(poolwatch, name)
    signature = inspect.signature(function)
    assert signature.return_annotation not in (inspect.Signature.empty, "Any")
    assert all(given.annotation is not inspect.Parameter.empty for given in signature.parameters.values())
    assert "Raises\n------\n" in inspect.getdoc(function)
    if name != "read_measurement":
        facts_by_name = inspect.Parameter.VAR_KEYWORD
        taken = [given.name for given in signature.parameters.values() if given.kind is not facts_by_name]
        assert [given for given in taken if given not in function.__doc__] == []


@pytest.mark.slow
@pytest.mark.often("inspect_clip", "measure_clip", "rank")
@pytest.mark.parametrize("name", [name for name in FUNCTIONS if name != "read_measurement"])
def test_the_example_of_a_docstring_runs(name):
    function = getattr(poolwatch, name)
    tests = doctest.DocTestFinder(recurse=False).find(function, name, globs={name: function})
    assert [len(test.examples) > 1 for test in tests] == [True]
    report: list[str] = []
    runner = doctest.DocTestRunner(verbose=False)
    runner.run(tests[0], out=report.append)
    assert not runner.failures, "".join(report)
