"""Texts that the package raises, warns with or prints, read out of its source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[1] / "poolwatch"
# What is put into a text in place of a value.
_VALUE = "VALUE"
# Calls whose texts people read, beside those of raised errors.
_SAID = ("echo", "Finding", "Problem", "append")


def messages() -> Iterator[tuple[str, str]]:
    """Place and text of every message: of raised errors, of findings, notes and what commands print."""
    for path in sorted(PACKAGE.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        name = str(path.relative_to(PACKAGE.parent))
        for node in ast.walk(tree):
            for call in _calls(node):
                for argument in (*call.args, *(keyword.value for keyword in call.keywords)):
                    text = text_of(argument)
                    if text is not None and " " in text:
                        yield f"{name}:{argument.lineno}", text


def _calls(node: ast.AST) -> Iterator[ast.Call]:
    if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
        yield node.exc
    elif isinstance(node, ast.Call):
        called = node.func
        word = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
        if word in _SAID or word.endswith(("Error", "Problem")):
            yield node


def text_of(node: ast.expr) -> str | None:
    """The text of an expression with a word for each value; the longer branch of a choice; None if it is no text."""
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else None
    if isinstance(node, ast.JoinedStr):
        parts = (text_of(part) if isinstance(part, ast.Constant) else _inside(part) for part in node.values)
        return "".join(part or "" for part in parts)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        left, right = text_of(node.left), text_of(node.right)
        return None if left is None and right is None else (left or _VALUE) + (right or _VALUE)
    if isinstance(node, ast.IfExp):
        branches = [text for text in (text_of(node.body), text_of(node.orelse)) if text is not None]
        return max(branches, key=len) if branches else None
    return None


def _inside(part: ast.expr) -> str:
    value = part.value if isinstance(part, ast.FormattedValue) else part
    found = text_of(value) if isinstance(value, (ast.Constant, ast.JoinedStr, ast.BinOp, ast.IfExp)) else None
    return _VALUE if found is None else found
