"""What the code says of its own structure: no circle of imports, no class name with two meanings."""

from __future__ import annotations

import ast
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "poolwatch"


def modules(package: Path) -> dict[str, Path]:
    """Files by their dotted name; a folder's own file by the folder's name."""
    names = {
        path: ".".join(path.relative_to(package.parent).with_suffix("").parts)
        for path in package.rglob("*.py")
    }
    return {name.removesuffix(".__init__"): path for path, name in names.items()}


def imports(package: Path) -> dict[str, set[str]]:
    """Which files each file imports from, wherever in it: inside functions and for types alone, too.

    What a folder's own file gives on is lazy and counts for nothing.
    """
    files = modules(package)
    found: dict[str, set[str]] = {name: set() for name in files}
    for name, path in files.items():
        folder = name.split(".") if path.name == "__init__.py" else name.split(".")[:-1]
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ImportFrom):
                continue
            base = folder[: len(folder) - node.level + 1] if node.level else []
            source = ".".join([*base, *([node.module] if node.module else [])])
            for alias in node.names:
                target = f"{source}.{alias.name}" if f"{source}.{alias.name}" in files else source
                if target in files and files[target].name != "__init__.py":
                    found[name].add(target)
    return found


@pytest.mark.slow
def test_no_import_goes_in_a_circle():
    try:
        TopologicalSorter(imports(PACKAGE)).prepare()
    except CycleError as error:
        pytest.fail(" -> ".join(reversed(error.args[1])))


def test_a_circle_inside_a_function_is_found(tmp_path):
    room = tmp_path / "house" / "room"
    room.mkdir(parents=True)
    (tmp_path / "house" / "__init__.py").touch()
    (room / "__init__.py").write_text("from .upper import a\n", encoding="utf-8")
    (room / "upper.py").write_text("from .lower import b\n", encoding="utf-8")
    (room / "lower.py").write_text("def b():\n    from .upper import a\n    return a\n", encoding="utf-8")
    with pytest.raises(CycleError):
        TopologicalSorter(imports(tmp_path / "house")).prepare()


def classes(package: Path) -> dict[str, list[str]]:
    """Files in which each class name is defined, private ones too."""
    found: dict[str, list[str]] = {}
    for name, path in modules(package).items():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef):
                found.setdefault(node.name, []).append(name)
    return found


@pytest.mark.slow
def test_a_class_name_has_one_meaning():
    assert {name: files for name, files in classes(PACKAGE).items() if len(files) > 1} == {}
