"""Do the tests notice? Small faults are put into the code one by one, and its tests must fail: a seeded sample.

``python -m tests.faults.mutants --count 100`` runs the sample in a copy of the checkout, one mutant at a time, each
with the tests of its own file and then those of its room; a line each, then the share that was noticed. The kernels
of `pool` run uncompiled, for other files' compiled kernels hold copies of them. What is changed: operators,
comparisons, ``and``/``or``, ``not``, numbers and truth values; not words, annotations or docstrings.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib
import math
import os
import random
import resource
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
# Processor time that a mutant's tests may take before it counts as noticed (they hang): so many times what they take
# without it, and at least so many seconds.
_SLOWER, _LEAST_S = 5, 30
_COMPARE = (ast.Lt, ast.LtE, ast.Gt, ast.GtE, ast.Eq, ast.NotEq)
_ARITHMETIC = (ast.Add, ast.Sub, ast.Mult, ast.Div)
_PAIRS = {ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In}
# Tests by file, those that look at it most closely first; a room's other tests follow.
FIRST = {
    "stability/background": ["steps", "spectra"],
    "stability/collapses": ["collapses", "steps"],
    "stability/conditioning": ["conditioning"],
    "stability/desirability": ["index"],
    "stability/events": ["events"],
    "stability/fluctuation": ["fluctuation"],
    "stability/index": ["index"],
    "stability/longrun": ["longrun", "steps"],
    "stability/peaks": ["spectra", "steps"],
    "stability/series": ["conditioning"],
    "stability/settings": ["index", "spectra"],
    "stability/spectra": ["spectra"],
    "stability/steady": ["steady"],
    "scale/calibration": ["file_and_points"],
    "scale/compare": ["small_facts", "uncertainty", "file_and_points"],
    "scale/file": ["small_facts", "file_and_points"],
    "scale/lens": ["target"],
    "scale/motion": ["small_facts", "motion"],
    "scale/photo": ["target"],
    "scale/plane": ["target"],
    "scale/points": ["file_and_points"],
    "scale/ruler": ["ruler"],
    "scale/target": ["small_facts", "target"],
    "scale/texture": ["motion"],
    "scale/tiles": ["steps", "motion"],
    "scale/travel": ["small_facts", "motion"],
    "scale/uncertainty": ["uncertainty"],
    "scale/vote": ["steps", "motion"],
    "pool/geometry": ["geometry"],
    "pool/curve": ["curve", "geometry"],
}
# What the room's files lean on besides their own: tests of another room that go through them.
ALSO = {
    "scale": ["tests/cli/test_calibrate.py"],
    "stability": ["tests/accuracy/test_series_invariance.py"],
    "pool": ["tests/pool/test_lobes.py"],
}


@dataclass(frozen=True)
class Site:
    """One place that can be changed: the node's number in the file's tree, and a line of words."""

    file: str
    node: int
    line: int
    words: str


def sites(file: str) -> list[Site]:
    """Every place of a file that `mutated` can change."""
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    return [
        Site(file, number, getattr(node, "lineno", 0), ast.unparse(node)[:80])
        for number, node in _nodes(tree)
        if _can_change(node)
    ]


def _nodes(tree: ast.AST) -> Iterator[tuple[int, ast.AST]]:
    skipped = set()
    for node in ast.walk(tree):
        for field in ("annotation", "returns"):
            if isinstance(getattr(node, field, None), ast.AST):
                skipped |= {id(part) for part in ast.walk(getattr(node, field))}
        if isinstance(node, ast.FunctionDef):  # decorators steer the compiler, not the figures
            skipped |= {id(part) for d in node.decorator_list for part in ast.walk(d)}
    for number, node in enumerate(ast.walk(tree)):
        if id(node) not in skipped:
            yield number, node


def _can_change(node: ast.AST) -> bool:
    if isinstance(node, ast.Constant):
        return isinstance(node.value, bool | int | float)
    if isinstance(node, ast.BinOp):
        # `|` joins sets and types here; a joined word is no figure.
        return isinstance(node.op, (*_ARITHMETIC, ast.Pow, ast.FloorDiv, ast.Mod)) and not any(
            isinstance(side, ast.JoinedStr)
            or (isinstance(side, ast.Constant) and isinstance(side.value, str))
            for side in (node.left, node.right)
        )
    if isinstance(node, ast.Compare):
        return len(node.ops) == 1
    return isinstance(node, ast.BoolOp) or (
        isinstance(node, ast.UnaryOp) and not isinstance(node.op, ast.UAdd)
    )


def mutated(site: Site, rng: random.Random) -> tuple[str, str]:
    """The file's text with one place changed, and what stands there now."""
    tree = copy.deepcopy(ast.parse((ROOT / site.file).read_text(encoding="utf-8")))
    node = next(node for number, node in enumerate(ast.walk(tree)) if number == site.node)
    if isinstance(node, ast.Constant):
        node.value = _other_value(node.value, rng)
    elif isinstance(node, ast.BinOp):
        node.op = rng.choice([op for op in _ARITHMETIC if not isinstance(node.op, op)])()
    elif isinstance(node, ast.Compare):
        op = node.ops[0]
        other = _PAIRS.get(type(op)) or rng.choice([o for o in _COMPARE if not isinstance(op, o)])
        node.ops = [other()]
    elif isinstance(node, ast.BoolOp):
        node.op = ast.And() if isinstance(node.op, ast.Or) else ast.Or()
    elif isinstance(node, ast.UnaryOp):
        return _without(tree, node)
    return ast.unparse(tree), ast.unparse(node)[:80]


def _other_value(value: object, rng: random.Random) -> object:
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        # One more frame in forty is no fault; twice as many is.
        return value + rng.choice((-1, 1)) if abs(value) < 8 else rng.choice((value // 2, value * 2))
    assert isinstance(value, float)
    return value * rng.choice((0.5, 2.0)) if value else 1.0


def _without(tree: ast.AST, node: ast.UnaryOp) -> tuple[str, str]:
    """The tree with a sign or `not` taken away."""

    class Drop(ast.NodeTransformer):
        def visit_UnaryOp(self, found: ast.UnaryOp) -> ast.AST:
            self.generic_visit(found)
            return found.operand if found is node else found

    return ast.unparse(Drop().visit(tree)), ast.unparse(node.operand)[:80]


def tests_of(file: str) -> list[str]:
    """Test files for a source file, closest first."""
    _, room, name = Path(file).with_suffix("").parts
    own = [f"tests/{room}/test_{test}.py" for test in FIRST[f"{room}/{name}"]]
    if room == "pool":
        return [*own, *ALSO[room]]
    rest = [str(path.relative_to(ROOT)) for path in sorted((ROOT / "tests" / room).glob("test_*.py"))]
    # What follows metal takes minutes, and only the files that name it first have a part in that.
    return [*own, *(path for path in rest if path not in own and "motion" not in path), *ALSO[room]]


def passes(place: Path, test: str, limit_s: float) -> tuple[bool, float]:
    """Whether a test file passes in the copy at `place`, and the processor time it took, s."""
    begin = resource.getrusage(resource.RUSAGE_CHILDREN)
    child = os.fork()
    if child == 0:
        code = 99
        try:
            code = _run(place, test, limit_s)
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    end = resource.getrusage(resource.RUSAGE_CHILDREN)
    return status == 0, end.ru_utime + end.ru_stime - begin.ru_utime - begin.ru_stime


def _run(place: Path, test: str, limit_s: float) -> int:
    """Run one test file in this process, a fork that has not yet loaded poolwatch."""
    import numba
    import pytest

    numba.config.DISABLE_JIT = "/pool/" in test
    limit = math.ceil(limit_s)
    resource.setrlimit(resource.RLIMIT_CPU, (limit, limit))
    os.chdir(place)
    sys.path[:] = [str(place), *(entry for entry in sys.path if Path(entry or ".").resolve() != ROOT)]
    for name in [n for n in sys.modules if n.split(".")[0] in ("poolwatch", "tests")]:
        del sys.modules[name]
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    cut = f"--confcutdir={place / Path(test).parent}"
    return int(
        pytest.main(["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "--deselect", _TIMED, cut, test])
    )


# Holds a bound on wall time, which a busy machine breaks by itself.
_TIMED = "tests/stability/test_index.py::test_long_clips_stay_quick"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="skip this many of the sample")
    parser.add_argument("--stop", type=int, help="and stop before this one")
    parser.add_argument("--only", help="numbers of the sample, separated by commas")
    parser.add_argument("--list", action="store_true", help="show the sample and run nothing")
    chosen = parser.parse_args()
    everywhere = [site for name in FIRST for site in sites(f"poolwatch/{name}.py")]
    rng = random.Random(chosen.seed)
    sample = rng.sample(everywhere, chosen.count)
    mutants = [(site, *mutated(site, rng)) for site in sample]
    numbers = range(chosen.count)[chosen.first : chosen.stop]
    if chosen.only:
        numbers = sorted(int(number) for number in chosen.only.split(","))
    print(f"{len(everywhere)} places, {len(numbers)} of them tried", flush=True)
    if chosen.list:
        for number in numbers:
            site, _, words = mutants[number]
            print(f"{number:3} {site.file}:{site.line}: {site.words}  ->  {words}")
        return
    # Loaded once for all mutants; poolwatch itself is not.
    for name in ("cv2", "numba", "pandas", "pytest", "scipy.optimize", "scipy.signal", "scipy.stats"):
        importlib.import_module(name)
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        place = Path(folder)
        for name in ("poolwatch", "tests", "configs"):
            shutil.copytree(ROOT / name, place / name, ignore=shutil.ignore_patterns("*.pyc"))
        shutil.copy2(ROOT / "pyproject.toml", place)
        sys.dont_write_bytecode = True  # a mutant of the same second and size must not be read from a cache
        try_all(place, {number: mutants[number] for number in numbers})


def try_all(place: Path, mutants: dict[int, tuple[Site, str, str]]) -> None:
    """Put each mutant into the copy at `place`, run its tests, and say what came of it."""
    usual: dict[str, float] = {}
    for test in dict.fromkeys(test for site, *_ in mutants.values() for test in tests_of(site.file)):
        good, usual[test] = passes(place, test, 3600)
        if not good:
            sys.exit(f"{test} fails without any mutant; nothing can be told")
        print(f"{test}: {usual[test]:.0f} s", flush=True)
    seen = 0
    for number, (site, text, words) in mutants.items():
        target = place / site.file
        before = target.read_text(encoding="utf-8")
        target.write_text(text, encoding="utf-8")
        killer = ""
        for test in tests_of(site.file):
            if not passes(place, test, max(_SLOWER * usual[test], _LEAST_S))[0]:
                killer = test
                break
        target.write_text(before, encoding="utf-8")
        seen += bool(killer)
        word = f"by {Path(killer).stem}" if killer else "SURVIVED"
        print(f"{number:3} {site.file}:{site.line}: {site.words}  ->  {words}: {word}", flush=True)
    print(f"noticed {seen} of {len(mutants)}: {seen / len(mutants):.0%}")


if __name__ == "__main__":
    main()
